"""Pieces for minutes on a virtual clock, one after another, at their own tempos.

The clock is the one that an internal clock would be: it follows the parameter
`tempo` wherever a piece, its plan or its arc moves it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple, Protocol

from replank.control.notices import Notice
from replank.control.setup import Setup
from replank.midi.offline import LEAD_IN, LONGEST, Endless, Take, for_clock, reach, take_in
from replank.performer import Performer
from replank.performer.events import Act, Midi, Outcome
from replank.timing.divisions import PPQN

_CLOCK, _START, _STOP = b"\xf8", b"\xfa", b"\xfc"
MINUTE = 60_000_000_000
"""Nanoseconds."""
NEAR = 1_000_000
"""A bar that begins so little (ns) before a piece's time is over is not begun: clocks are rounded to nanoseconds."""


class Part(NamedTuple):
    """A piece that is played.

    Attributes:
        piece: Its number in the set, from 1; 0 is the line of no set.
        minutes: How long it is played.
        pinned: Steps, from step 1, that are pinned before it begins; only of the first part.
    """

    piece: int
    minutes: float
    pinned: int = 0


class TempoClock:
    """When clocks come whose tempo may change at any of them; rounded to nanoseconds, adding up no error.

    Clock 0 is the first step; the lead-in before it has negative numbers, and begins at 0 ns.
    """

    def __init__(self, tempo: float) -> None:
        self.tempo = tempo
        self._numbers = [-LEAD_IN]
        self._begun = [(Fraction(0), _interval(tempo), tempo)]

    def change(self, number: int, tempo: float) -> None:
        """Let the clocks behind clock `number`, which is not before the last change, come at another tempo."""
        begun, interval, _ = self._begun[-1]
        self._begun.append((begun + (number - self._numbers[-1]) * interval, _interval(tempo), tempo))
        self._numbers.append(number)
        self.tempo = tempo

    def __getitem__(self, number: int) -> int:
        at = max(0, bisect_right(self._numbers, number) - 1)
        begun, interval, _ = self._begun[at]
        exact = begun + (number - self._numbers[at]) * interval
        return (2 * exact.numerator + exact.denominator) // (2 * exact.denominator)

    def tempos(self, clocks: int) -> list[tuple[int, float]]:
        """Return (clock, quarter notes a minute) of each beginning of a tempo in so many clocks; the first at 0."""
        found = {max(0, at): tempo for at, (_, _, tempo) in zip(self._numbers, self._begun, strict=True) if at < clocks}
        return list(found.items())


def _interval(tempo: float) -> Fraction:
    """Return the exact ns between two clocks, by the nearest tempo of a small denominator."""
    return Fraction(MINUTE, PPQN) / Fraction(tempo).limit_denominator(10_000)


class Watch(Protocol):
    """Somebody who looks on while a piece is rehearsed, and changes nothing of it while it plays."""

    def begins(self, performer: Performer, take: Take) -> None:
        """Look at what is prepared, before the first clock."""

    def looks(self, performer: Performer, now: int) -> None:
        """Look at what a clock that came at `now`, ns, has brought."""


def rehearse(setup: Setup, seed: int, parts: Sequence[Part], watch: Watch | None = None) -> Take:
    """Play parts, each to the first bar line at or after its minutes, and stop.

    A piece is brought in as a person would: the first one before Start, each
    other at a bar line.  Where a plan brings in the next one itself, that one's
    minutes count from there.

    Args:
        setup: Rig and set; it is made to follow the virtual clock.
        seed: Seed of the show; pieces with a seed have their own chance.
        parts: One at least.
        watch: Looks on.

    Raises:
        Endless: They are too long.
        ValueError: A piece does not fit the rig.
    """
    setup, port = for_clock(setup)
    performer, first = begun(setup, seed, parts[0])
    tick = Midi(port, _CLOCK)
    clock = TempoClock(performer.values["tempo"])
    take = Take(clock=clock)
    take.add(0, first)
    if watch:
        watch.begins(performer, take)
    for number in range(-LEAD_IN, 0):
        take_in(performer, take, tick, clock[number])
    take.add(clock[-1], performer.receive(Midi(port, _START), clock[-1]))
    left, piece, since, number, is_asked = list(parts), performer.piece, clock[0], 0, False
    minutes = left.pop(0).minutes
    while True:
        now = clock[number]
        is_over = now - since >= minutes * MINUTE - NEAR and performer.transport.bars.is_bar(number)
        if is_over and not left:
            break
        if is_over and is_asked:
            raise ValueError(f"piece {left[0].piece} cannot be brought in: {_refusal(take.notices)}")
        if is_over:
            take.add(performer.now, performer.receive(_entry(left[0], "bar"), performer.now))
            is_asked = True
        if number > LONGEST:
            raise Endless(f"that is more than {LONGEST} clocks")
        take_in(performer, take, tick, now)
        if watch:
            watch.looks(performer, now)
        if performer.values["tempo"] != clock.tempo:
            clock.change(number, performer.values["tempo"])
        if performer.piece != piece:
            piece, since, is_asked = performer.piece, now, False
            # a plan may go on to a piece that is not asked for: what was asked for is over then
            minutes = left.pop(0).minutes if left and left[0].piece == piece else 0.0
        number += 1
    take.clocks = number
    reach(performer, take, take.end)
    take.add(take.end, performer.receive(Midi(port, _STOP), take.end))
    take.messages += [(take.end, *release) for release in performer.releases()]
    return take


def begun(setup: Setup, seed: int, part: Part) -> tuple[Performer, Outcome]:
    """Return a performer that has a piece before it, before any clock, and what came of bringing it in.

    Raises:
        ValueError: The piece does not fit the rig.
    """
    performer = Performer(setup, seed)
    messages, notices = [], []
    acts = [] if performer.piece == part.piece else [_entry(part, "now")]
    acts += [Act("pin", (str(step), "on"), "now", "render") for step in range(1, part.pinned + 1)]
    for act in acts:
        outcome = performer.receive(act, 0)
        messages += outcome.messages
        notices += outcome.notices
    if performer.piece != part.piece:
        raise ValueError(f"piece {part.piece} cannot be brought in: {_refusal(notices)}")
    return performer, Outcome(messages, notices)


def _refusal(notices: Sequence[Notice]) -> str:
    return next((str(one.data["why"]) for one in reversed(notices) if one.kind == "refused"), "the plan forbids it")


def _entry(part: Part, due: str) -> Act:
    return Act("piece", (str(part.piece),), due, "render")
