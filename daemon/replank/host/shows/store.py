"""Opening a show database for writing, and what to do with one that cannot be.

A damaged file is set aside under a name with the date, never deleted; a file
of a newer record format, or of another program, is left untouched and a file
beside it is used.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from pathlib import Path

from replank.host import paths
from replank.host.shows import schema

# Our statements are fixed, so a plain error means that the file is not what it was: no such table, unsupported format.
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
_WORDS = {
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_BUSY: "another program has locked it",
    sqlite3.SQLITE_LOCKED: "another program has locked it",
    sqlite3.SQLITE_READONLY: "it is read-only",
    sqlite3.SQLITE_PERM: "this user may not write it",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened for writing",
    sqlite3.SQLITE_IOERR: "the disk reports an error",
}
WHOLE_CHECK = 64 * 1024 * 1024
"""Files up to so many bytes are checked whole at opening, larger ones only after a crash."""
CACHE_KIB = 1024
"""Memory for pages of the file, whatever SQLite was built with: a show is only ever added to."""


def default_path(environ: Mapping[str, str] = os.environ) -> Path:
    """Return where shows are kept when no file is named."""
    return paths.state_dir(environ) / "shows.db"


class Unusable(Exception):
    """A database that this release must not write or cannot read; the message says why."""


def is_damage(error: Exception) -> bool:
    """Tell a corrupt file from one that cannot be written just now.

    The module decodes SQLite's messages as UTF-8 and fails where they quote damaged text.
    """
    if isinstance(error, sqlite3.Error):
        return primary_code(error) in _DAMAGE
    return isinstance(error, UnicodeDecodeError)


def primary_code(error: sqlite3.Error) -> int:
    """Return SQLite's primary result code, -1 where the module named none."""
    code = getattr(error, "sqlite_errorcode", None)
    return -1 if code is None else code & 0xFF


def reason(error: Exception) -> str:
    """Return in words why writing failed."""
    if isinstance(error, UnicodeDecodeError):
        return "its text is damaged"
    if isinstance(error, sqlite3.Error):
        return _WORDS.get(primary_code(error), str(error))
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return str(error)


class Opened:
    """A connection that may write, and what had to be done to get it.

    Attributes:
        connection: In autocommit mode; transactions are begun by hand.
        path: The file in use, which differs from the one asked for beside a newer file.
        messages: Sentences for a person, empty in the usual case.
        inode: Of the file, to notice that it was removed or replaced.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path, messages: list[str]) -> None:
        self.connection, self.path, self.messages = connection, path, messages
        self.inode = path.stat().st_ino

    def is_in_place(self) -> bool:
        """Tell whether the path still leads to the file that is open."""
        try:
            return self.path.stat().st_ino == self.inode
        except OSError:
            return False

    def close(self) -> None:
        """Close the connection; an error here has nothing left to lose."""
        with suppress(sqlite3.Error):
            self.connection.close()


def open_for_writing(path: Path, pages: int = 0) -> Opened:
    """Open or make a show database.

    Args:
        path: The file; its folder is made with mode 0700.
        pages: At most so many pages of 4 KiB; 0 is no bound.

    Raises:
        sqlite3.Error, OSError: It cannot be written just now; trying again may help.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    messages: list[str] = []
    try:
        return _open(path, pages, messages)
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        if not is_damage(error):
            raise
        messages.append(was_set_aside(path, error, set_aside(path)))
        return _open(path, pages, messages)
    except Unusable as error:
        beside = path.with_name(f"{path.stem}-record-{schema.RECORD}{path.suffix}")
        messages.append(f"{error}; it was left untouched, this show is kept in {beside}")
        return _open(beside, pages, messages)


def _open(path: Path, pages: int, messages: list[str]) -> Opened:
    if path.exists() and path.stat().st_size:
        number = look(path)
        if number < schema.RECORD:
            messages.append(_migrate(path, number))
    # SQLite gives the files beside it the rights that it has now
    if not path.exists():
        path.touch(mode=0o600)
    with suppress(PermissionError):  # another user's file that this one may write
        path.chmod(0o600)
    connection = connect(path)
    try:
        if pages:
            connection.execute(f"PRAGMA max_page_count = {int(pages)}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA journal_size_limit = 16777216")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            connection.execute("BEGIN IMMEDIATE")
            schema.create(connection)
            connection.execute("COMMIT")
        else:
            _check(connection, path)
        return Opened(connection, path, messages)
    except BaseException:
        connection.close()
        raise


def connect(path: Path, read_only: bool = False) -> sqlite3.Connection:
    """Connect in autocommit mode; the recorder's thread is the only user of its connection."""
    mode = "ro" if read_only else "rwc"
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=1.0,
                           isolation_level=None, check_same_thread=False)  # fmt: skip


def look(path: Path) -> int:
    """Return the record number of a file without writing to it; an empty database is the newest.

    Raises:
        Unusable: Of a newer record format, or another program's.
        sqlite3.DatabaseError: No SQLite file, or damaged.
    """
    with closing(connect(path, read_only=True)) as connection:
        number: int = connection.execute("PRAGMA user_version").fetchone()[0]
        application = connection.execute("PRAGMA application_id").fetchone()[0]
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if tables == 0:
        return schema.RECORD
    if application != schema.APPLICATION:
        raise Unusable(f"{path} is a database of another program")
    if number > schema.RECORD:
        raise Unusable(f"{path} has record format {number}, newer than this release's {schema.RECORD}")
    return number


def _check(connection: sqlite3.Connection, path: Path) -> None:
    """Raise DatabaseError where the file is damaged."""
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if missing := {"shows", "marks", *schema.STREAMS} - tables:
        raise _damage(f"table {min(missing)} is missing")
    row = connection.execute("SELECT closed FROM shows ORDER BY id DESC LIMIT 1").fetchone()
    was_closed = row is None or bool(row[0])
    if was_closed and path.stat().st_size > WHOLE_CHECK:
        return
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise _damage(str(found).splitlines()[-1])


def _damage(what: str) -> sqlite3.DatabaseError:
    error = sqlite3.DatabaseError(what)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def _migrate(path: Path, number: int) -> str:
    copy = free_name(path.with_name(f"{path.stem}-before-{schema.RECORD}{path.suffix}"))
    with closing(connect(path)) as connection:
        with closing(sqlite3.connect(copy)) as target:
            connection.backup(target)
        schema.migrate(connection)
    return f"{path} was brought from record format {number} to {schema.RECORD}; a copy from before is {copy}"


def set_aside(path: Path, clock: Callable[[], float] = time.time) -> Path:
    """Rename a damaged file, with its write-ahead log, to a name with the date; return it."""
    date = time.strftime("%Y%m%d-%H%M%S", time.localtime(clock()))
    away = free_name(path.with_name(f"{path.stem}-damaged-{date}{path.suffix}"))
    path.rename(away)
    for tail in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            Path(f"{path}{tail}").rename(f"{away}{tail}")
    return away


def was_set_aside(path: Path, error: Exception, away: Path) -> str:
    """Return the sentence for a person."""
    return f"{path} is damaged ({reason(error)}); it was set aside as {away} and a new one begun"


def free_name(path: Path) -> Path:
    """Return `path`, or with a number behind it where that name is taken."""
    found, count = path, 1
    while os.path.lexists(found):
        count += 1
        found = path.with_name(f"{path.stem}-{count}{path.suffix}")
    return found
