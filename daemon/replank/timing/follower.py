"""Followers of a clock or of pulses that somebody else sends, however uneven.

`tick` is called for every clock that arrives and does integer arithmetic
only; whatever is for people is worked out when it is asked for.  Times are
integers of nanoseconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Any

from replank.timing.divisions import PPQN
from replank.timing.statistics import KEPT, deviations_ms

WINDOW = 24
"""Intervals in the running mean: one quarter note."""

LOST_AT_LEAST = 500_000_000
"""A clock is lost after four intervals, but not before so many nanoseconds."""

BUNCHED = 1_000_000
"""Clocks closer than this (2500 BPM) were held up together; that is no tempo."""

_NEVER = -1


class ClockFollower:
    """The tempo of a MIDI clock, from the times at which its clocks arrive.

    An interval that differs from the mean by more than a quarter waits for
    the next one.  Two such in the same direction are a new tempo, and the
    mean begins anew with them.  A long one alone, half a clock and more too
    long, is a drop-out and stays out of the mean.  Everything else averages
    out, since late clocks are followed by short intervals.

    Attributes:
        interval: Mean of the last intervals, up to 24, in ns; 0 unknown.
        last: When the last clock came, in ns; -1 never.
        count: Clocks so far.
        dropouts: Gaps so far in which at least one clock was missing.
    """

    __slots__ = ("_deviations", "_odd", "_sum", "_window", "count", "dropouts", "interval", "last")

    def __init__(self) -> None:
        self.count = 0
        self.dropouts = 0
        self._deviations: deque[int] = deque(maxlen=KEPT)
        self.forget()

    def forget(self) -> None:
        """Know no tempo any more; the counts and the deviations stay."""
        self.last = _NEVER
        self.interval = 0
        self._odd = 0
        self._window: deque[int] = deque(maxlen=WINDOW)
        self._sum = 0

    def tick(self, now: int) -> None:
        """Take a clock that came at `now`; times never fall."""
        last, self.last = self.last, now
        self.count += 1
        if last == _NEVER:
            return
        new, mean = now - last, self.interval
        if mean:
            off = new - mean
            if self._odd or (not -mean <= 4 * off <= mean and new >= BUNCHED):
                self._take_odd(new, mean)
                return
            self._deviations.append(off)
        window = self._window
        if len(window) == WINDOW:
            new_sum = self._sum + new - window[0]  # which the append drops
            self.interval = new_sum // WINDOW or 1
        else:
            new_sum = self._sum + new
            self.interval = new_sum // (len(window) + 1) or 1
        self._sum = new_sum
        window.append(new)

    @property
    def steady(self) -> bool:
        """True if a whole quarter note of clocks came evenly enough to estimate by."""
        window = self._window
        return len(window) == WINDOW and not self._odd and 2 * (max(window) - min(window)) <= self.interval

    def lost_after(self) -> int:
        """Return when, in ns, the clock counts as lost if none comes until then."""
        return self.last + max(4 * self.interval, LOST_AT_LEAST)

    def missing(self, now: int) -> int:
        """Return how many clocks, to the nearest whole one, are missing before a clock at `now`."""
        if not self.interval or self.last == _NEVER:
            return 0
        return max(0, (now - self.last + self.interval // 2) // self.interval - 1)

    def tempo(self) -> float | None:
        """Return quarter notes per minute, for people; None while unknown, and of clocks that came bunched."""
        return 60e9 / (PPQN * self.interval) if self.interval >= BUNCHED else None

    def jitter(self) -> dict[str, float] | None:
        """Return p50, p95, p99, max in ms of the last deviations from the mean interval."""
        return deviations_ms(self._deviations)

    def save(self) -> list[Any]:
        """Return everything as plain data."""
        kept = list(self._window), list(self._deviations)
        return [self.last, self.interval, self.count, self.dropouts, self._odd, *kept]

    @classmethod
    def restore(cls, plain: list[Any]) -> ClockFollower:
        """Rebuild what `save` took apart."""
        made = cls()
        made.last, made.interval, made.count, made.dropouts, made._odd = plain[:5]
        made._window.extend(plain[5])
        made._sum = sum(made._window)
        made._deviations.extend(plain[6])
        return made

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ClockFollower) and self.save() == other.save()

    __hash__ = None  # type: ignore[assignment]

    def _take_odd(self, new: int, mean: int) -> None:
        odd, self._odd = self._odd, 0
        is_odd = not -mean <= 4 * (new - mean) <= mean and new >= BUNCHED
        if not odd:
            self._odd = new
        elif is_odd and (odd > mean) == (new > mean):
            # a new tempo, or a gap and then a new tempo: the later one is sure
            agree = 4 * abs(new - odd) <= new
            self.dropouts += not agree and odd > new
            self._begin([odd, new] if agree else [new])
        elif 2 * odd >= 3 * mean and not is_odd and new >= BUNCHED:
            self.dropouts += 1
            self._slide(new, mean)
        else:
            self._slide(odd, mean)
            self._slide(new, mean)

    def bridge(self, now: int) -> None:
        """Before the tick of a clock at `now` behind a gap: the gap is no interval."""
        if self.interval:
            self._odd = 0
            self.last = now - self.interval

    def adopt(self, now: int, interval: int) -> None:
        """Before the tick of a clock at `now`: the tempo is that of its interval."""
        self._odd = 0
        self.last = now - interval
        self._begin([interval])

    def _begin(self, intervals: Iterable[int]) -> None:
        self._window = deque(intervals, maxlen=WINDOW)
        self._sum = sum(self._window)
        self.interval = self._sum // len(self._window) or 1

    def _slide(self, new: int, mean: int) -> None:
        self._deviations.append(new - mean)
        self._begin([*self._window, new])


class PulseFollower:
    """The pace of pulses, one per step; a long pause is music, never a loss.

    Attributes:
        interval: The last interval in ns; 0 unknown.
        last: When the last pulse came, in ns; -1 never.
        count: Pulses so far.
    """

    __slots__ = ("count", "interval", "last")

    def __init__(self) -> None:
        self.last = _NEVER
        self.interval = 0
        self.count = 0

    def tick(self, now: int) -> None:
        """Take a pulse that came at `now`; times never fall."""
        if self.last != _NEVER:
            self.interval = now - self.last or 1
        self.last = now
        self.count += 1

    def forget(self) -> None:
        """Know no interval any more; the count stays."""
        self.last, self.interval = _NEVER, 0

    def save(self) -> list[Any]:
        """Return everything as plain data."""
        return [self.last, self.interval, self.count]

    @classmethod
    def restore(cls, plain: list[Any]) -> PulseFollower:
        """Rebuild what `save` took apart."""
        made = cls()
        made.last, made.interval, made.count = plain
        return made

    def __eq__(self, other: object) -> bool:
        return isinstance(other, PulseFollower) and self.save() == other.save()

    __hash__ = None  # type: ignore[assignment]
