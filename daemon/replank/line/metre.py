"""Where steps fall in the meter, and what that weighs.

That notes fall on strong places of the meter more often than on weak ones is
published of much music (Palmer and Krumhansl, "Mental representations for
musical meter", 1990); these numbers are our own.
"""

from __future__ import annotations

from functools import lru_cache

from replank.line.steps import STEPS

FIRST, BAR, BEAT, HALF, OFF = range(5)
"""Classes of places: step 1, on a later bar, on a beat, on half a beat, elsewhere."""

STRENGTHS = (1.0, 0.85, 0.7, 0.4, 0.15)
"""How strong a place is when a line is drawn, by class."""
WEIGHTS = (24.0, 16.0, 12.0, 2.0, 0.5)
"""How much an exchange favours a place, by class."""


@lru_cache(maxsize=64)
def place_classes(step: int, bar: int, beat: int) -> tuple[int, ...]:
    """Return the class of each of the 64 steps, the line beginning on a bar.

    Args:
        step, bar, beat: Their lengths in clocks, at least 1; where pulses are
            steps and have no meter, 6, 96 and 24 take a step as a sixteenth.
    """

    def place(index: int) -> int:
        within = index * step % bar
        if index == 0:
            return FIRST
        if within == 0:
            return BAR
        if within % beat == 0:
            return BEAT
        return HALF if 2 * within % beat == 0 else OFF

    return tuple(place(index) for index in range(STEPS))


@lru_cache(maxsize=256)
def exchange_weights(metric: float, places: tuple[int, ...]) -> tuple[float, ...]:
    """Return m of each step: (1 - metric) + metric x the weight of its place."""
    return tuple((1.0 - metric) + metric * WEIGHTS[place] for place in places)
