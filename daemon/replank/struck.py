"""Which notes a player has struck and not released: a page of memory that outlives every process.

The page is a small file beside the socket, mapped by the player, so that a
note costs it a store into memory, before the note is sent.  Whatever is
killed, the next start knows each note that may sound; after a power loss,
when a folder in memory is empty, it does not.  Standard library only; the
player imports this.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import time
from collections import deque
from pathlib import Path
from typing import Protocol

OUTPUTS = 16
"""Outputs that have room; what further ones strike is not marked."""
SIZE = OUTPUTS * 16 * 128
STRUCK, RELEASED = 1, 2
SURE_NS = 50_000_000
"""A note-off so old has left: a driver sends with its next period."""

Note = tuple[int, int, int]
"""(output, channel 1 to 16, note)."""


class Sender(Protocol):
    """Where messages leave; see `replank.player.ports.Ports`."""

    def send(self, output: int, data: bytes) -> None:
        """Send a complete message."""
        ...


def open_page(path: Path) -> int:
    """Open a page, or make one, and return its descriptor; -1 where there is no room or no right.

    All of it is written: a page whose room is only promised would end the process that stores into it.
    """
    try:
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError:
        return -1
    with contextlib.suppress(OSError):
        found = os.pread(fd, SIZE, 0)
        os.ftruncate(fd, SIZE)
        if os.pwrite(fd, found.ljust(SIZE, b"\0"), 0) == SIZE:
            return fd
    os.close(fd)
    return -1


def read_page(fd: int) -> list[Note]:
    """Return the notes that are marked in a page; nothing for descriptor -1."""
    if fd < 0:
        return []
    try:
        found = os.pread(fd, SIZE, 0)
    except OSError:
        return []
    return [(at >> 11, (at >> 7 & 15) + 1, at & 127) for at, mark in enumerate(found) if mark]


class Marked:
    """Ports whose notes are marked.

    Args:
        ports: Where messages leave.
        fd: Of a page; it may be closed afterwards.

    Raises:
        OSError, ValueError: It cannot be mapped.
    """

    def __init__(self, ports: Sender, fd: int) -> None:
        self._send = ports.send
        self._page = mmap.mmap(fd, SIZE)
        self._released: deque[tuple[int, int]] = deque()

    def send(self, output: int, data: bytes) -> None:
        """Mark a note-on, then send it; send a note-off, and take its mark away once it must have left."""
        kind = data[0] & 0xF0
        if kind == 0x90 and data[2] and output < OUTPUTS:
            self._page[output << 11 | (data[0] & 15) << 7 | data[1]] = STRUCK
            self._send(output, data)
        elif kind in (0x80, 0x90) and output < OUTPUTS:
            self._send(output, data)
            at, now = output << 11 | (data[0] & 15) << 7 | data[1], time.monotonic_ns()
            self._page[at] = RELEASED
            released = self._released
            while released and released[0][0] < now - SURE_NS:
                _, before = released.popleft()
                if self._page[before] == RELEASED:
                    self._page[before] = 0
            released.append((now, at))
        else:
            self._send(output, data)


def mark(ports: Sender, fd: int) -> Marked | None:
    """Return ports whose notes are marked; None where the page cannot be mapped."""
    try:
        return Marked(ports, fd)
    except (OSError, ValueError):
        return None
