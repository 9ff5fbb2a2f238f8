"""A new line: drawn by a walk over the scale, or written by a person.

The walk's probabilities are common practice turned into numbers, without a
published source.
"""

from __future__ import annotations

from collections.abc import Sequence

from replank.line.chance import Numbers
from replank.line.lenses import Lens, reflect, root_pitch
from replank.line.steps import STEPS, Rolls, Step, Written, as_written, rolls_of

SLOTS = 8
"""Numbers that each step of a new line has for itself."""
_MOVE, _WAY, _LEAP, _REST, _ACCENT, _VELOCITY, _LINK = range(7)

REPEATS, BY_ONE, BY_TWO = 0.15, 0.50, 0.20
"""Chances that the walk repeats its tone, moves one degree, moves two; the
rest are leaps of three degrees up to `leap`."""

_BELOW_ONE = 1.0 - 2.0**-53


def draw(lens: Lens, leap: int, numbers: Numbers, before: Sequence[Step] | None = None) -> tuple[Step, ...]:
    """Draw a line of 64 steps.

    Step 1 is the root nearest to the middle of the register, and its rest roll
    lies in the upper tenth, so that thinning takes it last.  Then a walk over
    the scale tones of the register, which reflects at its edges.

    Args:
        lens: Root, scale and register.
        leap: The largest move in degrees, 1 to 14.
        numbers: A fixed count is used: `SLOTS` a step, from its present slot.
        before: The line until now: its pinned steps are kept, and the walk
            goes on from them.
    """
    first = numbers.slot
    numbers.slot += SLOTS * STEPS
    place = lens.degree_index(root_pitch(lens))
    steps = []
    for index in range(STEPS):
        slot = first + SLOTS * index
        if index > 0:
            place = reflect(place + _move(leap, numbers, slot), len(lens.tones))
        if before is not None and before[index].pinned:
            steps.append(before[index])
            place = lens.degree_index(lens.base(before[index]))
            continue
        steps.append(_rolled(lens.tones[place], numbers, slot, 0.9 if index == 0 else 0.0))
    return tuple(steps)


def written(line: Sequence[Written], numbers: Numbers, rolls: Sequence[Rolls] = ()) -> tuple[Step, ...]:
    """Return the 64 steps of a written line, repeated as often as it fits.

    Without rolls they are drawn, for each of the 64 steps.  The rest rolls then lie in the
    upper half, so that a written melody is whole until `rest_chance` passes one
    half, and thins from there.

    Args:
        line: What is written, 1 to 64 steps.
        numbers: A fixed count is used, as by `draw`.
        rolls: Of each step of `line`, repeated with it; empty: drawn.

    Raises:
        ValueError: No step.
    """
    if not line:
        raise ValueError("a written line needs at least one step")
    first = numbers.slot
    numbers.slot += SLOTS * STEPS
    steps = []
    for index in range(STEPS):
        place = index % len(line)
        drawn = _rolled(line[place].pitch, numbers, first + SLOTS * index, 0.9 if index == 0 else 0.5)
        steps.append(as_written(line[place], rolls[place] if rolls else rolls_of(drawn)))
    return tuple(steps)


def _move(leap: int, numbers: Numbers, slot: int) -> int:
    """Return one move of the walk, in degrees, up positive."""
    kind = numbers.at(slot + _MOVE)
    if kind < REPEATS:
        return 0
    if kind < REPEATS + BY_ONE:
        size = 1
    elif kind < REPEATS + BY_ONE + BY_TWO:
        size = 2
    else:
        size = 3 + int(numbers.at(slot + _LEAP) * max(leap - 2, 1))
    size = min(size, leap)
    return size if numbers.at(slot + _WAY) < 0.5 else -size


def _rolled(pitch: int, numbers: Numbers, slot: int, lowest_rest: float) -> Step:
    """Return a step of a pitch with new rolls, its rest roll in [lowest_rest, 1)."""
    rest = lowest_rest + (1.0 - lowest_rest) * numbers.at(slot + _REST)
    return Step(
        pitch=pitch,
        rest=min(rest, _BELOW_ONE),
        accent=numbers.at(slot + _ACCENT),
        velocity=numbers.at(slot + _VELOCITY),
        link=numbers.at(slot + _LINK),
    )
