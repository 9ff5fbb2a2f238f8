"""The recorder's thread: from the queue into the file, a transaction at a time."""

from __future__ import annotations

import sqlite3
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from replank.control.notices import NOTICES, Notice
from replank.host.shows import schema, store
from replank.host.shows.keeping import Keeping
from replank.host.shows.packing import Packer, Row, pack_state

RETRY = 1.0
"""Seconds between tries while the disk fails."""
LATE = 2.0
"""Seconds of one transaction that are called slow."""
RESUME_WITHIN = 30 * 60 * schema.SECOND
"""A show cut off less than so many ns ago is gone on with."""
CUT_OFF = 60 * schema.SECOND
"""How far the state that a host starts from may lie before the last thing kept, ns."""
_ANY = 1073741823  # SQLite's own bound on pages in the releases that Python 3.11 came with
MOST_SET_ASIDES = 3
"""Files set aside in one show; a disk that damages more is not worth a fourth."""
AT_ONCE = 4000
"""Things in one transaction at most, so that a long queue comes in portions."""


class Writer:
    """Owns the connection, the packers of the present second, and what is not yet committed.

    Attributes:
        health: Replaced whole, never changed, so that any thread may read it.
        pages: Bound on the file, 0 none; may be set from another thread.
    """

    def __init__(self, path: Path, queue: deque[tuple[Any, ...]], on_notice: Callable[[Notice], None],
                 engine: int, program: str, instance: str, pages: int) -> None:  # fmt: skip
        self.asked, self.queue, self.on_notice, self.pages = path, queue, on_notice, pages
        self.engine, self.program, self.instance = engine, program, instance
        self.opened: store.Opened | None = None
        self.keeping = Keeping()
        self.state, self.text = "starting", "the show database is being opened"
        self.show, self.base, self.last, self.cycle = 0, 0, 0, 0
        self.counts = {"mutations": 0, "stars": 0, "gaps": 0}
        self.packers: dict[str, Packer] = {}
        self.rows: list[tuple[str, Row]] = []
        self.marks: list[tuple[Any, ...]] = []
        self.name: str | None = None
        self.newest: tuple[int, bytes] | None = None
        self.start: tuple[int, dict[str, Any], bool] | None = None
        self.commits, self.lost, self.uncommitted = 0, 0, 0
        self.taken = self.kept = 0  # things off the queue, and of them those that are committed
        self.lasted = self.slowest = 0.0
        self.wants_checkpoint = False
        self.ends_in_order = True
        self._retry_at = self._summary_at = 0.0
        self._pages = pages
        self._set_asides = 0
        self.health: dict[str, Any] = {}
        self._publish()

    @property
    def _sql(self) -> sqlite3.Connection:
        assert self.opened is not None
        return self.opened.connection

    # -- the thread's rounds

    def tick(self, clock: float) -> None:
        """Write what has come; keeps everything for the next round where that fails."""
        if clock < self._retry_at:
            return
        try:
            if self.opened is not None and clock >= self._summary_at and not self.opened.is_in_place():
                self._replace(f"{self.opened.path} was removed or replaced")
            if self.opened is None:
                self._open()
            if self._round(clock):
                self._well()
            self._remove_old(clock)
        except Exception as error:  # whatever it is, the thread goes on and says so
            self._failed(error, clock)
        self._publish()

    def _remove_old(self, clock: float) -> None:
        """Remove a portion of what is beyond the bounds; the running show is kept even where that fails."""
        assert self.opened is not None
        try:
            self.keeping.step(self._sql, self.show, clock)
        except sqlite3.Error as error:
            if store.is_damage(error):
                raise
            self.keeping.rest(clock)
            path = self.opened.path
            self._say("not removed", f"old shows stay in {path} for now, removing failed: {store.reason(error)}")

    def finish(self) -> None:
        """Write the rest and mark the show as ended in order, if it is."""
        for _ in range(50):
            before = len(self.queue)
            self._retry_at = 0.0
            self.tick(time.monotonic())
            if self.state == "failing" or (not self.queue and not self.uncommitted) or len(self.queue) == before:
                break
        if self.opened is not None and self.state != "failing":
            try:
                if self.show:
                    self._transaction(lambda sql: self._summary(sql, closed=int(self.ends_in_order)))
                self.state, self.text = "closed", "the show is kept"
            except sqlite3.Error as error:
                self._failed(error, time.monotonic())
        if self.opened is not None:
            self.opened.close()
        self._publish()

    # -- from the queue into rows

    def _round(self, clock: float) -> bool:
        """Commit what failed before, or else a portion of the queue; True if something was committed."""
        if self.pages != self._pages:
            self._sql.execute(f"PRAGMA max_page_count = {self.pages or _ANY}")
            self._pages = self.pages
        if not self.uncommitted:
            if not self.queue:
                return False
            for _ in range(min(len(self.queue), AT_ONCE)):
                self._take(self.queue.popleft())
                self.uncommitted += 1
                self.taken += 1
        began = time.monotonic()
        self._transaction(self._write)
        self.lasted = time.monotonic() - began
        self.slowest = max(self.slowest, self.lasted)
        self.rows, self.marks, self.name, self.start, self.uncommitted = [], [], None, None, 0
        self.commits += 1
        self.kept = self.taken
        if clock >= self._summary_at:
            self._summary_at = clock + 1.0
        return True

    def _take(self, item: tuple[Any, ...]) -> None:
        what, now = item[0], item[1]
        if not self.packers and what not in ("begin", "recover"):
            self.lost += 1
            return
        self.last = max(self.last, now)
        try:
            self._sort(what, now, item)
        except (TypeError, ValueError) as error:  # not plain data: a bug elsewhere must not end the record
            self._gap(now, 1, f"{what} could not be packed: {error}")

    def _sort(self, what: str, now: int, item: tuple[Any, ...]) -> None:
        if what == "input":
            self._pack("inputs", now, item[2])
        elif what == "output":
            self._pack("outputs", now, [item[2], item[3]])
        elif what == "notice":
            self._take_notice(item[2])
        elif what == "checkpoint":
            self.newest = (now, pack_state(item[2]))
            self.wants_checkpoint = False
            self._mark(schema.CHECKPOINT, now, "", self.newest[1])
        elif what == "dropped":
            self._gap(now, item[2], f"{item[2]} things could not be kept while the disk failed")
        elif what == "begin":
            self._begin(now, item[2], item[3])
        elif what == "recover" and self._resume(now):
            self.counts["gaps"] -= 1  # nothing is missing here
            self.marks.pop()
            self.wants_checkpoint = False

    def _take_notice(self, notice: Notice) -> None:
        kind, data = notice.kind, notice.data
        if kind in ("step", "cycle"):
            self.cycle = int(data.get("cycle", self.cycle))
        row = NOTICES.get(kind)
        if row is not None and row.level == "step":
            return
        if kind == "gap":
            self._gap(notice.now, int(data.get("dropped", 0)), str(data.get("text", "")))
            return
        self._pack("notices", notice.now, [kind, data])
        if kind == "mutation":
            self.counts["mutations"] += 1
        elif kind == schema.STAR:
            self.counts["stars"] += 1
        elif kind == schema.NAME:
            self.name = str(data.get("text", ""))
        if kind in (schema.STAR, schema.NAME, schema.SNAPSHOT, schema.PIECE):
            text = str(data.get("name" if kind in (schema.SNAPSHOT, schema.PIECE) else "text", ""))
            self._mark(kind, notice.now, text, pack_state(data))

    def _pack(self, stream: str, now: int, item: Any) -> None:
        done = self.packers[stream].add(now, item)
        if done is not None:
            self.rows.append((stream, done))

    def _mark(self, kind: str, now: int, text: str, blob: bytes | None) -> None:
        inputs, outputs = self.packers["inputs"].count, self.packers["outputs"].count
        self.marks.append((kind, now, inputs, outputs, self.cycle, text, blob))

    def _gap(self, now: int, dropped: int, text: str) -> None:
        self.counts["gaps"] += 1
        self.lost += dropped
        self.wants_checkpoint = True
        self._mark(schema.GAP, now, text, pack_state({"dropped": dropped}))

    # -- beginning, and beginning again in another file

    def _begin(self, now: int, saved: dict[str, Any], resume: bool) -> None:
        self.newest = (now, pack_state(saved))
        if not (resume and self._resume(now)):
            self._new_show(now, saved)
        self.wants_checkpoint = False
        self._mark(schema.CHECKPOINT, now, "start", self.newest[1])

    def _new_show(self, now: int, saved: dict[str, Any]) -> None:
        self.show, self.base, self.last, self.cycle = 0, now, now, 0
        self.counts = dict.fromkeys(self.counts, 0)
        self.packers = {stream: Packer(now) for stream in schema.STREAMS}
        self.start = (now, saved, True)

    def _resume(self, now: int) -> bool:
        """Go on with the last show if it was cut off just now."""
        sql = self._sql
        row = sql.execute(
            "SELECT id, base, last, touched, closed, engine, cycle, mutations, stars, gaps, instance "
            "FROM shows ORDER BY id DESC LIMIT 1"
        ).fetchone()  # fmt: skip
        if row is None or row[4] or row[5] != self.engine or row[10] != self.instance:
            return False
        if not all(isinstance(value, int) for value in row[:10]):  # damage that no check of the file sees
            return False
        elapsed, performed = time.time_ns() - row[3], now - row[2]
        # the same boot: the monotonic clock has gone on by as much as the wall clock, or less while asleep
        if not 0 <= elapsed <= RESUME_WITHIN or not -CUT_OFF <= performed <= elapsed + CUT_OFF:
            return False
        self.show, self.base, self.last, self.cycle = row[0], row[1], now, row[6]
        self.counts = {"mutations": row[7], "stars": row[8], "gaps": row[9]}
        self.packers = {stream: self._behind(sql, stream) for stream in schema.STREAMS}
        self._gap(now, 0, "the host was started again")
        return True

    def _behind(self, sql: sqlite3.Connection, stream: str) -> Packer:
        low, high = self.show << 32, (self.show + 1 << 32) - 1
        row = sql.execute(
            f"SELECT key, first + count, chain FROM {stream} WHERE key BETWEEN ? AND ? ORDER BY key DESC LIMIT 1",
            (low, high),
        ).fetchone()
        return Packer(self.base) if row is None else Packer(self.base, row[1], row[2], row[0] - low)

    def _open(self) -> None:
        self.opened = store.open_for_writing(self.asked, self.pages)
        self._pages = self.pages
        for message in self.opened.messages:
            self._say("replaced", message)
        if self.newest is not None:
            self._begin_again()

    def _begin_again(self) -> None:
        """Begin in a new file in the middle of a show, from the newest state that there is."""
        assert self.newest is not None
        now, blob = self.newest
        self._new_show(now, {})
        self._mark(schema.CHECKPOINT, now, "start", blob)
        self._gap(self.last, self.uncommitted, "the database was replaced; what came before is in the old file")
        self.uncommitted = 1

    def _replace(self, why: str) -> None:
        assert self.opened is not None
        self._say("replaced", f"{why}; a new database is begun, what came before is not in it")
        self._let_go()

    def _let_go(self) -> None:
        if self.opened is not None:
            self.opened.close()
        self.opened, self.show, self.packers = None, 0, {}
        self.rows, self.marks, self.start = [], [], None

    # -- into the file

    def _transaction(self, what: Callable[[sqlite3.Connection], None]) -> None:
        sql, show = self._sql, self.show
        sql.execute("BEGIN IMMEDIATE")
        try:
            what(sql)
            sql.execute("COMMIT")
        except BaseException:
            self.show = show
            if sql.in_transaction:
                sql.execute("ROLLBACK")
            raise

    def _write(self, sql: sqlite3.Connection) -> None:
        if self.start is not None:
            now, saved, _ = self.start
            wall = time.time_ns()
            self.show = int(
                sql.execute(
                    "INSERT INTO shows (engine, program, instance, began, touched, base, last, seed) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (self.engine, self.program, self.instance, wall, wall, now, now, str(saved.get("given_seed", ""))),
                ).lastrowid or 0
            )  # fmt: skip
        if not self.packers:
            return
        growing = [(stream, packer.row()) for stream, packer in self.packers.items() if not packer.is_empty]
        for stream, (second, *rest) in [*self.rows, *growing]:
            sql.execute(f"INSERT OR REPLACE INTO {stream} VALUES (?, ?, ?, ?, ?)", (self.show << 32 | second, *rest))
        sql.executemany(
            "INSERT INTO marks (show, kind, now, inputs, outputs, cycle, text, blob) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [(self.show, *mark) for mark in self.marks],
        )
        if self.name is not None:
            sql.execute("UPDATE shows SET name = ? WHERE id = ?", (self.name, self.show))
        if self.marks or time.monotonic() >= self._summary_at:
            self._summary(sql, closed=0)

    def _summary(self, sql: sqlite3.Connection, closed: int) -> None:
        sql.execute(
            "UPDATE shows SET touched = ?, closed = ?, last = ?, inputs = ?, outputs = ?, mutations = ?, stars = ?, "
            "gaps = ?, cycle = ? WHERE id = ?",
            (time.time_ns(), closed, self.last, self.packers["inputs"].count, self.packers["outputs"].count,
             self.counts["mutations"], self.counts["stars"], self.counts["gaps"], self.cycle, self.show),
        )  # fmt: skip

    # -- how it goes

    def _well(self) -> None:
        """Say what a commit that went well makes of the state, also of one that was failing or had not begun."""
        was = self.state
        self.state = "slow" if self.lasted >= LATE else "ok"
        if self.state == was:
            return
        if self.state == "slow":
            self.text = f"the disk is slow: a write took {self.lasted:.1f} s; nothing is lost, it is kept later"
            self._say("slow", self.text)
            return
        assert self.opened is not None
        self.text = f"the show is kept in {self.opened.path}"
        if was != "starting":
            self._say("ok", f"the show is being kept again in {self.opened.path}")

    def _failed(self, error: Exception, clock: float) -> None:
        self._retry_at = clock + RETRY
        if store.is_damage(error) and self.opened is not None and self._set_asides < MOST_SET_ASIDES:
            self._set_aside(error)
            self._retry_at = 0.0
            return
        why = store.reason(error)
        path = self.opened.path if self.opened is not None else self.asked
        text = (f"nothing is being kept: {path}: {why}. The show goes on; keeping resumes by itself, "
                f"and the last minutes are held until then")  # fmt: skip
        if self.state != "failing" or self.text != text:
            self.state, self.text = "failing", text
            self._say("failing", text)

    def _set_aside(self, error: Exception) -> None:
        assert self.opened is not None
        path = self.opened.path
        self._set_asides += 1
        self._let_go()
        try:
            away = store.set_aside(path)
        except OSError as problem:
            why = store.reason(problem)
            self._say("failing", f"{path} is damaged ({store.reason(error)}) and cannot be set aside: {why}")
            return
        self._say("replaced", store.was_set_aside(path, error, away))

    def _say(self, state: str, text: str) -> None:
        self.on_notice(Notice("disk", time.monotonic_ns(), {"state": state, "text": text}))

    def _publish(self) -> None:
        path = self.opened.path if self.opened is not None else self.asked
        size = 0
        for name in (path, Path(f"{path}-wal")):
            with suppress(OSError):
                size += name.stat().st_size
        self.health = {
            "state": self.state, "text": self.text, "path": str(path), "show": self.show,
            "queued": self.uncommitted, "dropped": self.lost, "commits": self.commits,
            "slowest_ms": round(self.slowest * 1000, 1), "bytes": size, "wants_checkpoint": self.wants_checkpoint,
        }  # fmt: skip
