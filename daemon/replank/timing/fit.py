"""The grid: the line that the last 96 clocks lie on, and how far it can be trusted.

Times are integers of nanoseconds; only integers and an integer square root
are used, so that every machine judges alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

BLOCK = 12
"""Clocks of a block: half a quarter note.  Means of blocks carry the tempo."""
KEPT = 96
"""Clocks of the grid: a bar of four quarter notes, eight blocks.  A mean over 24 does not carry a hole of 100."""
QUARTER = 24
"""Clocks whose scatter is the jitter; fewer make no grid."""
_EVEN_BLOCKS = 4


class Fit(NamedTuple):
    """What the grid says.

    Attributes:
        at: Where the last clock of the grid should have come, ns.
        interval: Of its clocks, ns, at least 1.
        jitter: Standard deviation of single clocks, as estimated from their mean deviation, ns.
        wander: Mean change of the time of twelve clocks from block to block, ns.
        lean: How far the last interval and that of the whole grid differ, ns.
        known: False where the grid is too short to show a wander.
        even: True where the whole grid is one straight line.
        uneven: True where one lost clock cannot be seen: jitter above a sixth, or wander above an eighth.
    """

    at: int
    interval: int
    jitter: int
    wander: int
    lean: int
    known: bool
    even: bool
    uneven: bool

    @property
    def unit(self) -> int:
        """Return the uncertainty of one clock, ns."""
        return max(self.jitter, 2 * self.wander)

    def reach(self, clocks: int, change: int | None = None) -> int:
        """Return how far, in ns, the tempo may have wandered over so many clocks beyond the grid.

        Args:
            clocks: How many.
            change: By how much the interval is known to have changed meanwhile, ns; None where nothing is known.
        """
        if self.even:
            return clocks * (self.jitter_unit_share() + self.lean)
        known = clocks * self.wander // 8 if change is None else clocks * abs(change) // 4
        return self.wander * clocks * root(clocks) // 16 + known

    def jitter_unit_share(self) -> int:
        """Return the error of the interval of an even grid, ns a clock."""
        return self.unit // 64 + self.interval // 4096


def root(number: int) -> int:
    """Return the integer square root of 0 or more, by Newton's iteration from above."""
    if number < 2:
        return number
    found = 1 << (number.bit_length() + 1) // 2
    while (better := (found + number // found) // 2) < found:
        found = better
    return found


def fit(numbers: Sequence[int], stamps: Sequence[int], grain: int = 0) -> Fit:
    """Lay the line through clocks.

    Args:
        numbers: Of the clocks, rising; the last 96 count.  After a healed hole they have a gap.
        stamps: When they came, ns.
        grain: What the stamps are rounded to, ns; 0 where they are exact.

    Raises:
        ValueError: Fewer than 24 clocks.
    """
    size = len(numbers)
    if size < QUARTER:
        raise ValueError(f"{size} clocks make no grid; it takes {QUARTER}")
    blocks = min(size, KEPT) // BLOCK
    places = [sum(numbers[at : at + BLOCK]) for at in range(size - blocks * BLOCK, size, BLOCK)]
    times = [sum(stamps[at : at + BLOCK]) for at in range(size - blocks * BLOCK, size, BLOCK)]
    near = (times[-1] - times[-2]) // (places[-1] - places[-2]) or 1
    whole = (times[-1] - times[0]) // (places[-1] - places[0]) or 1
    lean = abs(near - whole)
    wander = 0
    if blocks > 2:
        step, wide = times[1] - times[0], places[1] - places[0]
        for i in range(2, blocks):
            next_step, next_wide = times[i] - times[i - 1], places[i] - places[i - 1]
            wander += abs(next_step - step * next_wide // wide)
            step, wide = next_step, next_wide
        wander //= BLOCK * (blocks - 2)

    last_numbers, last_stamps = numbers[size - QUARTER :], stamps[size - QUARTER :]
    place, time = places[-1] + places[-2], times[-1] + times[-2]
    # in 24ths of a nanosecond: time + (number * 24 - place) * interval
    base = time - place * near
    slope = QUARTER * near
    scatter = 0
    for number, stamp in zip(last_numbers, last_stamps, strict=True):
        scatter += abs(QUARTER * stamp - base - number * slope)
    jitter = max(5 * scatter // (4 * QUARTER * QUARTER), grain // 3)

    even = blocks >= _EVEN_BLOCKS and wander <= jitter + near // 1024 and lean <= jitter // 8 + near // 1024
    last = numbers[-1]
    if even:
        interval = whole
        at = (time + (QUARTER * last - place) * interval) // QUARTER
    else:
        interval = whole if blocks == 8 and 12 * lean <= wander else near
        at = (times[-1] + (BLOCK * last - places[-1]) * interval) // BLOCK
    uneven = 6 * jitter > interval or 8 * wander > interval
    return Fit(at, interval, jitter, wander, lean, blocks > 2, even, uneven)
