"""What stands in a show database, and the numbered migrations.

Three append-only columns (inputs, outputs, notices) hold one packed blob for
each second of a show; everything rare is a row in `marks`, whose `id` is its
place in the order of the record.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

RECORD = 1
"""Number of the record format, in SQLite's `user_version`."""
APPLICATION = 0x72706C6B
"""SQLite's `application_id` of our files, so that another program's file is never taken for ours."""
SECOND = 1_000_000_000
"""Nanoseconds of one packed blob."""
STREAMS = ("inputs", "outputs", "notices")
"""Tables of packed seconds; the key of a row is show * 2**32 + second of the show."""

CHECKPOINT, GAP, STAR, NAME, SNAPSHOT, PIECE = "checkpoint", "gap", "star", "name", "snapshot", "piece"
"""Kinds of marks."""

_STREAM = """
CREATE TABLE {name} (
    key INTEGER PRIMARY KEY,     -- show << 32 | second since the show's base
    first INTEGER NOT NULL,      -- number, within the show, of the first item
    count INTEGER NOT NULL,      -- items in the blob
    chain INTEGER NOT NULL,      -- CRC-32 over every payload of this stream so far
    blob BLOB NOT NULL           -- see packing.py
)"""

_SHOWS = """
CREATE TABLE shows (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    engine INTEGER NOT NULL,     -- version number of the notes
    program TEXT NOT NULL,       -- release that recorded it
    instance TEXT NOT NULL,
    name TEXT NOT NULL DEFAULT '',
    began INTEGER NOT NULL,      -- wall clock, ns since 1970-01-01 UTC
    touched INTEGER NOT NULL,    -- wall clock of the last summary, ns
    closed INTEGER NOT NULL DEFAULT 0,   -- 1: ended in order
    base INTEGER NOT NULL,       -- performer time of second 0, ns
    last INTEGER NOT NULL,       -- performer time of the last thing kept, ns
    seed TEXT NOT NULL DEFAULT '',
    inputs INTEGER NOT NULL DEFAULT 0,   -- the rest are counts, at most 1 s old
    outputs INTEGER NOT NULL DEFAULT 0,
    mutations INTEGER NOT NULL DEFAULT 0,
    stars INTEGER NOT NULL DEFAULT 0,
    gaps INTEGER NOT NULL DEFAULT 0,
    cycle INTEGER NOT NULL DEFAULT 0
)"""

_MARKS = """
CREATE TABLE marks (
    id INTEGER PRIMARY KEY,      -- rises in the order of the record
    show INTEGER NOT NULL REFERENCES shows (id),
    kind TEXT NOT NULL,
    now INTEGER NOT NULL,        -- performer time, ns
    inputs INTEGER NOT NULL,     -- inputs of the show recorded before it
    outputs INTEGER NOT NULL,    -- outputs of the show recorded before it
    cycle INTEGER NOT NULL,
    text TEXT NOT NULL,
    blob BLOB                    -- checkpoints: the packed state; others: the packed notice
)"""


def create(connection: sqlite3.Connection) -> None:
    """Make the tables of the newest record format in an empty database."""
    for stream in STREAMS:
        connection.execute(_STREAM.format(name=stream))
    connection.execute(_SHOWS)
    connection.execute(_MARKS)
    connection.execute("CREATE INDEX marks_of_show ON marks (show, kind, id)")
    connection.execute(f"PRAGMA application_id = {APPLICATION}")
    connection.execute(f"PRAGMA user_version = {RECORD}")


MIGRATIONS: dict[int, Callable[[sqlite3.Connection], None]] = {}
"""Record number -> what makes it the next one.  Never edited once released, only added to."""


def migrate(connection: sqlite3.Connection, target: int = RECORD) -> None:
    """Bring an older file to `target` in one transaction; the caller has copied it.

    Raises:
        KeyError: No migration leads on from the file's number.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        number = connection.execute("PRAGMA user_version").fetchone()[0]
        while number < target:
            MIGRATIONS[number](connection)
            number += 1
            connection.execute(f"PRAGMA user_version = {number}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
