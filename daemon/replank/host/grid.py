"""Whether clocks were lost to everybody around an accident, by the times of those that came before and after.

A MIDI system that loses a client may deliver nothing to anybody for some
periods.  What neither player nor listener heard no count can show, but an
even clock shows it: it comes back a whole number of intervals too late for
the number that it is given.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from statistics import linear_regression, median

Point = tuple[int, int]
"""Number and time, monotonic ns, of a clock."""
POINTS = 48
"""Clocks that are looked at on each side: a second at 120 BPM."""
APART = POINTS // 2
AGAIN = POINTS // 4
"""Clocks after which uneven ones are looked at again."""
MOST_GAP_NS = 8_000_000_000
"""As for a clock that was away (`replank.performer.clocking`): what is further apart is not compared."""
SAME_TEMPO = 0.03
"""By how much the interval may have changed in between, as a share."""
EVEN = 0.7
"""So large a share of the clocks must come within a quarter of an interval of where they should."""
MOST_TWICE = 2.5
"""So many clocks may have been counted twice, at the seam; of more, somebody has renumbered."""
WHOLE = 0.2
"""So near to a whole number of intervals something was lost; otherwise the sender did something of its own."""


class Grid:
    """Compares the clocks after a moment of doubt with those before it."""

    def __init__(self) -> None:
        self._points: deque[Point] = deque(maxlen=POINTS)
        self._before: list[Point] | None = None
        self._looked = 0

    def tick(self, number: int, now: int) -> None:
        """Take a clock that the player took as song clock `number` at `now` (monotonic ns)."""
        if self._points and number != self._points[-1][0] + 1:
            self.forget()  # somebody has renumbered
        self._points.append((number, now))
        self._looked -= 1

    def forget(self) -> None:
        """The sender began anew or went elsewhere: nothing before can be compared."""
        self.moved()
        self._before = None

    def moved(self) -> None:
        """The player was given another number: clocks taken since the doubt do not count with the later ones."""
        self._points.clear()
        self._looked = 0

    def doubt(self) -> None:
        """From now on something may have been lost."""
        if len(self._points) == POINTS:
            self._before = list(self._points)
        self.moved()

    def lost(self) -> int:
        """Return how many clocks were lost, once enough have come since the doubt; 0: none, or nobody can say."""
        before = self._before
        if before is None or len(self._points) < POINTS or self._looked > 0:
            return 0
        after, self._looked = list(self._points), AGAIN
        if after[0][1] - before[-1][1] > MOST_GAP_NS:
            self._before = None
            return 0
        old, new = _interval(before), _interval(after)
        if not old or not new or abs(new - old) > SAME_TEMPO * old:
            return 0
        self._before = None
        interval = (old + new) / 2  # a tempo that changes evenly counts by its mean
        most = (after[0][1] - before[-1][1]) / interval
        shift = (median(_places(after, interval, before[0])) - median(_places(before, interval, before[0]))) / interval
        is_whole = abs(shift - round(shift)) <= WHOLE
        return round(shift) if is_whole and -MOST_TWICE <= shift < most else 0


def _places(points: Iterable[Point], interval: float, origin: Point) -> list[float]:
    """Return how late each comes, ns, on an even grid through `origin`."""
    return [now - origin[1] - interval * (number - origin[0]) for number, now in points]


def _interval(points: list[Point]) -> float:
    """Return the interval on which most of these clocks come, ns; 0 where they are uneven.

    Medians find those that were held up; the others give the interval, by least squares.
    """
    pairs = zip(points, points[APART:], strict=False)
    slopes = [(late - early) / (high - low) for (low, early), (high, late) in pairs if high > low]
    interval = median(slopes) if slopes else 0.0
    places = _places(points, interval, points[0])
    middle = median(places)
    even = [
        (n, now - points[0][1]) for (n, now), at in zip(points, places, strict=True) if abs(at - middle) <= interval / 4
    ]
    return linear_regression(*zip(*even, strict=True)).slope if len(even) >= EVEN * len(points) else 0.0
