"""The player in waiting: a process with everything imported and, once the host has said which, its ports open."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Callable
from typing import Any

from replank import wire
from replank.pipes import Framer, encode

Made = tuple[subprocess.Popen[bytes], int]


def say(word: int, kind: int, plain: dict[str, Any]) -> None:
    """Write one of the keeper's words to a player that waits for them; one that has died is seen elsewhere."""
    with contextlib.suppress(OSError):
        for frame in Framer().frames(kind, encode(plain)):
            os.write(word, frame)


class Waiting:
    """At most one process that waits for its turn.

    Args:
        make: Starts a player; returns it and where its words are written.
    """

    def __init__(self, make: Callable[[], Made]) -> None:
        self._make = make
        self._made: Made | None = None
        self._ports: dict[str, Any] | None = None
        self._prepared = False

    @property
    def pid(self) -> int:
        """Process id, 0 while none waits."""
        return self._made[0].pid if self._made is not None else 0

    def start(self) -> None:
        """Start one, and let it open the ports that are known."""
        self._made, self._prepared = self._make(), False
        self._prepare()

    def has_died(self) -> bool:
        """Tell whether the one that waited has ended; it is let go then."""
        if self._made is None or self._made[0].poll() is None:
            return False
        self._let_go()
        return True

    def take(self) -> Made | None:
        """Return the one that waits, if it lives, and have none from now on."""
        if self.has_died():
            return None
        made, self._made = self._made, None
        return made

    def open(self, ports: dict[str, Any] | None) -> None:
        """Let those that wait have these ports open; None: no ports, since the MIDI system is gone or wants none.

        Ports cannot be closed: a process that has others open is ended.
        """
        if self._made is not None and self._prepared and ports != self._ports:
            self._made[0].kill()
            self._made[0].wait()
            self._let_go()
        self._ports = ports
        self._prepare()

    def dismiss(self) -> None:
        """Let the one that waits end by itself."""
        if self._made is not None:
            os.close(self._made[1])

    def join(self) -> None:
        """Wait for its end."""
        if self._made is not None:
            try:
                self._made[0].wait(2.0)
            except subprocess.TimeoutExpired:  # stuck in opening its ports
                self._made[0].kill()
                self._made[0].wait()

    def _prepare(self) -> None:
        if self._made is not None and self._ports is not None and not self._prepared:
            self._prepared = True
            say(self._made[1], wire.PREPARE, self._ports)

    def _let_go(self) -> None:
        assert self._made is not None
        os.close(self._made[1])
        self._made = None
