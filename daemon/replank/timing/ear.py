"""What a second listener heard of the clock and the record lacks, found by stamps and never by counts.

Two counts that are taken at different moments differ where nothing was lost.
Two lists of stamps can be laid beside each other: clocks of both that came
together are the same one, and between two such pairs nothing is left to guess.
Times are integers of nanoseconds of one time base.
"""

from __future__ import annotations

from collections import deque

TOGETHER_NS = 4_000_000
"""Stamps of one clock differ by at most so much, and by at most a third of an interval."""
KEPT = 4096
"""Stamps that wait: 80 s at 120 BPM."""


class Ear:
    """Lays the ear's clocks beside the record's.

    Args:
        together: How much two stamps of one clock may differ, ns; a third of an interval at most counts.
    """

    def __init__(self, together: int = TOGETHER_NS) -> None:
        self._together = together
        self._heard: deque[int] = deque(maxlen=KEPT)
        self._recorded: deque[int] = deque(maxlen=KEPT)
        self._begun = False

    def heard(self, stamp: int) -> None:
        """Take a clock that the ear heard; stamps never fall."""
        self._heard.append(stamp)

    def recorded(self, stamp: int) -> None:
        """Take a clock of the record; stamps never fall."""
        self._recorded.append(stamp)

    def forget(self) -> None:
        """Begin anew: one of both missed what nobody may count, a cable was moved."""
        self._begun = False
        self._heard.clear()
        self._recorded.clear()

    def lacking(self, interval: int) -> list[int]:
        """Return the stamps of clocks that were heard and not recorded, each of them once.

        A clock is lacking for certain once a later one was heard and recorded
        together.  Between two such pairs a clock that came late to the record
        stands for one that was heard.

        Args:
            interval: Of the clock, ns; 0 where it is not known yet: then nothing is certain.
        """
        if interval <= 0:
            return []
        within = min(interval // 3, self._together)
        ear, record = list(self._heard), list(self._recorded)
        lost: list[int] = []
        e = r = ear_done = record_done = 0
        while e < len(ear) and r < len(record):
            apart = ear[e] - record[r]
            if abs(apart) <= within:
                alone, late = ear[ear_done:e], r - record_done
                if self._begun:  # what one of both heard before the other began is no loss
                    lost += alone[: max(0, len(alone) - late)]
                self._begun = True
                e, r = e + 1, r + 1
                ear_done, record_done = e, r
            elif apart < 0:
                e += 1
            else:
                r += 1
        for _ in range(ear_done):
            self._heard.popleft()
        for _ in range(record_done):
            self._recorded.popleft()
        return lost
