"""What the drain's holder does: performer, record and ports, one thread at a time.

A note-on is recorded before it is sent and a note-off after, so that a player
that is killed in between leaves the host releasing a note too many, which is
harmless, and never one too few.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from replank import wire
from replank.performer import Performer
from replank.performer.events import Event, Midi, Outcome
from replank.pipes import GATHERED, Writer, encode
from replank.player.ports import NoPorts, Ports
from replank.struck import Marked

COMMAND, DEADLINE, INSIDE = -1, -2, -3
"""Kinds of items beside port numbers (0 and up): an event, a deadline, a call."""
NEVER = 1 << 62
LATE_NS = 5_000_000
"""A deadline fired so much after its time is counted as late."""
CLOCK = b"\xf8"
QUIET_NS = 6_000_000
"""Time that must be left until the next deadline for what takes a few milliseconds."""
GATHER_NS = 6_000_000
"""What sent nothing may be recorded so much later, so that a storm of knobs is not one of system calls."""
TROUBLES = 100
"""Exceptions that are told in words; the rest are only counted."""


class Stage:
    """Everything that only the drain's holder touches.

    Attributes:
        performer: None until the state is loaded.
        ports: Where messages leave.
        marked: The same ports, where notes are marked on their way; None where they cannot be.
        writer: The record.
        after_clock: Called once, right after a clock that leaves time until the next deadline.
        deadline: When the performer wants to be woken, monotonic ns; read by the loop thread.
    """

    def __init__(self, record: int, beat: int) -> None:
        self.performer: Performer | None = None
        self.ports: Ports | NoPorts = NoPorts()
        self.marked: Marked | None = None
        self.writer = Writer(record, wire.GAP)
        os.set_blocking(beat, False)
        self._beat = beat
        self.deadline = NEVER
        self.after_clock: Callable[[], None] | None = None
        self._service: deque[int] = deque(maxlen=2000)
        self._late = 0
        self._failures = 0
        self._unsent = self._sent_at = 0

    def load(self, performer: Performer) -> None:
        """Play this performer from now on."""
        self.performer = performer
        self.deadline = performer.next_deadline() or NEVER

    def handle(self, item: tuple[int, Any, int]) -> None:
        """Handle one item of the drain; an exception is told and counted, and the line plays on."""
        port, data, stamp = item
        try:
            if port >= 0:
                self._hear(Midi(port, data), stamp, 0, True)
            elif port == COMMAND:
                self._hear(data[0], stamp, data[1], False)
            elif port == DEADLINE:
                self._advance()
            else:
                data()
        except Exception as error:
            self.trouble(f"{type(error).__name__}: {error}")
        if self.performer is not None:
            self.deadline = self.performer.next_deadline() or NEVER
        if self.after_clock is not None and data == CLOCK and self.deadline - time.monotonic_ns() > QUIET_NS:
            self.run_after_clock()

    def run_after_clock(self) -> None:
        """Do what waits for a quiet moment."""
        call, self.after_clock = self.after_clock, None
        if call is not None:
            try:
                call()
            except Exception as error:
                self.trouble(f"{type(error).__name__}: {error}")

    def _hear(self, event: Event, stamp: int, serial: int, came: bool) -> None:
        performer = self.performer
        if performer is None:
            return
        now = stamp if stamp > performer.now else performer.now
        try:
            outcome = performer.receive(event, now)
        except Exception:
            self.writer.write(*wire.pack_input(event, now, serial))  # the shadow fails the same way
            raise
        record = wire.pack_input(event, now, serial)
        if not outcome.messages:
            self._keep(record, now)
            return
        self._emit(outcome.messages, now, 0, record)
        if came:
            self._service.append(self._sent_at - stamp)

    def _keep(self, record: tuple[int, bytes], now: int) -> None:
        """Record an event that sent nothing: with what comes next, where a deadline will bring that about soon."""
        due = self.performer.next_deadline() if self.performer is not None else None
        if due is not None and due - now < GATHER_NS and len(record[1]) <= GATHERED:
            self.writer.gather(*record)
        else:
            self.writer.write(*record)

    def _advance(self) -> None:
        performer = self.performer
        if performer is None:
            return
        now = time.monotonic_ns()
        due = performer.next_deadline()
        if due is not None and now - due > LATE_NS:
            self._late += 1
        outcome: Outcome = performer.advance(now)
        if outcome.messages or outcome.notices:
            self._emit(outcome.messages, now, wire.FROM_DEADLINE, None)
        self.writer.flush()

    def _emit(self, messages: list[tuple[int, bytes]], now: int, flags: int, record: tuple[int, bytes] | None) -> None:
        """Record and send the messages of one outcome, in the order that errs towards a release."""
        write = self.writer.write
        strikes, releases = wire.has_notes(messages)
        if not strikes:
            if record is not None:
                write(*record)
            self._send(messages)
            write(wire.OUTPUT, wire.pack_output(messages, now, flags | wire.ALREADY_SENT))
            return
        output = (wire.OUTPUT, wire.pack_output(messages, now, flags))
        if record is not None:
            self.writer.write_pair(record, output)
        else:
            write(*output)
        self._send(messages)
        if releases:  # not worth a system call of its own: until it is told, a release too many is sent at worst
            self.writer.gather(wire.SENT, b"")

    def _send(self, messages: list[tuple[int, bytes]]) -> None:
        send = self.ports.send if self.marked is None else self.marked.send
        for output, data in messages:
            try:
                send(output, data)
            except Exception:  # one bad message must not keep a release behind it
                self._unsent += 1
        self._sent_at = time.monotonic_ns()

    def release(self) -> None:
        """Send the releases of all that sounds."""
        if self.performer is not None:
            messages = self.performer.releases()
            self._send(messages)
            flags = wire.FROM_DEADLINE | wire.ALREADY_SENT
            self.writer.write(wire.OUTPUT, wire.pack_output(messages, self.performer.now, flags))

    def say(self, kind: int, plain: dict[str, Any]) -> None:
        """Write a record of plain data."""
        self.writer.write(kind, encode(plain))

    def beat(self) -> None:
        """Tell the keeper that the performer can be reached."""
        try:
            os.write(self._beat, b".")
        except (BlockingIOError, BrokenPipeError):
            pass  # the keeper is late or gone; the line plays on

    def trouble(self, text: str) -> None:
        """Tell the host of an exception."""
        self._failures += 1
        if self._failures <= TROUBLES:
            self.writer.write(wire.TROUBLE, encode({"text": text, "count": self._failures}))

    def tell_statistics(self, **more: Any) -> None:
        """Write the counters of the last second: service time from callback entry to last send, µs."""
        times = sorted(self._service)
        self._service.clear()
        service = {}
        if times:
            at = {"p50": 0.5, "p99": 0.99, "max": 1.0}
            service = {name: times[min(len(times) - 1, int(len(times) * q))] / 1000 for name, q in at.items()}
        self.say(
            wire.STATISTICS,
            {"service_us": service, "late": self._late, "failures": self._failures, "unsent": self._unsent,
             "dropped": self.writer.dropped, **more},
        )  # fmt: skip
