"""The performer on a virtual clock: Start, exact clocks, Stop, no time spent waiting."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, Protocol

from replank.control.notices import Notice
from replank.control.setup import Input, Setup
from replank.midi.tempo import CLOCK_TICKS, TickMap, tempo_us
from replank.performer import Performer
from replank.performer.events import Midi, Outcome
from replank.timing.divisions import PPQN

LONGEST = 20_000_000
"""Clocks of the longest take: 115 hours at 120 BPM."""

LEAD_IN = PPQN
"""Clocks before Start."""

_CLOCK, _START, _STOP = b"\xf8", b"\xfa", b"\xfc"


class Endless(ValueError):
    """So many cycles are longer than `LONGEST` clocks."""


class Clocks(Protocol):
    """When clocks come, and at which tempos."""

    def __getitem__(self, number: int) -> int:
        """Return the ns at which a clock comes."""

    def tempos(self, clocks: int) -> list[tuple[int, float]]:
        """Return (clock, quarter notes a minute) of each beginning of a tempo in so many clocks; the first at 0."""


class EvenClock:
    """When the clocks of an exact tempo come: number n, 60 s / (24 * tempo) apart.

    Clock 0 is the first step; the lead-in before it has negative numbers, and
    begins at 0 ns.
    """

    def __init__(self, tempo: float) -> None:
        self._tempo = tempo
        exact = Fraction(60_000_000_000, PPQN) / Fraction(tempo).limit_denominator(10_000)
        self._over, self._under = 2 * exact.numerator, 2 * exact.denominator
        self._first = LEAD_IN * self._over + exact.denominator  # half of what it is divided by: to the nearest

    def __getitem__(self, number: int) -> int:
        return (number * self._over + self._first) // self._under

    def tempos(self, clocks: int) -> list[tuple[int, float]]:
        """Return the one tempo."""
        return [(0, self._tempo)]


@dataclass(slots=True)
class Take:
    """What a performer did.

    Attributes:
        clock: When each clock came.
        messages: (ns, index into `Setup.outputs`, one whole message), in order.
        notices: What it said, in order.
        cycles: Cycles that are complete.
        clocks: How many clocks it lasted, from the first step on.
    """

    clock: Clocks
    messages: list[tuple[int, int, bytes]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    cycles: int = 0
    clocks: int = 0

    @property
    def end(self) -> int:
        """When it ended, ns."""
        return self.clock[self.clocks]

    @property
    def seconds(self) -> float:
        """How long it lasted, from the first step on."""
        return (self.end - self.clock[0]) / 1e9

    def ticks(self) -> TickMap:
        """Return the map from its moments to ticks; what was sent on a clock has its exact tick."""
        count = max(self.clocks, PPQN)
        knots = [*(at for at, _ in self.clock.tempos(count)), count]
        return TickMap([(self.clock[at], at * CLOCK_TICKS) for at in knots])

    def tempos(self) -> list[tuple[int, int]]:
        """Return the tempo changes of a file: (tick, microseconds per quarter note)."""
        return [(at * CLOCK_TICKS, tempo_us(tempo)) for at, tempo in self.clock.tempos(max(self.clocks, PPQN))]

    def add(self, now: int, outcome: Outcome) -> None:
        """Take in what came of an event at `now`."""
        for output, message in outcome.messages:
            self.messages.append((now, output, message))
        for notice in outcome.notices:
            self.notices.append(notice)
            self.cycles += notice.kind == "cycle"

    def cut(self, marks: tuple[int, int, int]) -> None:
        """Forget what came after `marks` (lengths of messages and notices, cycles)."""
        del self.messages[marks[0] :], self.notices[marks[1] :]
        self.cycles = marks[2]

    def marks(self) -> tuple[int, int, int]:
        """Return where the take is now, for `cut`."""
        return len(self.messages), len(self.notices), self.cycles


def for_clock(setup: Setup) -> tuple[Setup, int]:
    """Return a setup that follows a MIDI clock, and the input that listens for it."""
    clock = replace(setup.clock, source="external", mode="midi", without_start="wait", repeated_start="restart")
    for at, one in enumerate(setup.inputs):
        if one.role == "clock":
            return replace(setup, clock=clock), at
    return replace(setup, clock=clock, inputs=(*setup.inputs, Input("clock", "clock"))), len(setup.inputs)


def play_cycles(setup: Setup, seed: int, cycles: int, tempo: float) -> Take:
    """Play whole cycles to an exact clock and stop where the next one would begin.

    A quarter note of clocks comes before Start, as a sender may do (MIDI 1.0
    Detailed Specification, p. 30), so that the first note knows the tempo.

    Args:
        setup: Rig and first values; it is made to follow the virtual clock.
        seed: Seed of all chance.
        cycles: How many, 1 or more.
        tempo: Quarter notes per minute.

    Raises:
        Endless: The cycles are too long.
    """
    setup, port = for_clock(setup)
    clock, performer, tick = EvenClock(tempo), Performer(setup, seed), Midi(port, _CLOCK)
    take = Take(clock=clock)
    for number in range(-LEAD_IN, 0):
        take_in(performer, take, tick, clock[number])
    take.add(clock[-1], performer.receive(Midi(port, _START), clock[-1]))
    last: dict[str, Any] | None = None
    number = begun = 0
    marks = take.marks()
    while take.cycles < cycles:
        if number > LONGEST:
            raise Endless(f"{cycles} cycles are more than {LONGEST} clocks")
        if last is None and take.cycles == cycles - 1:
            last, marks, begun = performer.save(), take.marks(), number
        take_in(performer, take, tick, clock[number])
        number += 1
    # Now the first note too many is struck.  The last cycle is played again
    # from where it began, so that Stop comes in that note's place.
    assert last is not None
    take.cut(marks)
    performer = Performer.restore(last)
    for at in range(begun, number - 1):
        take_in(performer, take, tick, clock[at])
    take.clocks = number - 1
    reach(performer, take, take.end)
    take.add(take.end, performer.receive(Midi(port, _STOP), take.end))
    take.messages += [(take.end, *release) for release in performer.releases()]
    take.cycles = cycles
    return take


def take_in(performer: Performer, take: Take, tick: Midi, now: int) -> None:
    """Give a clock, and what is due before it."""
    due = performer.next_deadline()
    if due is not None and due < now:
        reach(performer, take, now)
    outcome = performer.receive(tick, now)
    if outcome.messages or outcome.notices:
        take.add(now, outcome)


def reach(performer: Performer, take: Take, now: int) -> None:
    """Fire the deadlines before `now`, each at its own time."""
    while (due := performer.next_deadline()) is not None and due < now:
        take.add(max(due, performer.now), performer.advance(due))


def sounding_notes(messages: Iterable[tuple[int, int, bytes]]) -> int:
    """Return how many notes are struck."""
    return sum(message[0] & 0xF0 == 0x90 and message[2] > 0 for _, _, message in messages)
