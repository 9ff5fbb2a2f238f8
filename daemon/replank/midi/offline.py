"""The performer on a virtual clock: Start, exact clocks, Stop, no time spent waiting."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction

from replank.control.notices import Notice
from replank.control.setup import Input, Setup
from replank.midi.tempo import CLOCK_TICKS, TickMap
from replank.performer import Performer
from replank.performer.events import Midi, Outcome
from replank.timing.divisions import PPQN

LONGEST = 20_000_000
"""Clocks of the longest take: 115 hours at 120 BPM."""

_CLOCK, _START, _STOP = b"\xf8", b"\xfa", b"\xfc"


@dataclass(slots=True)
class Take:
    """What a performer did.

    Attributes:
        messages: (ns, index into `Setup.outputs`, one whole message), in order.
        notices: What it said, in order.
        cycles: Cycles that began so far.
        end: When it ended, ns.
    """

    messages: list[tuple[int, int, bytes]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    cycles: int = 0
    end: int = 0

    def add(self, now: int, outcome: Outcome) -> None:
        """Take in what came of an event at `now`."""
        self.messages += [(now, output, message) for output, message in outcome.messages]
        if outcome.notices:
            self.notices += outcome.notices
            self.cycles += sum(notice.kind == "cycle" for notice in outcome.notices)

    def cut(self, marks: tuple[int, int, int]) -> None:
        """Forget what came after `marks` (lengths of messages and notices, cycles)."""
        del self.messages[marks[0] :], self.notices[marks[1] :]
        self.cycles = marks[2]

    def marks(self) -> tuple[int, int, int]:
        """Return where the take is now, for `cut`."""
        return len(self.messages), len(self.notices), self.cycles


class Endless(ValueError):
    """So many cycles are longer than `LONGEST` clocks."""


class EvenClock:
    """When the clocks of an exact tempo come: number n at n * 60 s / (24 * tempo)."""

    def __init__(self, tempo: float) -> None:
        self.tempo = tempo
        exact = Fraction(60_000_000_000, PPQN) / Fraction(tempo).limit_denominator(10_000)
        self._over, self._under = exact.numerator, exact.denominator

    def __getitem__(self, number: int) -> int:
        return (2 * number * self._over + self._under) // (2 * self._under)

    def ticks(self, clocks: int) -> TickMap:
        """Return the tempo map of so many clocks; what is sent on a clock has its exact tick."""
        count = max(clocks, PPQN)
        return TickMap([(0, 0), (self[count], count * CLOCK_TICKS)])


def for_clock(setup: Setup) -> tuple[Setup, int]:
    """Return a setup that follows a MIDI clock, and the input that listens for it."""
    clock = replace(setup.clock, source="external", mode="clock", repeated_start="restart")
    for at, one in enumerate(setup.inputs):
        if one.role == "clock":
            return replace(setup, clock=clock), at
    return replace(setup, clock=clock, inputs=(*setup.inputs, Input("clock", "clock"))), len(setup.inputs)


def play_cycles(setup: Setup, seed: int, cycles: int, tempo: float) -> tuple[Take, int]:
    """Play whole cycles to an exact clock and stop where the next one would begin.

    Args:
        setup: Rig and first values; it is made to follow the virtual clock.
        seed: Seed of all chance.
        cycles: How many, 1 or more.
        tempo: Quarter notes per minute.

    Returns:
        The take, and how many clocks it lasted.

    Raises:
        Endless: The cycles are too long.
    """
    setup, port = for_clock(setup)
    clock, take, performer = EvenClock(tempo), Take(), Performer(setup, seed)
    take.add(0, performer.receive(Midi(port, _START), 0))
    number, last, marks, begun = 0, None, take.marks(), 0
    while take.cycles <= cycles:
        if number > LONGEST:
            raise Endless(f"{cycles} cycles are more than {LONGEST} clocks")
        _tick(performer, take, port, clock[number])
        number += 1
        if take.cycles == cycles and last is None:
            last, marks, begun = performer.save(), take.marks(), number
    # Now the first note too many is struck.  The last cycle is played again
    # from where it began, so that Stop comes in that note's place.
    assert last is not None
    take.cut(marks)
    performer = Performer.restore(last)
    for at in range(begun, number - 1):
        _tick(performer, take, port, clock[at])
    take.end = clock[number - 1]
    _reach(performer, take, take.end)
    take.add(take.end, performer.receive(Midi(port, _STOP), take.end))
    take.messages += [(take.end, *release) for release in performer.releases()]
    return take, number - 1


def _tick(performer: Performer, take: Take, port: int, now: int) -> None:
    due = performer.next_deadline()
    if due is not None and due < now:
        _reach(performer, take, now)
    outcome = performer.receive(Midi(port, _CLOCK), now)
    if outcome.messages or outcome.notices:
        take.add(now, outcome)


def _reach(performer: Performer, take: Take, now: int) -> None:
    """Fire the deadlines before `now`, each at its own time."""
    while (due := performer.next_deadline()) is not None and due < now:
        take.add(max(due, performer.now), performer.advance(due))


def sounding_notes(messages: Iterable[tuple[int, int, bytes]]) -> int:
    """Return how many notes are struck."""
    return sum(message[0] & 0xF0 == 0x90 and message[2] > 0 for _, _, message in messages)
