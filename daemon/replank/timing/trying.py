"""What the judge does with clocks that came out of place: opening, running, reviewing and ending a trial.

Each function takes the judge, whose count it moves.  Times are nanoseconds.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from replank.timing.proofs import Credit
from replank.timing.trial import DOUBT, GRID, LEAST_NS, REVIEWS, SHIFTED, TEMPO, Trial, Verdict

if TYPE_CHECKING:
    from replank.timing.judge import ClockJudge

WARY_DOUBT, WARY_TEMPO = 96, 24
"""Clocks without a credit after a doubt, and after a new tempo."""
BURNT = 192
"""Clocks without a credit after the grid was found shifted."""
ROUGH_TRIAL = 192
"""Clocks for which an uneven trial makes the clock loose."""
NEVER_CALM = 240
"""Clocks after which a trial ends that never became calm."""
DOUBLED, DOUBLED_WITHIN = 8, 96
"""More clocks swallowed than this within so many: two senders, or a doubled cable."""
SURE, COUNTED, ESTIMATED, UNKNOWN = range(4)
"""What the count is worth."""


def out_of_place(j: ClockJudge, now: int, gap: int) -> None:
    """Take a clock that came unevenly: open a trial, if it is far enough from the grid."""
    found = j.fit_grid()
    interval, unit = found.interval, found.unit
    early = now - found.at - interval
    if 2 * abs(early) <= interval or abs(early) <= 3 * unit:
        j.count(now)
        return
    trial = j.trial = Trial(found, j.is_loose, j.fresh, j.received, j.last)
    trial.came = trial.place = 1
    trial.before, trial.ends = gap, now
    last_interval = j.last - j.stamps[-2]
    may = j.heals and not (trial.loose or j.is_burnt or j.is_wary)
    if early > 0:
        trial.gap = clocks = trial.slot(now)
        off = abs(now - found.at - clocks * interval)
        tolerance = 3 * unit + interval // 32 + found.reach(clocks)
        is_near = (4 * off <= interval and off <= tolerance) or (clocks >= 4 and 4 * tolerance > interval)
        if may and is_near and not trial.is_alike(gap, last_interval):
            trial.place, trial.credited = clocks, True
            j.news.append(("made up", clocks - 1))
            j.pace.bridge(now)
        if clocks > 4 and (trial.loose or 2 * tolerance > interval):
            j.doubts(UNKNOWN)
    elif may and gap < min(interval // 4, LEAST_NS) and 12 * found.jitter <= interval:
        trial.place, trial.swallowed = 0, 1
        trial.before, trial.calm = last_interval, [j.last]
        _swallow(j)
        return
    trial.calm = [now]
    j.number += trial.place
    j.pace.tick(now)
    j.last = now


def go_on(j: ClockJudge, trial: Trial, now: int, gap: int) -> None:
    """Take a clock of an open trial."""
    if trial.stretch:
        j.news.append(("played on", trial.stretch))
        trial.stretch = 0
    before, was_credited = trial.place, trial.credited
    may = j.heals and not (trial.loose or j.is_burnt) and (was_credited or not j.is_wary)
    if not trial.take(now, gap, may):
        if was_credited:
            j.last = now  # it was late: it did not come twice
            j.news.append(("swallowed", 1))
        else:
            _swallow(j)
        return
    by = trial.place - before
    if trial.alike and by < 1:
        j.news.append(("taken back", 1 - by))
        j.pace.adopt(now, gap)
    elif by > 1 or trial.coasted:
        j.pace.bridge(now)
        if not trial.coasted:
            j.news.append(("made up", by - 1))
    j.number += by
    j.pace.tick(now)
    j.last = now
    if trial.is_new_tempo:
        _close(j, trial, trial.run, TEMPO, joins=False)
    elif len(trial.calm) - 1 in REVIEWS:
        _review(j, trial)
    elif j.received - trial.started >= NEVER_CALM:
        j.doubts(ESTIMATED)
        _place(j, trial, trial.came)
        _close(j, trial, [now], SHIFTED, joins=False)


def drop(j: ClockJudge) -> None:
    """End a trial that nothing can be said about any more: what was counted stays."""
    trial = j.trial
    if trial is None:
        return
    made = trial.place - trial.told
    if made > 0:
        _credit(j, trial, made)
    elif made or trial.gap > 1:
        j.doubts(ESTIMATED)
    j.begin_grid(trial.calm)
    j.trial = None


def take_back(j: ClockJudge, trial: Trial) -> None:
    """Count what came, and nothing that was made up."""
    _place(j, trial, trial.came)


def _swallow(j: ClockJudge) -> None:
    """A clock came twice."""
    j.doubled += 1
    j.news.append(("swallowed", 1))
    oldest = j.received - DOUBLED_WITHIN
    j.swallows = [one for one in j.swallows if one > oldest] + [j.received]
    if len(j.swallows) > DOUBLED:
        j.news.append(("two senders", 0))
        j.swallows = []


def _review(j: ClockJudge, trial: Trial) -> None:
    verdict, size = trial.review(j.is_burnt), len(trial.calm) - 1
    kind, place, own = verdict.kind, verdict.place, trial.fit.interval
    may = j.heals and not trial.loose
    if not may or place < 0:
        place = trial.place if trial.coasted else trial.came
    if size < REVIEWS[-1]:
        if may and (
            (kind == GRID and not (j.is_wary or j.is_burnt))
            or (kind == SHIFTED and (size > REVIEWS[0] or verdict.off >= 2 * verdict.tolerance))
        ):
            _place(j, trial, place)
        _hand_on(trial, verdict, size)
        if kind != GRID or size == REVIEWS[0] or trial.place != verdict.grid:
            return
    else:
        _place(j, trial, place)
    if 2 * verdict.tolerance > own and (trial.gap > 4 or trial.place != trial.told):
        j.doubts(UNKNOWN)
    explains = kind == GRID or (kind == DOUBT and verdict.place >= 0 and 4 * verdict.off <= own)
    if explains and not j.heals and verdict.grid > trial.told:
        j.news.append(("missing", verdict.grid - trial.told))
    _close(j, trial, trial.calm, kind, joins=explains and trial.place == verdict.grid)


def _hand_on(trial: Trial, verdict: Verdict, size: int) -> None:
    """Move the grid on to the calm clocks where they and the count agree, so that a hand is followed."""
    agrees = verdict.grid == trial.place and verdict.kind in (GRID, DOUBT)
    is_near = 2 * verdict.off <= verdict.tolerance and 4 * verdict.off <= trial.fit.interval
    if trial.credited and size == REVIEWS[0] and agrees and is_near:
        trial.hand_on()


def _place(j: ClockJudge, trial: Trial, place: int) -> None:
    """Correct the count."""
    by, trial.place = place - trial.place, place
    trial.credited = place > trial.told
    j.number += by
    if by:
        j.news.append(("made up", by) if by > 0 else ("taken back", -by))


def _close(j: ClockJudge, trial: Trial, stamps: list[int], kind: str, joins: bool) -> None:
    """End a trial: its calm clocks join the grid, or are the new one."""
    made, found = trial.place - trial.told, trial.fit
    j.trial = None
    if trial.loose or found.uneven:
        j.rough = max(j.rough, j.received + ROUGH_TRIAL)
    if joins:
        j.append(stamps)
        if made > 0:
            _credit(j, trial, made)
        if made < 0 or kind == DOUBT:
            j.doubts(ESTIMATED)
        return
    j.fresh = False
    j.begin_grid(stamps)
    if kind == TEMPO:
        j.wary = max(j.wary, j.received + WARY_TEMPO)
        if trial.is_new_tempo:
            return  # the first of them was as long as the others: nothing was lost in it
    elif kind == DOUBT:
        j.wary = max(j.wary, j.received + WARY_DOUBT)
    elif kind == SHIFTED:
        j.burnt = j.received + BURNT
        j.news.append(("shifted", 0))
    j.doubts(COUNTED if trial.is_counted else ESTIMATED)


def _credit(j: ClockJudge, trial: Trial, made: int) -> None:
    j.holes += 1
    j.lost += made + trial.proved
    if j.credits.add(Credit(trial.begins, trial.ends, made + trial.proved, trial.proved)):
        j.doubts(ESTIMATED)


def is_interleaved(intervals: list[int], grain: int) -> bool:
    """Tell whether intervals take turns, one long and one short, as those of two clocks on one cable do.

    Args:
        intervals: The last 24, ns.
        grain: What their stamps are rounded to, ns: that takes turns, too.
    """
    pairs = [a + b for a, b in pairwise(intervals)]
    turns = [b - a for a, b in pairwise(intervals)]
    whole = pairs[0]
    is_even = 8 * (max(pairs) - min(pairs)) <= whole
    takes_turns = all((a < 0) != (b < 0) for a, b in pairwise(turns))
    return is_even and takes_turns and min(abs(one) for one in turns) > max(whole // 6, 2 * grain)
