"""Fit: how well a tone stands beside its neighbours.

Small intervals prevail in melodies (Vos and Troost, "Ascending and descending
melodic intervals", 1989; Huron, *Sweet Anticipation*, 2006), and a melody is
well described as range times proximity times key (Temperley, "A probabilistic
model of melody perception", 2008).  The numbers are those of the walk by which
lines are drawn, falling on beyond three degrees.
"""

from __future__ import annotations

from collections.abc import Sequence

NEARNESS = (0.6, 1.0, 0.4, 0.3, 0.04, 0.02, 0.008) + (0.004,) * 121
"""What a tone weighs beside a neighbour that is 0, 1, 2 ... degrees away."""


def neighbours(heard: Sequence[bool], index: int) -> tuple[int, int]:
    """Return the nearest other heard steps before and after a step, round the ring.

    Returns:
        The same step twice where there is only one, (-1, -1) where there is none.
    """
    count = len(heard)
    before = index - 1
    while before > index - count and not heard[before]:  # below 0 counts from the end
        before -= 1
    if before == index - count:
        return -1, -1
    after = index + 1 - count
    while not heard[after]:
        after += 1
    return before % count, after % count


def pick(weights: Sequence[float], number: float) -> int:
    """Return the place that a number in [0, 1) chooses among weights above 0."""
    total = 0.0
    for weight in weights:  # not sum(): since Python 3.12 it rounds otherwise
        total += weight
    mark, last = number * total, len(weights) - 1
    for place in range(last):
        if mark < weights[place]:
            return place
        mark -= weights[place]
    return last
