"""The players' lives, seen from the host: bringing one up, noticing its end, releasing what it left.

A player that is gone left at most a few notes sounding; they are released
here, on outputs that were patched long before, and the next player gets the
shadow's state and the phase that the clock has by now.
"""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from replank import wire
from replank.control.notices import counted
from replank.host.gaps import CLOCK, Stamped, going_on, missed_steps
from replank.host.listener import Listener
from replank.host.server import PROTOCOL
from replank.host.starting import find_cables
from replank.performer.events import Act, Event, Rounded, to_plain
from replank.performer.hearing import matches
from replank.performer.messages import control_changes, note_offs
from replank.timing.playhead import cycle_steps

if TYPE_CHECKING:
    from replank.host.app import Host

OPEN_SECONDS = 5.0
RESCUE_AGAIN = (0.01, 0.02, 0.035, 0.05, 0.07, 0.1, 0.15, 0.25, 0.5, 1.0)
"""Seconds after which releases are repeated: until JACK has removed a killed client, its receivers miss periods."""
ANY_GONE, LATEST_AGAIN = (0.05, 0.2, 0.6), 6
"""Seconds after another client's end, and how many note-offs: few, since a DIN cable takes a millisecond for each."""
SWEEP_NOTES, SWEEP_SECONDS = 2, 0.01
"""How many notes of a channel a sweep releases at once, and how often: a fifth of what a DIN cable carries."""
CABLE_SECONDS = 0.05
"""A cable that was just plugged in carries from one of the next periods on: what is sent before is lost."""
LAST_RESCUE = 1.2
"""Seconds for which a host that ends stays after releasing, for the repetitions."""


class Players:
    """Brings players up and sees them off.

    Attributes:
        opened: generation -> what a player says of its ports.
        has_gone: Why the present player is gone, or None.
        goes_on: True where an interrupted show goes on.
        left_sounding: (output, channel, note) that it may have left sounding.
        rescued: When notes were last released here, monotonic seconds.
        goodbye: Pid of the last player that ended by itself, with its releases.
    """

    def __init__(self, host: Host) -> None:
        self._host = host
        self.opened: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self.has_gone: str | None = None
        self.goes_on = False
        self.left_sounding: list[tuple[int, int, int]] = []
        self.rescued = -LAST_RESCUE
        self.goodbye = 0
        self._bringing: asyncio.Task[Any] | None = None
        self._watched = 0
        self._ready_said = bool(host.facts["adopt"])

    def watch(self, pid: int) -> None:
        """Hear of a player's end from the system itself, where it tells, with or without a keeper."""
        if not hasattr(os, "pidfd_open") or pid == self._watched:
            return
        try:
            fd = os.pidfd_open(pid)
        except OSError:  # it has ended already: the keeper says so
            return
        self._watched = pid

        def ended() -> None:
            self._host.loop.remove_reader(fd)
            os.close(fd)
            if pid == self._watched:
                self._watched = 0
            if pid == self._host.player:
                self.gone("has ended")

        self._host.loop.add_reader(fd, ended)

    def record_ended(self) -> None:
        """Player and keeper are gone: release what sounds, and end, since nobody starts another player.

        The show stays open: it was cut off, and the next one goes on with its line.
        """
        self.gone("has ended")
        self._host.stopping = True

    def gone(self, why: str) -> None:
        """Release what the player left sounding, at once, then let the next one take over."""
        if self.has_gone is not None:
            return
        self._host.link.read()
        self._host.link.forget_waiting()
        self.has_gone = why
        self._host.intake.stop_adopting()
        was_playing, self._host.playing = self._host.playing, False
        if self._bringing is not None:
            self._bringing.cancel()
        if self._host.control is None:
            self._host.stopping = True
        if self._host.shadow is None or not was_playing:
            return
        if self.goodbye == self._host.player:
            text = f"the player {why}; it released its notes"
        else:
            latest = self._host.shadow.latest_offs()
            messages = self._host.shadow.released()
            self._rescue([*messages, *latest, *all_off(self._host.shadow.performer.band.channels())])
            for output, data in messages:
                self._host.feed.output(self._host.shadow.performer.now, output, data)
            notes = sum(wire.is_note_off(data) for _, data in messages)
            text = f"the note engine {why} and was restarted; {counted(note=notes)} released"
        if not self._host.told_to_stop:
            self._host.replaced += 1
            self._host.notice("player", state="replaced", text=text)
            self._host.feed.break_off(self._host.generation + 1)

    def _rescue(self, messages: list[tuple[int, bytes]]) -> None:
        """Release on the host's own outputs, at once and again.

        A MIDI system that has just lost a client may skip cycles and lose
        what is sent in them; a note-off too many is harmless (MIDI 1.0, A-4).
        """
        offs = [message for message in messages if wire.is_note_off(message[1])]
        if self._host.cables is None or not self._host.cables.alive:  # first thing when there are cables again
            self.left_sounding += [(output, (data[0] & 15) + 1, data[1]) for output, data in offs]
            return
        self._host.cables.rescue(messages)
        self.rescued = time.monotonic()
        for seconds in RESCUE_AGAIN if offs else ():
            self._host.loop.call_later(seconds, self._rescue_again, offs)

    def _rescue_again(self, offs: list[tuple[int, bytes]]) -> None:
        if self._host.cables is not None and self._host.cables.alive and self._host.shadow is not None:
            struck = self._host.shadow.sounding.notes  # by the next player meanwhile
            self._host.cables.rescue([(o, data) for o, data in offs if (o, (data[0] & 15) + 1, data[1]) not in struck])

    async def sweep(self) -> None:
        """Release on our own outputs every note that does not sound, a few at a time, those of the register first.

        While no host lived a receiver may have missed a note-off, as one does
        where a MIDI system loses a client, and nobody has sent it again.  All
        notes off would end what sounds, too.
        """
        await asyncio.sleep(CABLE_SECONDS)
        assert self._host.shadow is not None
        performer = self._host.shadow.performer
        low, span = performer.values["register_low"], performer.values["register_span"]
        notes = sorted(range(128), key=lambda note: not low <= note <= low + span)
        for first in range(0, len(notes), SWEEP_NOTES):
            some = notes[first : first + SWEEP_NOTES]
            self._host.link.read()  # what is being struck just now is in the record already
            self._rescue_again([(o, note_offs(channel)[n]) for o, channel in performer.band.channels() for n in some])
            await asyncio.sleep(SWEEP_SECONDS)

    def release_latest_again(self) -> None:
        """Send the latest note-offs again: the end of any client may cost the others what was sent just then."""
        if self._host.shadow is not None:
            latest = self._host.shadow.latest_offs()[-LATEST_AGAIN:]
            for seconds in ANY_GONE:
                self._host.loop.call_later(seconds, self._rescue_again, latest)

    def bring(self, pid: int, generation: int) -> None:
        """Let a new player, which waits with nothing loaded, take over."""
        self._host.player, self._host.generation, self.has_gone = pid, generation, None
        self._host.link.generation = generation
        if pid == self._host.spare:
            self._host.spare = 0
        self.watch(pid)
        self._host.playing = False
        if self._bringing is not None:
            self._bringing.cancel()
        self._host.intake.stop_adopting()
        if self._host.shadow is None:  # the player before was gone before it gave its state
            self._host.intake.begin_anew()
        self._bringing = self._host.spawn(self._bring(pid, generation))

    async def _bring(self, pid: int, generation: int) -> None:
        """Bring a player up; one with which that fails is replaced, until it works."""
        try:
            await self._bring_up(pid, generation)
        except Exception as error:
            text = f"player {pid} could not be brought up: {type(error).__name__}: {error}; the next one is tried"
            self._host.notice("player", state="failed", text=text)
            await asyncio.sleep(1.0)
            self._host.tell_keeper({"swap": generation, "kill": True})

    async def _bring_up(self, pid: int, generation: int) -> None:
        """Give a new player its ports, its state and its phase, and let it play."""
        await self.have_cables()
        assert self._host.shadow is not None and self._host.cables is not None
        self.opened[generation] = self._host.loop.create_future()
        self._host.shadow.resume()
        names = self._host.cables.names
        begin = {
            "generation": generation,
            "api": self._host.cables.api,
            **names.ports(generation),
            "state": self._host.shadow.performer.save(),
            "practice": self._practice(),
        }
        self._host.link.send(wire.BEGIN, begin)
        try:
            opened = await asyncio.wait_for(self.opened[generation], OPEN_SECONDS)
        except TimeoutError:
            self._host.tell_keeper({"swap": generation, "kill": True})
            return
        finally:
            del self.opened[generation]
        if opened["problem"]:
            self._host.notice("player", state="no ports", text=f"the player has no ports: {opened['problem']}")
            self._host.tell_keeper({"ports": None})
            await asyncio.sleep(1.0)
            self._host.tell_keeper({"swap": generation})  # the next one tries again
            return
        is_plugged_in = self._host.cables.is_plugged_in(pid)  # a cable takes tens of ms just after a client's death
        if not is_plugged_in:
            self._host.watcher.look_now()
        if opened.get("waited") and not is_plugged_in and not self._host.cables.are_there():
            self._host.tell_keeper({"ports": None})
            self._host.tell_keeper({"swap": generation, "kill": True})  # its ports are of a MIDI system that is gone
            return
        if self.left_sounding:
            await asyncio.sleep(CABLE_SECONDS)
        self.release_left()
        is_first = generation == 1 and not self.goes_on
        listener = self._host.cables.listener
        at, missed = 0, list[Stamped]()
        if listener is not None:
            if not is_first:
                at, missed = self._missed(listener)
            if self._host.setup.clock.mode == "pulses":
                listener.forget(is_known=True)  # what was missed is made up for, or nobody can say it
        first = [] if self._by_pulses() else self._going_on(missed)
        go = {"generation": generation, "at": at, "first": first, "reconnect": not is_first}
        self._host.link.send(wire.GO, go)
        self._host.link.again()
        if self._by_pulses():
            self._make_up_for(data for _, data in missed)
        self._host.playing = True
        self._host.tell_keeper({"playing": generation})
        if is_plugged_in:
            self._host.watcher.look_now()
        self._host.tell_keeper({"ports": self._host.cables.waiting_ports(generation + 1)})
        self.say_ready()
        if not is_first:
            ports = "had been opened ahead" if opened.get("waited") else f"took {opened['ms']:.0f} ms"
            self._host.notice("player", state="playing", text=f"player {pid} plays; its ports {ports}")

    def release_left(self) -> None:
        """Release what a show that was cut off may have left sounding."""
        if self._host.cables is not None and self.left_sounding:
            self._rescue([(o, note_offs(channel)[note]) for o, channel, note in self.left_sounding])
            self.left_sounding = []

    async def end_by_force(self) -> None:
        """End a player that does not end as asked, where no keeper does it; its notes are released."""
        if self.has_gone is None and self._watched == self._host.player:  # watched: the number is still its own
            os.kill(self._host.player, signal.SIGKILL)
            while self.has_gone is None:
                await asyncio.sleep(0.01)

    def _by_pulses(self) -> bool:
        return self._host.setup.clock.mode == "pulses"

    def _missed(self, listener: Listener) -> tuple[int, list[Stamped]]:
        """Return what the listener heard since the record ended, and up to when: what the player stamps so is in it.

        Where nobody can say it, that is nothing, up to no moment: the player's judge then sees the gap itself.
        """
        if self._by_pulses():
            at = listener.quiet()
            missed = listener.missing()
            return (at, missed) if missed is not None else (0, [])
        if self._host.setup.clock.source != "external":
            return 0, []
        interval = self._host.watcher.interval()
        missed = listener.missing(interval)
        if not missed:
            return 0, []
        if missed[-1][1] != CLOCK or not interval:
            at = listener.quiet()  # a clock may follow Start at once
            missed = listener.missing(interval) or missed
            if missed[-1][1] != CLOCK or not interval:
                return at, missed
        # the next one comes an interval later: halfway there the player's own stamps tell them apart
        return missed[-1][0] + interval // 2, missed

    def _going_on(self, missed: list[Stamped]) -> list[list[Any]]:
        """Return what the next player is told first: how exact its stamps are, and what was missed."""
        host = self._host
        assert host.shadow is not None and host.cables is not None
        # A JACK callback stamps what came in its period; elsewhere stamps are the kernel's.
        period = host.cables.period() if host.facts["api"] == "jack" else None
        grain = period[0] * 1_000_000_000 // period[1] if period is not None else 0
        first: list[tuple[int, Event]] = []
        if grain != host.shadow.performer.transport.judge.grain:
            first.append((0, Rounded(grain)))
        first += going_on(missed, host.watcher.clock_port)
        return [[stamp, to_plain(event)] for stamp, event in first]

    def _make_up_for(self, messages: Iterable[bytes]) -> None:
        """Move a line that is driven by pulses on by those that came while nobody played; they are not struck late."""
        clock = self._host.setup.clock
        missed = missed_steps(messages, partial(matches, clock.pulse), partial(matches, clock.reset))
        if missed.reset:
            self._host.link.command(Act("reset", (), "now", "host"))
        assert self._host.shadow is not None
        values = self._host.shadow.performer.values
        steps = missed.pulses % cycle_steps(values["direction"], values["length"])
        if steps:
            self._host.link.command(Act("nudge", (str(steps),), "now", "host"))

    def _practice(self) -> dict[str, Any] | None:
        practice: dict[str, Any] | None = self._host.facts.get("practice")
        if practice is None or self._host.shadow is None:
            return None
        transport = self._host.shadow.performer.view()["transport"]
        return {**practice, "song_clock": transport["song_clock"] if transport["running"] else None}

    async def have_cables(self) -> None:
        """Wait until there is a MIDI system and we are plugged into it."""
        if self._host.cables is not None and self._host.cables.alive:
            return
        if self._host.cables is not None:
            self._host.cables.abandon()
            self._host.cables = None
        memory = Path(self._host.facts["state_dir"]) / "patching.json"
        api, instance = self._host.facts["api"], self._host.facts["instance"]
        self._host.cables = await find_cables(
            api, instance, self._host.setup, memory, self._host.watcher.changed, self._wait_for
        )
        self._host.waiting = ""
        self._host.watcher.follow_setup()

    def _wait_for(self, what: str) -> None:
        self._host.waiting = what
        self._host.notice("port", port="", state="waiting", text=what)
        self._host.tell_keeper({"say": what})

    def say_ready(self) -> None:
        """Tell the keeper, once, that everything is there."""
        if self._ready_said or self._host.cables is None:
            return
        self._ready_said = True
        facts, ports = self._host.facts, self._host.cables.names_shown()
        pids = {"keeper": facts["keeper"], "player": self._host.player, "host": os.getpid()}
        where = ", ".join(f"{name} on {shown}" for name, shown in ports.items() if shown) or "no MIDI ports"
        words = f"replank plays as {facts['instance']}: {where}; socket {facts['socket']}; {self._first_words()}"
        said = {"ready": True, "protocol": PROTOCOL, "ports": ports, "socket": facts["socket"], "pids": pids}
        self._host.tell_keeper({"ready": {**said, "words": words}})

    def _first_words(self) -> str:
        assert self._host.shadow is not None
        return str(self._host.shadow.performer.view()["transport"]["words"])


def all_off(channels: Iterable[tuple[int, int]]) -> list[tuple[int, bytes]]:
    """Return All Notes Off and All Sound Off (CC 123 and 120) of (output, channel 1 to 16).

    They follow the note-offs and replace none: a receiver need not know them,
    and not heed CC 123 while Omni is on (MIDI 1.0 Detailed Specification, p. 24).
    """
    return [(output, control_changes(channel, number)[0]) for output, channel in channels for number in (123, 120)]
