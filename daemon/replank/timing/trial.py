"""The trial of a clock that came where the grid has none: a hole, a burst, a stand-still, a new tempo?

From the first clock that was out of place on, what came is counted beside
what the grid says, until enough clocks have come evenly to tell.  Times are
integers of nanoseconds, places are clocks since the last one of the grid.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from replank.timing.fit import Fit

REVIEWS = (6, 12, 24)
"""Calm intervals after which a trial is reviewed; the last review ends it."""
LEAST_NS = 5_000_000
"""No tempo is above 500 quarter notes a minute: a shorter interval is none."""
TEMPO, DOUBT, GRID, SHIFTED = "tempo", "doubt", "grid", "shifted"
_ALIKE = 5
"""Pairs of odd intervals alike, in a row, that make a new tempo for good."""
_DOUBT_MOST = 48
"""Clocks after which a grid that cannot tell is not asked any more, but for what agrees with the count."""


class Verdict(NamedTuple):
    """What a review finds.

    Attributes:
        kind: tempo: another tempo; doubt: the tolerance cannot tell; grid: the old grid explains the calm clocks;
            shifted: it does not, the sender stood still or was moved.
        place: The count after it, or -1 where it is what came.
        grid: The count that the grid gives.
        off: How far the calm clocks are from the grid, ns.
        tolerance: How far they may be, ns.
    """

    kind: str
    place: int
    grid: int
    off: int
    tolerance: int


class Trial:
    """One trial.

    Attributes:
        fit: The grid when it began.
        base: The place at the moment `fit.at`: 0, or that of the clock which the grid was handed on to.
        base_told: What had come by then, without what was swallowed.
        loose: Nothing is credited or swallowed: the clock is uneven, or was a short while ago.
        fresh: The grid begins where the clock itself began, and not where a trial ended.
        started: Clocks that the judge had received when it began.
        place: Of the last clock.
        came: Clocks received, those that the ear proved included.
        swallowed: Of those, the ones that moved nothing.
        proved: Of those, the ones that only the ear heard.
        credited: The place is ahead of what came.
        gap: The intervals of the gap that began it, to the nearest; 0 where it began early.
        begins, ends: Stamps between which clocks may have been lost, ns.
        before: The interval before, ns.
        alike: Odd intervals in a row that were like the one before.
        run: Stamps of these.
        calm: Stamps of the calm clocks in a row.
        latest: The last intervals, up to 24, ns.
        coasted: Clocks that the line played on by itself, at the grid's moments.
        stretch: Of those, the ones since a clock came.
        returning: So many of the next clocks are given the nearest place: the clock comes again.
    """

    __slots__ = (
        "alike", "base", "base_told", "before", "begins", "calm", "came", "coasted", "credited", "ends", "fit", "fresh",
        "gap", "latest", "loose", "place", "proved", "returning", "run", "started", "stretch", "swallowed",
    )  # fmt: skip

    def __init__(self, fit: Fit, loose: bool, fresh: bool, started: int, begins: int) -> None:
        self.fit = fit
        self.loose = loose
        self.fresh = fresh
        self.started = started
        self.begins = self.ends = begins
        self.base = self.base_told = self.place = self.came = self.swallowed = self.proved = self.gap = 0
        self.credited = False
        self.coasted = self.stretch = self.returning = self.before = self.alike = 0
        self.run: list[int] = []
        self.calm: list[int] = []
        self.latest: list[int] = []

    def slot(self, now: int) -> int:
        """Return the place of the grid that is nearest to a moment."""
        fit = self.fit
        return self.base + (now - fit.at + fit.interval // 2) // fit.interval

    def is_odd(self, interval: int) -> bool:
        """Tell whether an interval may be one of another tempo."""
        own = self.fit.interval
        return 8 * interval >= 11 * own or (8 * interval <= 5 * own and interval >= LEAST_NS)

    def take(self, now: int, interval: int, may_swallow: bool) -> bool:
        """Count a clock that came `interval` after the last; return False where it is swallowed.

        Args:
            now: When it came.
            interval: Since the last one.
            may_swallow: False where everything that comes is counted.
        """
        own = self.fit.interval
        before, self.before = self.before, interval
        is_calm = own <= 2 * interval <= 3 * own
        self.came += 1
        self.latest = [*self.latest[-23:], interval]
        was_returning = self.returning
        self.returning -= was_returning > 0
        if self.is_alike(interval, before):
            self.run = [*self.run, now] if self.alike else [now - interval - before, now - interval, now]
            self.alike += 1
            if self.coasted and self.run[0] != self.begins:
                self.place += 1  # after a silence the tempo is another
            else:
                self.place, self.credited = self.came, False
            self.calm = []
            self.ends = now
            return True
        self.alike, self.run = 0, []
        if self.coasted and not is_calm and (was_returning or interval < LEAST_NS):  # it is given the nearest place
            self.place = self.slot(now)
            self.calm, self.ends = [now], now
            return True
        if may_swallow and interval < min(own // 4, LEAST_NS) and self.slot(now) <= self.place and self._may_be_late():
            self.swallowed += 1
            if self.credited:
                self.calm, self.ends = [], now
            self.before = before
            return False
        if self.credited and 2 * interval > 3 * max(own, self._calm_interval()):
            self.place = max(self.slot(now), self.place + 1)
        else:
            self.place += 1
        if is_calm and self.calm:
            self.calm.append(now)
        else:
            self.calm = [now]
            self.ends = now
        return True

    def _calm_interval(self) -> int:
        """Return the mean of the calm intervals, 0 where there is none."""
        calm = self.calm
        return (calm[-1] - calm[0]) // (len(calm) - 1) if len(calm) > 1 else 0

    def is_alike(self, interval: int, before: int) -> bool:
        """Tell whether two intervals in a row may be of one new tempo."""
        if not (self.is_odd(interval) and self.is_odd(before)):
            return False
        own = self.fit.interval
        return (interval > own) == (before > own) and 4 * abs(interval - before) <= min(interval, before)

    def _may_be_late(self) -> bool:
        return self.credited or 12 * self.fit.jitter <= self.fit.interval

    @property
    def is_new_tempo(self) -> bool:
        """True once enough odd intervals were alike."""
        return self.alike >= _ALIKE

    @property
    def told(self) -> int:
        """Return the count of what came and moved the line."""
        return self.came - self.swallowed

    @property
    def is_counted(self) -> bool:
        """True in a rough clock where just what came was counted, and the gap was short: nothing was made up."""
        return self.place == self.told and 12 * self.fit.jitter > self.fit.interval and self.gap <= 4

    def review(self, is_burnt: bool) -> Verdict:
        """Judge by the calm clocks, of which a sixth, twelfth or twenty-fourth interval has just come."""
        fit, calm = self.fit, self.calm
        size = len(calm) - 1
        own, unit, half = fit.interval, fit.unit, size // 2
        now = (sum(calm[-half:]) - sum(calm[:half])) // (half * (size + 1 - half))
        change = now - own
        is_same = abs(change) <= 8 * unit // size + own // 256
        is_kept = fit.even and is_same
        between = own if is_kept else (own + now) // 2
        first = sum(calm) // (size + 1) - size * (own if is_kept else now) // 2 - fit.at
        place = (first + between // 2) // between
        off = abs(first - place * between)
        nth = REVIEWS.index(size)
        tolerance = unit * (6, 5, 4)[nth] // 4 if is_kept else unit * (8, 7, 6)[nth] // 2
        if fit.even:
            tolerance += 12 * fit.lean
        tolerance += own // 32 + fit.reach(max(place, 0), None if fit.even else change)
        count = self.base + place + size
        if 8 * abs(change) > own and not is_same:
            return Verdict(TEMPO, -1, count, off, tolerance)
        if 4 * tolerance > own:
            is_known = count == self.place or self.told - self.base_told <= _DOUBT_MOST
            tells = 8 * fit.jitter <= own and is_known and not self.loose and not is_burnt
            tells = tells and (4 * off <= own or place >= 3)
            return Verdict(DOUBT, count if tells else -1, count, off, tolerance)
        if not fit.known and count != self.told and not (self.fresh and 2 * off <= tolerance):
            return Verdict(DOUBT, -1, count, off, tolerance)
        if off <= tolerance and count >= self.told:
            return Verdict(GRID, count, count, off, tolerance)
        return Verdict(SHIFTED, -1, count, off, tolerance)

    def prove(self) -> int:
        """The ear heard one clock of the gap; return 1 where it was not made up yet."""
        was_made = self.place > self.told
        self.came += 1
        self.proved += 1
        if was_made:
            return 0
        self.place += 1
        return 1

    def hand_on(self) -> None:
        """Go on from the calm clocks, so that a hand is followed."""
        size = len(self.calm) - 1
        self.fit = self.fit._replace(at=sum(self.calm) // (size + 1) + size * self.fit.interval // 2)
        self.base, self.base_told = self.place, self.told

    def save(self) -> list[Any]:
        """Return everything as plain data."""
        plain = [list(one) if isinstance(one := getattr(self, name), (list, Fit)) else one for name in self.__slots__]
        return list(plain)

    @classmethod
    def restore(cls, plain: list[Any]) -> Trial:
        """Rebuild what `save` took apart."""
        made = cls.__new__(cls)
        for name, value in zip(cls.__slots__, plain, strict=True):
            setattr(made, name, list(value) if isinstance(value, list) else value)
        made.fit = Fit(*plain[cls.__slots__.index("fit")])
        return made
