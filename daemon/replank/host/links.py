"""The host's ends of the pipes to the player."""

from __future__ import annotations

import asyncio
import os
import secrets
from collections import deque
from collections.abc import Callable
from typing import Any

from replank import wire
from replank.performer.events import Event
from replank.pipes import CAPACITY, Framer, Reader, encode

Handler = Callable[[int, bytes], None]
PORTION = 1 << 16
"""Bytes of the record that are taken before others get a turn."""
MOST_WAITING = 20_000
"""Commands that wait for room before further ones are refused (a player that hangs is replaced)."""


class Link:
    """Writes commands without waiting, reads the record.

    Args:
        loop: The event loop.
        command: Write end of the command pipe.
        record: Read end of the record pipe.
        handle: Called with (kind, payload) of each record.
        keep: Called with the bytes of the record before anything is made of them.
        ended: Called when nobody can write the record any more: player and keeper are gone.

    Attributes:
        serial: Of the last command.
        generation: Of the player that commands are for; another one ignores them.
        unseen: serial -> event of commands that have not come back in the record yet.
        reader: Takes the record apart; counts what was broken.
    """

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        command: int,
        record: int,
        handle: Handler,
        ended: Callable[[], None] = lambda: None,
        keep: Callable[[bytes], None] = lambda data: None,
    ) -> None:
        self._loop, self._command, self._record, self._handle = loop, command, record, handle
        self._ended, self._keep = ended, keep
        os.set_blocking(command, False)
        os.set_blocking(record, False)
        self._framer = Framer()
        self._waiting: deque[bytes] = deque()
        self.reader = Reader()
        self.serial = secrets.randbits(31)  # a host before this one counted, too
        self.generation = 0
        self.unseen: dict[int, Event] = {}
        self._repeated: set[int] = set()
        loop.add_reader(record, self._readable)

    def _readable(self) -> None:
        self.read(PORTION)

    def read(self, most: int = CAPACITY) -> bool:
        """Take what is in the record now, about `most` bytes; False at its end, when every writer is gone."""
        while most > 0:
            try:
                data = os.read(self._record, PORTION)
            except BlockingIOError:
                return True
            if not data:
                if self._loop.remove_reader(self._record):
                    self._ended()
                return False
            self._keep(data)
            most -= len(data)
            for kind, payload in self.reader.feed(data):
                self._handle(kind, payload)
        return True

    def send(self, kind: int, plain: dict[str, Any]) -> None:
        """Queue a record of plain data for the player."""
        self._put(kind, encode(plain))

    def command(self, event: Event) -> int:
        """Queue an event for the performer; return its serial.

        Raises:
            BufferError: Too many wait: the player does not read.
        """
        if len(self._waiting) > MOST_WAITING or len(self.unseen) > MOST_WAITING:
            raise BufferError("the player does not take commands at the moment")
        self.serial = (self.serial + 1) & 0xFFFFFFFF or 1
        self.unseen[self.serial] = event
        self._put(wire.COMMAND, wire.pack_command(event, self.serial, self.generation))
        return self.serial

    def again(self) -> None:
        """Send the commands once more that a player took with it when it died; one that two took is dropped."""
        for serial in self._repeated & self.unseen.keys():
            del self.unseen[serial]  # it may be what they died of
        self._repeated = set(self.unseen)
        for serial, event in self.unseen.items():
            self._put(wire.COMMAND, wire.pack_command(event, serial, self.generation))

    def forget_waiting(self) -> None:
        """Drop what waits for a player that is gone, except a record that is half written."""
        self._waiting.clear()

    def _put(self, kind: int, payload: bytes) -> None:
        was_idle = not self._waiting
        self._waiting.extend(self._framer.frames(kind, payload))
        if was_idle:
            self._flush()

    def _flush(self) -> None:
        while self._waiting:
            try:
                os.write(self._command, self._waiting[0])  # at most PIPE_BUF: whole or not at all
            except BlockingIOError:
                self._loop.add_writer(self._command, self._flush)
                return
            except BrokenPipeError:
                self._waiting.clear()
                break
            self._waiting.popleft()
        self._loop.remove_writer(self._command)
