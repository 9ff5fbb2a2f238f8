"""When the messages of a driver's queue came, though the queue is only looked at now and then.

The driver tells how long after the one before each message came, by a clock of
its own, exactly, and never when.  Each message came after the last look that
found the queue empty, and before the look that found it: every one of them
narrows down where the driver's clock stands in ours, and after some ten the
place is known to a fraction of a millisecond.  Times are nanoseconds of the
monotonic clock, by which the player stamps, too.
"""

from __future__ import annotations

EXACT_NS = 1_500_000
"""Stamps that are surer than this are exact: so far apart player and listener may stamp one message anyway."""
FEW = 12
"""Messages until stamps count as exact: a driver's thread may be held up between its stamp and the queue."""
APART = 2_000
"""Both clocks may run apart by one part in so many: the system's clock may be slewed by 500 ppm (adjtimex(2))."""


class Moments:
    """Turns a driver's intervals into stamps.

    Attributes:
        broken: How often what the driver said cannot have been: intervals were lost, with the messages that they
            belonged to.
    """

    def __init__(self) -> None:
        self.broken = 0
        self._place = 0  # by the driver's clock, of the last message
        self._earliest = self._latest = 0  # what our clock is ahead of the driver's
        self._number = 0
        self._looked = 0

    def take(self, interval: int, after: int, before: int) -> None:
        """Take a message.

        Args:
            interval: Since the one before, by the driver; 0 for the first.
            after: A look at this moment found the queue empty.
            before: The message was there at this moment.
        """
        self._place += interval
        earliest, latest = after - self._place, before - self._place
        if self._number:
            apart = max(interval, before - self._looked) // APART + 1000  # some drivers round to microseconds
            earliest = max(earliest, self._earliest - apart)
            latest = min(latest, self._latest + apart)
        if earliest > latest:
            self.broken += 1
            self._number = 0
            earliest, latest = after - self._place, before - self._place
        self._earliest, self._latest, self._looked = earliest, latest, before
        self._number += 1

    @property
    def place(self) -> int:
        """Return where the last message is by the driver's clock."""
        return self._place

    @property
    def is_exact(self) -> bool:
        """Tell whether stamps are exact."""
        return self._number >= FEW and self.doubt <= EXACT_NS

    @property
    def doubt(self) -> int:
        """Return by how much stamps may be late at most."""
        return self._latest - self._earliest

    def stamp(self, place: int) -> int:
        """Return when a message came that is at a place of the driver's clock."""
        return place + self._latest
