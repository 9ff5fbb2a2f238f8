"""A player in waiting: everything imported and its ports open, until the keeper gives it its turn.

Opening a port takes tens of milliseconds and four of them longer than a step,
so a spare opens its own ahead.  What it hears until its turn is dropped.
"""

from __future__ import annotations

import gc
import os
import select
from collections.abc import Callable
from typing import Any

from replank import wire
from replank.pipes import Reader
from replank.player.ports import CannotOpen, NoPorts, Ports, open_ports
from replank.player.priority import raise_priority

Heard = Callable[[int, bytes, int], None]
Named = list[tuple[str, str]]
Asked = tuple[str, Named, Named, frozenset[int]]
DROP_SECONDS = 0.25
"""How often the polled ports of a player in waiting are emptied."""
MOST_DROPS = 1000
"""Portions of them dropped at once: in a storm more comes for ever."""


class Opened:
    """Ports that were opened as somebody asked.

    Args:
        plain: {"api", "inputs", "outputs", "polled"}: each port is client name and port name;
            polled are the numbers of the inputs that carry no clock.
        heard: See `Ports`.

    Attributes:
        asked: What was asked for, to compare with what is asked for later.
        ports: Where messages leave.
        said: For the host: "api", "ms", "problem", "inputs", "outputs", "priority".
    """

    def __init__(self, plain: dict[str, Any], heard: Heard) -> None:
        priority = raise_priority()  # before the ports open, so that their threads have it too
        self.asked = api, inputs, outputs, polled = _asked(plain)
        self.said: dict[str, Any] = {
            "api": api, "ms": 0.0, "problem": "", "inputs": inputs, "outputs": outputs, "priority": priority,
        }  # fmt: skip
        self.ports: Ports | NoPorts
        try:
            self.ports = open_ports(api, inputs, outputs, heard, polled)
            self.said["ms"] = getattr(self.ports, "opened_ms", 0.0)
        except CannotOpen as error:
            self.ports = NoPorts()
            self.said |= {"problem": str(error), "api": "none"}


def _asked(plain: dict[str, Any]) -> Asked:
    inputs, outputs = ([(str(client), str(port)) for client, port in plain[way]] for way in ("inputs", "outputs"))
    return plain["api"], inputs, outputs, frozenset(plain["polled"])


class Waiting:
    """What there is before a player has its generation.

    Args:
        start: Where the keeper's words come in.

    Attributes:
        opened: Ports in waiting, or None.
        to: Who gets what is heard; until then it is dropped.
    """

    def __init__(self, start: int) -> None:
        self._start = start
        self.opened: Opened | None = None
        self.to: Heard | None = None

    def heard(self, port: int, data: bytes, stamp: int) -> None:
        """Pass on what arrived; see `Ports`."""
        to = self.to
        if to is not None:
            to(port, data, stamp)

    def generation(self) -> int:
        """Wait for the keeper's word and return it; 0 when the keeper has ended before this spare was needed."""
        reader = Reader()
        while data := self._word():
            for kind, payload in reader.feed(data):
                plain = wire.plain_dict(payload)
                if kind == wire.TURN:
                    self._drop()
                    os.close(self._start)
                    return int(plain["generation"])
                if kind == wire.PREPARE and self.opened is None:
                    self.opened = Opened(plain, self.heard)
                    gc.collect()  # in its turn there is no time for it
        return 0

    def _word(self) -> bytes:
        """Wait for bytes of the keeper; meanwhile no polled port may run full, which the driver logs each time."""
        while self.opened is not None and self.opened.ports.has_polled:
            if select.select([self._start], [], [], DROP_SECONDS)[0]:
                break
            self._drop()
        return os.read(self._start, 4096)

    def _drop(self) -> None:
        """Drop what the polled ports have heard so far."""
        for _ in range(MOST_DROPS):
            if self.opened is None or not self.opened.ports.poll():
                return

    def take(self, plain: dict[str, Any]) -> Opened:
        """Return ports as the host asks for them: those in waiting, else newly opened ones.

        Ports are never closed, so those that wait for something else are of no use, and neither is the process.
        """
        if self.opened is None:
            return Opened(plain, self.heard)
        if self.opened.asked != _asked(plain):
            self.opened.said["problem"] = "those in waiting are others than the rig says by now"
        self.opened.said["waited"] = True
        return self.opened
