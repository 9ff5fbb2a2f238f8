"""A record that lies: a stream changed behind the back of its checksums."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from replank.host.shows.packing import Packer, unpack

Items = list[tuple[int, Any]]


def rewrite(path: Path, stream: str, change: Callable[[Items], Items]) -> None:
    """Change a stream of the last show and make its checksums right again."""
    with closing(sqlite3.connect(path)) as sql:
        show, base = sql.execute("SELECT id, base FROM shows ORDER BY id DESC").fetchone()
        items: Items = []
        chain = 0
        mine = f"FROM {stream} WHERE key >> 32 = {show}"
        for key, count, after, blob in sql.execute(f"SELECT key, count, chain, blob {mine} ORDER BY key").fetchall():
            items += unpack(base, key & 0xFFFFFFFF, count, chain, after, blob)
            chain = after
        sql.execute(f"DELETE {mine}")
        packer, rows = Packer(base), []
        for now, what in change(items):
            if row := packer.add(now, what):
                rows.append(row)
        rows.append(packer.row())
        for second, *rest in rows:
            sql.execute(f"INSERT INTO {stream} VALUES (?, ?, ?, ?, ?)", (show << 32 | second, *rest))
        sql.commit()


def flip_clock(items: Items) -> Items:
    """One bit: a clock in the middle (F8) becomes a Stop (FC)."""
    clocks = [n for n, (_, what) in enumerate(items) if what[0] == "m" and what[2] == b"\xf8"]
    at = clocks[len(clocks) // 2]
    now, what = items[at]
    return [*items[:at], (now, [what[0], what[1], b"\xfc"]), *items[at + 1 :]]


def flip_value(items: Items) -> Items:
    """One bit: the first value that was set."""
    at = next(n for n, (_, what) in enumerate(items) if what[0] == "a" and "length" in what[1])
    now, what = items[at]
    values = {**what[1], "length": what[1]["length"] ^ 2}
    return [*items[:at], (now, [what[0], values, *what[2:]]), *items[at + 1 :]]
