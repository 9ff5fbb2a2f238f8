"""What came through the pipe and is not yet in the database: kept where killing every process leaves it.

The host appends the bytes that it takes from the pipe before it acts on them,
to a file beside its socket: in memory where the system has a runtime folder,
so that no disk is waited for (a power loss is the database's concern).  The
next host puts what the database lacks into it; see `shows.recovering`.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from replank.host.shows.recovering import Left
from replank.pipes import decode, encode

LONG = 1 << 18
"""Bytes after which another file is begun, once the one before is no longer needed."""
MOST_BASES = 20
"""States whose place is known; the last that the database has is one of very few."""
LONGEST = 1 << 24
"""Bytes after which nothing more is kept while no disk takes what is there."""


class Journal:
    """The newest bytes, those before, and from which states the record goes on: a file each.

    Args:
        path: Of the newest; its folder is its owner's alone.

    Attributes:
        needed: Things that the recorder must have kept before the older file may go.
    """

    def __init__(self, path: Path) -> None:
        self.path, self._before = path, path.with_suffix(".journal-before")
        self._base = path.with_suffix(".journal-base")
        self.needed = 1
        self._fd, self._size = -1, 0
        self._open()

    def _open(self) -> None:
        with contextlib.suppress(OSError):  # without it, what a kill may cost is what the database lacks
            self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
            self._size = os.fstat(self._fd).st_size

    def write(self, data: bytes) -> None:
        """Append bytes of the pipe."""
        if self._fd >= 0 and self._size < LONGEST:
            with contextlib.suppress(OSError):
                self._size += os.write(self._fd, data)

    def base(self, now: int, after: str | int) -> None:
        """Put down from which state the record goes on.

        Args:
            now: Time of the state, ns.
            after: Where: behind the mark of this nonce, or the first record of the player of this generation;
                "" is the beginning of the journal.
        """
        bases = [*self.read_bases(), (now, after)][-MOST_BASES:]
        with contextlib.suppress(OSError):
            self._base.write_bytes(encode(bases))

    def read_bases(self) -> list[tuple[int, str | int]]:
        """Return from which states the record goes on, in order; see `base`."""
        with contextlib.suppress(OSError, ValueError):
            return [(now, after) for now, after in decode(self._base.read_bytes())]
        return []

    def shorten(self, given: int, kept: int) -> None:
        """Begin another file where it is time: `given` things went to the recorder, `kept` are in the database."""
        if self._fd < 0 or self._size < LONG or kept < self.needed:
            return
        with contextlib.suppress(OSError):
            self.path.replace(self._before)
            os.close(self._fd)
            self._fd, self.needed = -1, given
            self._open()

    def read(self) -> Left:
        """Return all that is kept."""
        found = b""
        for path in (self._before, self.path):
            with contextlib.suppress(OSError):
                found += path.read_bytes()
        return Left(found, self.read_bases())

    def clear(self) -> None:
        """Begin anew: what was there is in the database."""
        self.remove()
        with contextlib.suppress(OSError):
            if self._fd >= 0:
                os.close(self._fd)
        self._fd, self._size, self.needed = -1, 0, 1
        self._open()

    def remove(self) -> None:
        """The show has ended in order."""
        for path in (self._before, self.path, self._base):
            with contextlib.suppress(OSError):
                path.unlink()
