"""How long shows are kept: bounded, plain shows before starred or named ones.

Removed room is used again by later shows; the file itself does not shrink.
"""

from __future__ import annotations

import sqlite3
import time

from replank.host.shows.schema import STREAMS

MOST_SHOWS = 200
"""Shows kept."""
MOST_BYTES = 2_000_000_000
"""Bytes that shows may fill, about 100 long nights."""
PORTION = 300
"""Rows removed in one go, so that keeping the running show is never held up."""
LOOK_EVERY = 600.0
"""Seconds between looks."""
UNFINISHED = 24 * 3600 * 1_000_000_000
"""A show without an end is another daemon's running one for so long, ns."""
REMOVED = -1
"""`closed` of a show whose removal has begun."""


class Keeping:
    """Removes the shows beyond the bounds, a portion at a time."""

    def __init__(self, most_shows: int = MOST_SHOWS, most_bytes: int = MOST_BYTES) -> None:
        self.most_shows, self.most_bytes = most_shows, most_bytes
        self._victim = 0
        self._look_at = 0.0

    def step(self, sql: sqlite3.Connection, running: int, clock: float | None = None) -> bool:
        """Do one portion of the work; True while there is more to do.

        Args:
            sql: The recorder's connection, outside a transaction.
            running: Number of the running show, which is never removed.
            clock: Seconds of a clock that does not fall; None reads one.
        """
        clock = time.monotonic() if clock is None else clock
        if clock < self._look_at:
            return False
        if not self._victim:
            self._victim = self._choose(sql, running)
            if not self._victim:
                self.rest(clock)
                return False
            sql.execute("UPDATE shows SET closed = ? WHERE id = ?", (REMOVED, self._victim))
        if not self._remove(sql, self._victim):
            self._victim = 0
        return True

    def rest(self, clock: float) -> None:
        """Leave it until the next look: there is nothing to remove, or it fails now."""
        self._look_at = clock + LOOK_EVERY

    def _choose(self, sql: sqlite3.Connection, running: int) -> int:
        begun = sql.execute("SELECT id FROM shows WHERE closed = ? AND id <> ?", (REMOVED, running)).fetchone()
        if begun:
            return int(begun[0])
        shows: int = sql.execute("SELECT count(*) FROM shows").fetchone()[0]
        if shows <= self.most_shows and used_bytes(sql) <= self.most_bytes:
            return 0
        row = sql.execute(
            "SELECT id FROM shows WHERE id <> ? AND (closed = 1 OR touched < ?) "
            "ORDER BY (stars > 0 OR name <> ''), id LIMIT 1",
            (running, time.time_ns() - UNFINISHED),
        ).fetchone()
        return int(row[0]) if row else 0

    def _remove(self, sql: sqlite3.Connection, show: int) -> bool:
        """Remove a portion of a show; True if there was something left of it."""
        low, high = show << 32, (show + 1 << 32) - 1
        for stream in STREAMS:
            done = sql.execute(
                f"DELETE FROM {stream} WHERE key IN (SELECT key FROM {stream} WHERE key BETWEEN ? AND ? LIMIT ?)",
                (low, high, PORTION),
            )
            if done.rowcount:
                return True
        done = sql.execute(
            "DELETE FROM marks WHERE id IN (SELECT id FROM marks WHERE show = ? LIMIT ?)", (show, PORTION // 10)
        )
        if done.rowcount:
            return True
        sql.execute("DELETE FROM shows WHERE id = ?", (show,))
        return False


def used_bytes(sql: sqlite3.Connection) -> int:
    """Return the bytes of the file that hold something."""
    pages, free, size = (sql.execute(f"PRAGMA {name}").fetchone()[0]
                         for name in ("page_count", "freelist_count", "page_size"))  # fmt: skip
    return int((pages - free) * size)
