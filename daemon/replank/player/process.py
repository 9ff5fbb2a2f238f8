"""The player's process: one loop thread beside the driver's callbacks.

Nothing else lives here: no asyncio, no JSON, no database, no files.  The
callbacks stamp, append and try the drain; the loop thread waits in `select`
for the next deadline, a command or its own practice clock.  All of them reach
the performer through the one drain, so the record's order is the order in
which things happened.
"""

from __future__ import annotations

import gc
import os
import select
import signal
import sys
import threading
import time
from collections import deque
from typing import Any

from replank import ENGINE, wire
from replank.performer import Performer
from replank.performer.events import Reconnected, event_from_plain
from replank.pipes import PIPE_VERSION, Reader, encode
from replank.player.drain import Drain
from replank.player.practice import PracticeClock
from replank.player.stage import COMMAND, DEADLINE, INSIDE, NEVER, Stage
from replank.player.waiting import Waiting
from replank.struck import mark

BEAT_NS = 100_000_000
"""How often the keeper hears that the performer can be reached."""
STATISTICS_NS = 1_000_000_000
POLL_NS = 3_000_000
"""How often the boxes' ports are looked at."""
SWITCH_SECONDS = 0.0001
TURN_NS = 2_000_000
"""How long a thread works off messages before the loop thread looks at everything else."""
SETTLE_SECONDS = 0.02
"""Between the last message and the end, so that the driver can send it (10 ms at least)."""
LONGEST_IN = 1024
"""Longer messages are ignored and counted: nothing that the line listens to is longer."""
QUIET_WITHIN_NS = 100_000_000
"""A state is taken right after a clock, which leaves time until the next; without clocks after so long."""
SLICE = 16
"""Records of a state that are written before others get a turn."""

_STOP = b"\xfc"
_TRANSPORT = frozenset((0xF2, 0xF8, 0xFA, 0xFB, 0xFC))


class Player:
    """The process's parts and its loop.

    Args:
        command: File descriptor of the commands.
        record: File descriptor of the record.
        beat: File descriptor of the heartbeat.
        generation: How many players the keeper started before this one.
        waiting: Has ports already, or opens them.
        page: Where struck notes are marked, see `replank.struck`; -1 nowhere.
    """

    def __init__(self, command: int, record: int, beat: int, generation: int, waiting: Waiting, page: int = -1) -> None:
        self._command = command
        self._generation = generation
        self._waiting, self._page = waiting, page
        self._reader = Reader()
        self.drain = Drain(self._handle, TURN_NS, self._rouse)
        self.drain.closed = True
        self.stage = Stage(record, beat)
        self._wake_out, self._wake = os.pipe()
        os.set_blocking(self._wake, False)
        os.set_blocking(self._wake_out, False)
        self._planned = self._handled = 0
        self._practice: PracticeClock | None = None
        self._clock_ports: frozenset[int] = frozenset()
        self._ending = False
        self._attached = True
        self._priority = "not asked for"
        self._states: deque[tuple[bytes, int]] = deque()
        self._save_by = NEVER
        self._loop_thread = threading.get_ident()
        self.too_long = 0

    # -- from the drivers' threads ---------------------------------------------

    def heard(self, port: int, data: bytes, stamp: int) -> None:
        """Take bytes that arrived on a port at `stamp` (monotonic ns); never waits."""
        if len(data) > LONGEST_IN:
            self.too_long += 1
            return
        is_transport = bool(data) and data[0] in _TRANSPORT
        self.drain.put((port, data, stamp), may_lose=not is_transport, last=data == _STOP)

    def _handle(self, item: tuple[int, Any, int]) -> None:
        self.stage.handle(item)
        if self.stage.deadline < self._planned and threading.get_ident() != self._loop_thread:
            self._rouse()

    def _rouse(self) -> None:
        try:
            os.write(self._wake, b".")
        except BlockingIOError:
            pass  # it is awake already

    # -- the loop --------------------------------------------------------------

    def run(self) -> None:
        """Serve until told to end."""
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the keeper's to hear
        signal.signal(signal.SIGTERM, self._terminate)
        self.stage.say(wire.HELLO, {**self._versions(), **self._who()})
        next_beat = next_statistics = next_poll = 0
        while not self._ending:
            now = time.monotonic_ns()
            if now >= next_beat:
                self._beat()
                next_beat = now + BEAT_NS
            if now >= next_statistics:
                self._inside(self._tell_statistics)
                next_statistics = now + STATISTICS_NS
            if now >= next_poll and self.stage.ports.has_polled:
                next_poll = now if self.stage.ports.poll() else now + POLL_NS
            self._practise(now)
            if self.stage.deadline <= now and not self.drain.closed:
                self.stage.deadline = NEVER  # asked for; the drain's holder sets the next one
                self.drain.put((DEADLINE, None, now), last=True)
            self.drain.run()
            if now >= self._save_by:  # no clock came: then nothing is late by it either
                self._save_by = NEVER
                self._inside(self.stage.run_after_clock)
            self._send_state()
            wake = min(next_beat, next_statistics, self._save_by)
            self._wait(min(wake, next_poll) if self.stage.ports.has_polled else wake)
        self.end()

    def _wait(self, until: int) -> None:
        """Wait for a deadline, a command, or `until`."""
        if self._practice is not None and not self.drain.closed:
            until = min(until, self._practice.next_time())
        self._planned = until
        if not self.drain.closed:
            self._planned = until = min(until, self.stage.deadline)
        if self._states:
            until = min(until, time.monotonic_ns() + 1_000_000)
        seconds = max(0, until - time.monotonic_ns()) / 1e9
        watched = [self._command, self._wake_out] if self._attached else [self._wake_out]
        ready, _, _ = select.select(watched, [], [], seconds)
        self._planned = 0
        if self._wake_out in ready:
            os.read(self._wake_out, 4096)
        if self._command in ready:
            self._read_commands()

    def _terminate(self, *_: object) -> None:
        self._ending = True
        self._rouse()

    def _beat(self) -> None:
        self._inside(self.stage.writer.flush)
        handled, self._handled = self._handled, self.drain.handled
        if self.drain.closed or handled != self._handled:  # in a storm what is put now waits for its turn
            self.stage.beat()
        else:
            self._inside(self.stage.beat)

    def _inside(self, call: Any) -> None:
        """Let `call` run in the drain, where nothing else touches performer and record."""
        if self.drain.closed:
            call()
        else:
            self.drain.put((INSIDE, call, 0), last=True)

    def _practise(self, now: int) -> None:
        if self._practice is None or self.drain.closed:
            return
        for data in self._practice.take(now):
            self.heard(min(self._clock_ports, default=0), data, now)

    # -- commands --------------------------------------------------------------

    def _read_commands(self) -> None:
        data = os.read(self._command, 1 << 16)
        if not data:  # keeper and host are gone; the line plays on
            self._attached = False
            return
        for kind, payload in self._reader.feed(data):
            try:
                self._obey(kind, payload)
            except (ValueError, KeyError, TypeError, IndexError) as error:
                self._inside(lambda text=f"a command was not understood: {error!r}": self.stage.trouble(text))

    def _obey(self, kind: int, payload: bytes) -> None:
        if kind == wire.COMMAND:
            event, serial, generation = wire.unpack_command(payload)
            if generation == self._generation:
                self.drain.put((COMMAND, (event, serial), time.monotonic_ns()), last=True)
        elif kind == wire.QUIT:
            self._ending = True
        elif kind in (wire.BEGIN, wire.GO):
            plain = wire.plain_dict(payload)
            if plain["generation"] != self._generation:
                return  # meant for a player that is gone
            if kind == wire.BEGIN:
                self._begin(plain)
            else:
                self._go(plain)
        elif kind == wire.STATE:
            nonce = wire.plain_dict(payload)["nonce"]
            if self.drain.closed:
                self.stage.say(wire.STATE, {"nonce": nonce, "state": None, **self._versions()})
                return
            self.stage.after_clock = lambda: self._save(nonce)
            self._save_by = time.monotonic_ns() + QUIET_WITHIN_NS

    def _begin(self, plain: dict[str, Any]) -> None:
        """Open the ports, then load the state; what arrives meanwhile waits in the drain."""
        opened = self._waiting.take(plain)
        self._priority = opened.said["priority"]
        self.stage.ports = opened.ports
        if self._page >= 0:
            self.stage.marked = mark(opened.ports, self._page)
        self.stage.say(wire.OPENED, {**self._who(), **opened.said})
        performer = Performer.restore(plain["state"])
        self.stage.load(performer)
        self._clock_ports = frozenset(i for i, one in enumerate(performer.setup.inputs) if one.role == "clock")
        practice = plain.get("practice")
        if practice is not None:
            self._practice = PracticeClock(time.monotonic_ns(), **practice)
        if "waited" not in opened.said:
            gc.collect()
        gc.freeze()

    def _go(self, plain: dict[str, Any]) -> None:
        """Begin to play: what the host's listener heard comes first, then what waits, except what it heard, too."""
        performer = self.stage.performer
        if performer is None:  # its state could not be loaded: better another player than a silent one
            self.stage.trouble("told to play without a state")
            self._ending = True
            return
        counted_to = plain["at"]
        queue = self.drain.queue
        first: list[tuple[int, Any, int]] = []
        if plain["reconnect"]:  # not later than what follows: that keeps its own stamps
            first += [(COMMAND, (Reconnected(i), 0), performer.now) for i in range(len(performer.setup.outputs))]
        first += [(COMMAND, (event_from_plain(event), 0), stamp) for stamp, event in plain["first"]]
        waiting = [queue.popleft() for _ in range(len(queue))]
        queue.extendleft(reversed(first + [item for item in waiting if not self._is_counted(item, counted_to)]))
        self.drain.closed = False
        self.drain.run()

    def _is_counted(self, item: tuple[int, Any, int], counted_to: int) -> bool:
        port, data, stamp = item
        if port != min(self._clock_ports, default=-1) or stamp > counted_to or not data:
            return False
        performer = self.stage.performer
        by_pulses = performer is not None and performer.setup.clock.mode == "pulses"
        return by_pulses or data[0] in _TRANSPORT

    # -- state for a host ------------------------------------------------------

    def _save(self, nonce: str) -> None:
        """Take the state, mark its place in the record, and let a thread of its own encode it."""
        performer = self.stage.performer
        if performer is None:
            return
        state = performer.save()
        self.stage.say(wire.MARK, {"nonce": nonce})
        answer = {"nonce": nonce, "state": state, **self._versions(), **self._who()}
        threading.Thread(target=self._encode, args=(answer,), daemon=True).start()

    def _encode(self, answer: dict[str, Any]) -> None:
        self._states.append((encode(answer), 0))
        self._rouse()

    def _send_state(self) -> None:
        if self._states and not self.drain.closed:
            self._inside(self._send_slice)

    def _send_slice(self) -> None:
        if self._states:  # one after the other: parts of two would be glued together
            payload, start = self._states[0]
            start = self.stage.writer.write_slice(wire.STATE, payload, start, SLICE)
            if start < len(payload):
                self._states[0] = payload, start
            else:
                self._states.popleft()

    def _tell_statistics(self) -> None:
        stage = self.stage
        stage.tell_statistics(
            priority=self._priority,
            queue_dropped=self.drain.dropped,
            escaped=self.drain.escaped,
            callback_failed=getattr(stage.ports, "failed", 0),
            too_long=self.too_long,
            practice_faults=dict(self._practice.faults) if self._practice else {},
        )

    def _versions(self) -> dict[str, Any]:
        return {"pipe": PIPE_VERSION, "engine": ENGINE}

    def _who(self) -> dict[str, Any]:
        return {"pid": os.getpid(), "generation": self._generation}

    # -- the end ---------------------------------------------------------------

    def end(self) -> None:
        """Release all that sounds, let the driver send it, and end the process; ports stay open."""
        code = 0
        if self.drain.closed:
            self.stage.say(wire.GOODBYE, self._who())  # nothing has played yet
        elif self.drain.shut(0.25):
            self.stage.release()
            self.stage.say(wire.GOODBYE, self._who())
        else:
            code = 3  # somebody is stuck in the performer: the host releases
        time.sleep(SETTLE_SECONDS)
        os._exit(code)


def main(fds: list[int]) -> None:
    """Wait until the keeper says which generation this player is, then play.

    Args:
        fds: Command, record, beat, start and page descriptors, as the keeper made them.
    """
    command, record, beat, start, page = fds
    sys.setswitchinterval(SWITCH_SECONDS)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    waiting = Waiting(start)
    generation = waiting.generation()
    if not generation:
        return  # the keeper ended before this spare was needed
    player = Player(command, record, beat, generation, waiting, page)
    waiting.to = player.heard
    player.run()
