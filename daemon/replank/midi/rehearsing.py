"""Pieces for minutes on a virtual clock, one after another, at their own tempos.

The clock is the one that an internal clock would be: it follows the parameter
`tempo` wherever a piece, its plan or its arc moves it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from replank.control.setup import Setup
from replank.midi.offline import LEAD_IN, LONGEST, Endless, Take, for_clock, reach, take_in
from replank.performer import Performer
from replank.performer.events import Act, Midi
from replank.timing.divisions import PPQN

_CLOCK, _START, _STOP = b"\xf8", b"\xfa", b"\xfc"
_MINUTE = 60_000_000_000
_NEAR = 1_000_000
"""A bar that begins so little (ns) before a piece's time is over is not begun: clocks are rounded to nanoseconds."""


class Part(NamedTuple):
    """A piece of a set by its number, from 1 (0: the line of no set), and the minutes that it is played."""

    piece: int
    minutes: float


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
    return Fraction(_MINUTE, PPQN) / Fraction(tempo).limit_denominator(10_000)


def rehearse(setup: Setup, seed: int, parts: Sequence[Part]) -> Take:
    """Play parts, each to the first bar line at or after its minutes, and stop.

    A piece is brought in as a person would: the first one before Start, each
    other at a bar line.  Where a plan brings in the next one itself, that one's
    minutes count from there.

    Args:
        setup: Rig and set; it is made to follow the virtual clock.
        seed: Seed of the show; pieces with a seed have their own chance.
        parts: One at least.

    Raises:
        Endless: They are too long.
        ValueError: A piece does not fit the rig.
    """
    setup, port = for_clock(setup)
    performer, tick = Performer(setup, seed), Midi(port, _CLOCK)
    first = None
    if performer.piece != parts[0].piece:
        first = performer.receive(_entry(parts[0], "now"), 0)
    clock = TempoClock(performer.values["tempo"])
    take = Take(clock=clock)
    if first is not None:
        take.add(0, first)
        if performer.piece != parts[0].piece:
            raise ValueError(f"piece {parts[0].piece} cannot be brought in: {_refusal(take)}")
    for number in range(-LEAD_IN, 0):
        take_in(performer, take, tick, clock[number])
    take.add(clock[-1], performer.receive(Midi(port, _START), clock[-1]))
    left, piece, since, number, is_asked = list(parts), performer.piece, clock[0], 0, False
    minutes = left.pop(0).minutes
    while True:
        now = clock[number]
        is_over = now - since >= minutes * _MINUTE - _NEAR and performer.transport.bars.is_bar(number)
        if is_over and not left:
            break
        if is_over and is_asked:
            raise ValueError(f"piece {left[0].piece} cannot be brought in: {_refusal(take)}")
        if is_over:
            take.add(performer.now, performer.receive(_entry(left[0], "bar"), performer.now))
            is_asked = True
        if number > LONGEST:
            raise Endless(f"that is more than {LONGEST} clocks")
        take_in(performer, take, tick, now)
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


def _refusal(take: Take) -> str:
    return next(
        (str(one.data["why"]) for one in reversed(take.notices) if one.kind == "refused"), "the plan forbids it"
    )


def _entry(part: Part, due: str) -> Act:
    return Act("piece", (str(part.piece),), due, "render")
