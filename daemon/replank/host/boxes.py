"""The knob boxes seen from the host: lights and rings are kept right, a box that came back is told of."""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING

from replank.host.feedback import Feedback
from replank.performer.events import BoxReturned

if TYPE_CHECKING:
    from replank.control.setup import Setup
    from replank.host.app import Host

SHOW_SECONDS = 0.03
"""How often boxes that are shown anything are looked after."""
IDLE_SECONDS = 0.5


class Boxes:
    """Looks after the boxes of a host.

    Args:
        host: Its setup, cables, link and shadow are used.
    """

    def __init__(self, host: Host) -> None:
        self._host = host
        self._setup: Setup | None = None
        self._feedback = Feedback({}, ())
        self._player = 0

    def _current(self) -> Feedback:
        if self._setup is not self._host.setup:
            self._setup = self._host.setup
            self._feedback = Feedback.of(self._setup)
        return self._feedback

    async def show(self) -> None:
        """Show boxes what they should show, until cancelled."""
        while True:
            feedback, host = self._current(), self._host
            await asyncio.sleep(SHOW_SECONDS if feedback.ports else IDLE_SECONDS)
            cables, shadow = host.cables, host.shadow
            if not feedback.ports or shadow is None or cables is None or not cables.alive or not host.playing:
                continue
            for port, data in feedback.changed(shadow.performer.view(), time.monotonic_ns()):
                cables.show(port, data)

    def patched(self, boxes: list[int], lights: list[int]) -> None:
        """Take what was just patched.

        Args:
            boxes: Inputs that got a box; it may stand anywhere.
            lights: Inputs whose box can be shown something from now on.
        """
        feedback, host = self._current(), self._host
        for port in lights:
            feedback.reconnected(port)
        if self._player == host.player:
            for port in boxes:
                host.link.command(BoxReturned(port))
        # a new player's ports are all patched anew, but no box has moved
        self._player = host.player
