"""Reading recorded shows: the list, one show by number or name, its streams in order.

Opens read-only, beside a daemon that is recording.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

from replank.control.parameters import nearest
from replank.host.shows import schema, store
from replank.host.shows.keeping import REMOVED
from replank.host.shows.packing import Damaged, unpack, unpack_state


class Show(NamedTuple):
    """One row of the list of shows; see `schema` for the units."""

    id: int
    engine: int
    program: str
    instance: str
    name: str
    began: int
    touched: int
    closed: int
    base: int
    last: int
    seed: str
    inputs: int
    outputs: int
    mutations: int
    stars: int
    gaps: int
    cycle: int


class Mark(NamedTuple):
    """Something rare in a show: a checkpoint, gap, star, name, snapshot or piece.

    Attributes:
        id: Its place in the order of the record.
        kind: See `schema`.
        now: Performer time, ns.
        inputs: Inputs of the show before it.
        outputs: Outputs of the show before it.
        cycle: Cycle of the line.
        text: For people; untrusted.
    """

    id: int
    kind: str
    now: int
    inputs: int
    outputs: int
    cycle: int
    text: str


_BYTES = (bytes, type(None))
_SECOND = (int, int, int, int, bytes)
_SHOW = tuple(str if name in ("program", "instance", "name", "seed") else int for name in Show._fields)
_MARK = tuple(str if name in ("kind", "text") else int for name in Mark._fields)


class Damage(NamedTuple):
    """A second of a stream that is missing or is not what was written."""

    stream: str
    now: int
    text: str


class Item(NamedTuple):
    """One recorded thing: its number within its stream, its time in ns, itself."""

    number: int
    now: int
    what: Any


class Archive:
    """A show database opened for reading.

    Attributes:
        damage: What was found damaged while reading, in order of reading.
    """

    def __init__(self, path: Path) -> None:
        """Open the file.

        Raises:
            FileNotFoundError: There is none.
            Unusable: Of a newer format, another program's, or damaged beyond reading.
        """
        self.path = Path(path)
        self.damage: list[Damage] = []
        if not self.path.is_file():
            raise FileNotFoundError(f"there is no show database {self.path}")
        try:
            number = store.look(self.path)
            if number < schema.RECORD:
                raise store.Unusable(
                    f"{self.path} has record format {number}; `replank play` brings it to {schema.RECORD}"
                )
            self._sql = store.connect(self.path, read_only=True)
            self._sql.execute("SELECT count(*) FROM shows").fetchone()
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise store.Unusable(f"{self.path} cannot be read: {store.reason(error)}") from error

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:  # fmt: skip
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._sql.close()

    def shows(self) -> list[Show]:
        """Return all shows, the oldest first."""
        return [Show(*row) for row in self._rows(
            f"SELECT {', '.join(Show._fields)} FROM shows WHERE closed <> ? ORDER BY id", REMOVED,
            kinds=_SHOW)]  # fmt: skip

    def find(self, word: str) -> Show:
        """Return the show of a number, a name, or ``last``.

        Raises:
            ValueError: There is none, or several have the name; the message says which there are.
        """
        shows = self.shows()
        if not shows:
            raise ValueError(f"no show has been recorded in {self.path}")
        if word == "last":
            return shows[-1]
        if word.lstrip("#").isdecimal():
            for show in shows:
                if show.id == int(word.lstrip("#")):
                    return show
            raise ValueError(f"there is no show {word}; there are {shows[0].id} to {shows[-1].id}")
        named = [show for show in shows if show.name.casefold() == word.casefold()]
        if len(named) == 1:
            return named[0]
        if named:
            numbers = ", ".join(str(show.id) for show in named)
            raise ValueError(f"several shows are called {word!r}: say which by number, {numbers}")
        names = [show.name for show in shows if show.name]
        raise ValueError(f"there is no show called {word!r}{nearest(word, names)}; say its number, name, or last")

    def marks(self, show: Show, *kinds: str) -> list[Mark]:
        """Return the marks of some kinds, all without, in the order of the record."""
        wanted = kinds or (schema.CHECKPOINT, schema.GAP, schema.STAR, schema.NAME, schema.SNAPSHOT, schema.PIECE)
        holes = ", ".join("?" * len(wanted))
        return [Mark(*row) for row in self._rows(
            f"SELECT {', '.join(Mark._fields)} FROM marks WHERE show = ? AND kind IN ({holes}) ORDER BY id",
            show.id, *wanted, kinds=_MARK)]  # fmt: skip

    def state(self, mark: Mark) -> dict[str, Any]:
        """Return what a mark holds: a checkpoint's saved state, another's notice data.

        Raises:
            Damaged: It cannot be read.
        """
        for (blob,) in self._rows("SELECT blob FROM marks WHERE id = ?", mark.id, kinds=(_BYTES,)):
            return unpack_state(bytes(blob or b""))
        raise Damaged("a mark is gone")

    def stream(self, show: Show, stream: str, start: int = 0) -> Iterator[Item]:
        """Yield the items of inputs, outputs or notices from number `start` on.

        A damaged second is left out and put down in `damage`.
        """
        low, high = show.id << 32, (show.id + 1 << 32) - 1
        expected, chain, is_known = 0, 0, True
        if start:
            before = list(self._rows(
                f"SELECT key, first + count, chain FROM {stream} WHERE key BETWEEN ? AND ? AND first + count <= ? "
                "ORDER BY key DESC LIMIT 1", low, high, start, kinds=(int, int, int)))  # fmt: skip
            if before:
                low, expected, chain = before[0][0] + 1, before[0][1], before[0][2]
        # fetched in portions: a read transaction held for minutes would let the write-ahead log grow
        while rows := list(self._rows(
                f"SELECT key, first, count, chain, blob FROM {stream} WHERE key BETWEEN ? AND ? ORDER BY key LIMIT 600",
                low, high, kinds=_SECOND)):  # fmt: skip
            for key, first, count, after, blob in rows:
                second = key & 0xFFFFFFFF
                if first != expected:
                    self._put_down(show, stream, second, f"items {expected} to {first - 1} are missing")
                    is_known = False
                try:
                    items = unpack(show.base, second, count, chain if is_known else None, after, blob)
                except Damaged as error:
                    self._put_down(show, stream, second, str(error))
                    items = []
                for number, (now, what) in enumerate(items, first):
                    if number >= start:
                        yield Item(number, now, what)
                expected, chain, is_known = first + count, after, True
            low = rows[-1][0] + 1

    def last_time(self, show: Show) -> int:
        """Return the time of the last input or output, ns; the summary of a show cut off is up to 1 s behind."""
        low, high = show.id << 32, (show.id + 1 << 32) - 1
        found = show.base
        for stream in ("inputs", "outputs"):
            for key, count, chain, blob in self._rows(
                f"SELECT key, count, chain, blob FROM {stream} WHERE key BETWEEN ? AND ? ORDER BY key DESC LIMIT 1",
                low, high, kinds=(int, int, int, bytes)):  # fmt: skip
                with suppress(Damaged):
                    found = max(found, unpack(show.base, key & 0xFFFFFFFF, count, None, chain, blob)[-1][0])
        return found

    def _put_down(self, show: Show, stream: str, second: int, text: str) -> None:
        self.damage.append(Damage(stream, show.base + second * schema.SECOND, text))

    def _rows(self, query: str, *values: Any, kinds: Iterable[type | tuple[type, ...]]) -> Iterator[tuple[Any, ...]]:
        """Yield the rows whose values are of these kinds; damage may have put anything in others."""
        try:
            rows = self._sql.execute(query, values).fetchall()
            yield from (row for row in rows if all(map(isinstance, row, kinds)))
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise store.Unusable(f"{self.path} cannot be read: {store.reason(error)}") from error


def seconds_text(ns: int) -> str:
    """Return a length of time in words: ``2 h 13 min``, ``4 min 9 s``, ``3.2 s``."""
    seconds = ns / schema.SECOND
    if seconds >= 3600:
        return f"{int(seconds) // 3600} h {int(seconds) // 60 % 60} min"
    if seconds >= 60:
        return f"{int(seconds) // 60} min {int(seconds) % 60} s"
    return f"{seconds:.1f} s"


def clock_text(ns: int) -> str:
    """Return a place in a show as h:mm:ss.mmm."""
    milliseconds = ns // 1_000_000
    return f"{milliseconds // 3600000}:{milliseconds // 60000 % 60:02}:{milliseconds // 1000 % 60:02}" \
           f".{milliseconds % 1000:03}"  # fmt: skip
