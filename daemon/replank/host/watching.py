"""What the host watches beside the record: ports that come and go, and the clock."""

from __future__ import annotations

import asyncio
import contextlib
import os
from typing import TYPE_CHECKING

from replank.control.notices import counted
from replank.host.gaps import CLOCK
from replank.host.listener import Listener, is_counted
from replank.performer.events import Event, Heard, Midi, Reconnected, Resume

if TYPE_CHECKING:
    from replank.host.app import Host

LISTEN_SECONDS, QUICK_SECONDS = 0.025, 0.002
"""How often the listener's queue is looked at, and where it is not known yet when its messages come."""
LOOK_SECONDS = 1.0
"""How often ports are looked at where the MIDI system does not say that they changed."""


class Watcher:
    """Keeps cables as they should be, and listens to the clock.

    Attributes:
        clock_port: The input that the listener hears, too: the first clock; -1 there is none.
    """

    def __init__(self, host: Host) -> None:
        self._host = host
        self.clock_port = _clock_port(host)
        self._look_due = asyncio.Event()

    @property
    def listener(self) -> Listener | None:
        """The host's ear, where it has one."""
        return self._host.cables.listener if self._host.cables is not None else None

    def follow_setup(self) -> None:
        """There is another setup, or another listener."""
        self.clock_port = _clock_port(self._host)
        if self.listener is not None:
            self.listener.by_pulses = self._host.setup.clock.mode == "pulses"

    def agree(self) -> None:
        """From now on player and listener hear the same."""
        if self.listener is not None:
            self.listener.forget(is_known=True)

    def forget(self) -> None:
        """What the listener heard and what the record holds cannot be compared any more."""
        if self.listener is not None:
            self.listener.forget()

    def recorded(self, event: Event, now: int) -> None:
        """Take an event of the record that the player took at `now`."""
        if self.listener is None:
            return
        if type(event) is Midi:
            if event.port == self.clock_port and is_counted(event.data):
                self.listener.recorded(now, event.data)
        elif type(event) is Resume:
            for stamp in event.stamps:
                self.listener.recorded(stamp, CLOCK)

    def interval(self) -> int:
        """Return the interval of the clock, ns; 0 where it is unknown, or none is followed."""
        shadow, clock = self._host.shadow, self._host.setup.clock
        if shadow is None or clock.source != "external" or clock.mode != "midi":
            return 0
        return shadow.performer.transport.judge.interval

    async def listen(self) -> None:
        """Hear the clock, and say what the player has missed of it."""
        while True:
            listener = self.listener
            await asyncio.sleep(QUICK_SECONDS if listener is not None and listener.wants_looks() else LISTEN_SECONDS)
            cables = self._host.cables
            if cables is not None and cables.listener is not None and cables.alive:
                cables.listener.poll()
                self.tell_missed()

    def tell_missed(self) -> None:
        """Give the judge of the clock the stamps of clocks that only the listener heard; the host moves nothing."""
        host = self._host
        stamps = self.listener.lacking(self.interval()) if self.listener is not None else ()
        if not stamps or not host.playing or host.shadow is None or not host.shadow.performer.transport.running:
            return
        with contextlib.suppress(BufferError):  # who takes no commands is helped by none
            host.link.command(Heard(stamps))
            text = f"the player has missed {counted(clock=len(stamps))} that the host heard"
            host.notice("player", state="missed", text=text)

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
        elif cables.ear_moved:
            self.forget()  # what came meanwhile is of another sender, or nobody heard it
        for word in words:
            self._host.notice("port", port=word.key, state=word.state, text=word.text)
        if self._host.playing:
            for output in patched:
                self._host.link.command(Reconnected(output))
            self._host.boxes.patched(cables.boxes, cables.lit)


def _clock_port(host: Host) -> int:
    return next((i for i, one in enumerate(host.setup.inputs) if one.role == "clock"), -1)
