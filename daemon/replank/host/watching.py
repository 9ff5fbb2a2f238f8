"""What the host watches beside the record: ports that come and go, and the clock."""

from __future__ import annotations

import asyncio
import contextlib
import os
from typing import TYPE_CHECKING

from replank.control.notices import counted
from replank.host.listener import Listener
from replank.performer.events import Missed, Reconnected

if TYPE_CHECKING:
    from replank.host.app import Host

LISTEN_SECONDS = 0.025
LOOK_SECONDS = 1.0
"""How often ports are looked at where the MIDI system does not say that they changed."""


class Watcher:
    """Keeps cables and clock count as they should be.

    Attributes:
        recorded: Messages of the clock port in the record since the listener agreed with it.
        clock_ports: Inputs that the listener hears, too.
    """

    def __init__(self, host: Host) -> None:
        self._host = host
        self.recorded = 0
        self._since = 0
        self.clock_ports: frozenset[int] = frozenset()
        self._look_due = asyncio.Event()
        self.find_clock_ports()

    def find_clock_ports(self) -> None:
        """Take the inputs of the present setup: the listener hears the first clock."""
        ports = [i for i, one in enumerate(self._host.setup.inputs) if one.role == "clock"]
        self.clock_ports = frozenset(ports[:1])

    def agree(self) -> None:
        """Let listener and record count from the same moment, whenever the record gets here."""
        if self._host.cables is not None and self._host.cables.listener is not None:
            at = self._host.cables.listener.agree()
            self._host.cables.listener.restart()
            self.restart(at)
            self._host.link.read()

    def restart(self, since: int) -> None:
        """Count the record from a moment on (monotonic ns)."""
        self.recorded, self._since = 0, since

    def heard(self, port: int, now: int) -> None:
        """Count a message of the record that the player took at `now`."""
        if port in self.clock_ports and now > self._since:
            self.recorded += 1

    async def listen(self) -> None:
        """Count the clock."""
        while True:
            await asyncio.sleep(LISTEN_SECONDS)
            cables = self._host.cables
            if cables is not None and cables.listener is not None and cables.alive:
                cables.listener.poll()
                lacking = cables.listener.lacking(self.recorded)
                if lacking and self._is_locked():
                    self._catch_up(cables.listener, lacking)
                elif self._host.playing:
                    cables.listener.watch(self.recorded)

    def _is_locked(self) -> bool:
        """Tell whether the player plays and says that it knows the phase."""
        shadow = self._host.shadow
        return self._host.playing and shadow is not None and shadow.performer.transport.judge.word == "locked"

    def _catch_up(self, listener: Listener, lacked: int) -> None:
        """Move a player that has missed clocks on to where their sender is."""
        host = self._host
        listener.agree()
        host.link.read()
        if not listener.was_quiet or lacked != listener.heard - self.recorded:
            return  # amid messages nobody can say which is the last
        clock, shadow = host.setup.clock, host.shadow
        is_followed = clock.source == "external" and clock.mode == "midi"
        if is_followed and shadow is not None and shadow.performer.transport.running:
            host.link.command(Missed(lacked))
            text = f"the player has missed {counted(clock=lacked)} and is moved on to where their sender is"
            host.notice("player", state="moved on", text=text)
        listener.settle(lacked)

    def changed(self) -> None:
        """Look at the ports soon; may be called on any thread."""
        self._host.loop.call_soon_threadsafe(self._look_due.set)

    async def watch(self) -> None:
        """Look at the ports whenever they change."""
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._look_due.wait(), LOOK_SECONDS)
            if self._player_is_lost():
                self._host.tell_keeper({"swap": self._host.generation, "kill": True})
                self._host.players.gone("has lost its ports")
            elif self._host.playing and self._host.cables is not None and self._host.cables.has_lost_any():
                self._host.players.release_latest_again()
            await asyncio.sleep(0.02)  # what changes together is looked at together
            self._look_due.clear()
            if self._host.cables is None or not self._host.playing:
                continue
            if self._host.cables.alive:
                self.look_now()
                if self._host.cables.unsaved:
                    await asyncio.to_thread(self._host.cables.remember)
            else:
                text = f"the MIDI system ({self._host.cables.api}) is gone; the line waits for it"
                self._host.notice("port", port="", state="gone", text=text)
                self._host.playing = False
                self._host.tell_keeper({"ports": None})  # those that wait are of the system that is gone
                self._host.tell_keeper({"swap": self._host.generation, "kill": True})

    def _player_is_lost(self) -> bool:
        host = self._host
        return host.playing and host.cables is not None and host.cables.alive and host.cables.has_lost_player()

    def look_now(self) -> None:
        """Look; ports that go away meanwhile are no failure, since the next look sees what is there then."""
        try:
            self._look()
        except Exception as error:
            text = f"looking at the ports failed: {type(error).__name__}: {error}"
            self._host.notice("port", port="", state="failed", text=text)

    def _look(self) -> None:
        """Patch what is to be patched now, and tell what is new."""
        cables = self._host.cables
        if cables is None:
            return
        host = self._host
        words, patched = cables.look(host.player, os.getpid(), host.spare, host.generation)
        if cables.replugged and host.playing:
            self.agree()  # for a moment one of both may have heard what the other did not
        for word in words:
            self._host.notice("port", port=word.key, state=word.state, text=word.text)
        if self._host.playing:
            for output in patched:
                self._host.link.command(Reconnected(output))
            self._host.boxes.patched(cables.boxes, cables.lit)
