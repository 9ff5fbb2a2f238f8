"""Playing on without a clock, at the moments that the grid foretells: `dropouts: coast`.

Half an interval after a clock is missed the line plays on, for at most 8 s.
The first clocks that come again are given the nearest place; the tempo
follows them at once, and the line is never set back.  Times are nanoseconds.
"""

from __future__ import annotations

from replank.timing.fit import QUARTER
from replank.timing.judge import COAST, LONGEST, ClockJudge
from replank.timing.trial import Trial
from replank.timing.trying import UNKNOWN

RETURNING = 2
"""Clocks that are given the nearest place: the first may be late, and the second tells."""


def next_at(j: ClockJudge) -> int:
    """Return when to `play_on` if no clock comes until then, ns; -1 where the line does not."""
    interval, trial = j.pace.interval, j.trial
    if j.dropouts != COAST or not j.running or not interval or j.excuse:
        return -1
    if trial is not None and trial.returning == RETURNING:  # none has come since it played on
        at = trial.fit.at + (trial.place + 1 - trial.base) * trial.fit.interval
        return at if at - j.last <= LONGEST else -1
    return j.last + interval + interval // 2


def play_on(j: ClockJudge, now: int) -> int:
    """Count the clocks that should have come by now; return by how many clocks the line moves.

    Where the clock is too uneven or too new to play on by, nothing moves; ask `next_at` again after the next clock.
    """
    trial = j.trial
    if j.dropouts != COAST or not j.running or (trial is None and len(j.stamps) < QUARTER):
        return 0
    if j.is_wary or j.is_burnt or j.is_loose:
        return 0
    if trial is None:
        found = j.fit_grid()
        if found.uneven:
            return 0
        trial = Trial(found, False, j.fresh, j.received, j.last)
        trial.before = found.interval
    if trial.alike:
        return 0  # another tempo has just begun
    by = trial.base + (now - trial.fit.at) // trial.fit.interval - trial.place
    if by <= 0:
        return 0  # by another tempo something is missing, by the grid nothing
    j.trial = trial
    trial.place += by
    trial.coasted += by
    trial.stretch += by
    trial.returning = RETURNING
    trial.credited, trial.calm, trial.ends = True, [], j.last
    if 2 * (3 * trial.fit.unit + trial.fit.reach(trial.place - trial.base)) > trial.fit.interval:
        j.doubts(UNKNOWN)
    return j.played_on(by)
