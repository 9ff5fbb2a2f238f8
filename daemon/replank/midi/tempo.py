"""Between moments and ticks: the tempo map of a MIDI file.

A tick is a 960th of a quarter note, so a MIDI clock is 40 ticks exactly.
Tempo in a file is whole microseconds per quarter note, at most 2**24 - 1
(Standard MIDI File 1.1, Set Tempo).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import pairwise

from replank.timing.divisions import PPQN
from replank.timing.follower import BUNCHED

TICKS = 960
"""Ticks per quarter note."""

CLOCK_TICKS = TICKS // PPQN
"""Ticks per MIDI clock."""

SLOWEST = 2**24 - 1
"""Microseconds per quarter note of the slowest tempo that a file can hold."""

_TOLERANCE = 100_000
_US = 1_000_000
"""Picoseconds in a microsecond."""
_LONGEST_CLOCK = SLOWEST * 1000 // PPQN
_PAUSE = 4


def tempo_us(beats_per_minute: float) -> int:
    """Return whole microseconds per quarter note of a tempo, the nearest."""
    return round(60_000_000 / beats_per_minute)


class TickMap:
    """A rising list of (ns, tick) pairs; between them time runs evenly."""

    def __init__(self, knots: Sequence[tuple[int, int]]) -> None:
        """Take the pairs.

        Raises:
            ValueError: Fewer than two, or not rising in both.
        """
        if len(knots) < 2:
            raise ValueError("a tempo map needs two moments at least")
        for (a_ns, a_tick), (b_ns, b_tick) in pairwise(knots):
            if b_ns <= a_ns or b_tick <= a_tick:
                raise ValueError(f"tick {b_tick} at {b_ns} ns does not come after tick {a_tick} at {a_ns} ns")
        self.knots = list(knots)
        self._ns = [ns for ns, _ in knots]

    @classmethod
    def of_clocks(cls, times: Iterable[int]) -> TickMap:
        """Return the map of a clock as it was received, 40 ticks to each clock.

        Uneven clocks keep their moments.  In a pause (four of the last
        intervals and more, or what one clock of the slowest tempo cannot
        last) time goes on at the last pace, in whole quarter notes.  Clocks
        that came at one moment are spread by a microsecond.

        Args:
            times: Nanoseconds at which clocks arrived; never falling.

        Raises:
            ValueError: Fewer than two clocks.
        """
        knots: list[tuple[int, int]] = []
        pace = 0
        for now in times:
            if not knots:
                knots.append((now, 0))
                continue
            last, tick = knots[-1]
            now = max(now, last + 1000)
            gap = now - last
            clocks = 1
            if gap > _LONGEST_CLOCK or (pace and gap >= _PAUSE * pace):
                clocks = max(1, round(gap / (pace or 20_833_333) / PPQN)) * PPQN
                clocks = max(clocks, -(-gap // _LONGEST_CLOCK))
            elif gap >= BUNCHED:
                pace = gap
            knots.append((now, tick + clocks * CLOCK_TICKS))
        return cls(knots)

    def tick(self, now: int) -> int:
        """Return the tick nearest to a moment; before and after the pairs the pace goes on."""
        at = min(max(bisect_right(self._ns, now) - 1, 0), len(self.knots) - 2)
        (a_ns, a_tick), (b_ns, b_tick) = self.knots[at], self.knots[at + 1]
        span = b_ns - a_ns
        return a_tick + (2 * (now - a_ns) * (b_tick - a_tick) + span) // (2 * span)

    def tempos(self, tolerance: int = _TOLERANCE) -> list[tuple[int, int]]:
        """Return the tempo changes of a file: (tick, microseconds per quarter note).

        A tempo is kept as long as the file would play each pair within
        `tolerance` ns of its moment; then the next one makes up for it.
        """
        found: list[tuple[int, int]] = []
        at, tick, tempo = self.knots[0][0] * 1000, self.knots[0][1], 0  # picoseconds, so that nothing adds up
        for ns, next_tick in self.knots[1:]:
            due = at + (next_tick - tick) * tempo * _US // TICKS
            if not tempo or abs(due - ns * 1000) > tolerance * 1000:
                for tempo, ticks in _whole_tempos((ns * 1000 - at) * TICKS, next_tick - tick, tolerance * 1000):
                    if not found or found[-1][1] != tempo:
                        found.append((tick, tempo))
                    at, tick = at + ticks * tempo * _US // TICKS, tick + ticks
            else:
                at, tick = due, next_tick
        return found


def _whole_tempos(wanted: int, ticks: int, tolerance: int) -> list[tuple[int, int]]:
    """Return (tempo, ticks) of whole microseconds that last `wanted` / `TICKS` picoseconds together.

    One where rounding stays inside the tolerance, else two that differ by one.
    """
    nearest = (2 * wanted + ticks * _US) // (2 * ticks * _US)
    if abs(nearest * ticks * _US - wanted) <= tolerance * TICKS or not 1 <= nearest < SLOWEST:
        return [(min(max(nearest, 1), SLOWEST), ticks)]
    low = max(1, wanted // (ticks * _US))
    longer = (wanted - low * ticks * _US) // _US
    return [(low, ticks - longer), (low + 1, longer)] if longer else [(low, ticks)]
