"""The judge of the clock, on clocks whose truth is known (scripts/benchparts/clocks.py shares no code with it).

Each promise is a check that broken judges must fail.  Jitter is a standard
deviation as a share of the interval: 1/24 is 0.9 ms at 120 BPM.  scripts/clocks
runs many more of each class and writes the table in docs/measured.md.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random
from typing import Any

import pytest
from scripts.benchparts.clocks import CLASSES, Case, make
from scripts.benchparts.hours import PERIOD_NS, callback_stamps, clock_hour
from scripts.benchparts.judged import STEADY, TEMPO, TO_24, TO_400, UNTOUCHED, Row, band_of
from scripts.benchparts.judging import Line, feed, run

from replank.timing.fit import fit
from replank.timing.judge import WAIT, ClockJudge

MS = 1_000_000
T = 20_833_333
"""The interval at 120 BPM, ns."""
Make = Callable[[int], ClockJudge]


# -- broken judges --------------------------------------------------------------


class CreditsNothing(ClockJudge):
    def __init__(self, grain: int = 0) -> None:
        super().__init__(grain, WAIT)


class CreditsAnyGap(ClockJudge):
    """Makes up whatever is missing to the nearest clock, and never asks again."""

    def clock(self, now: int) -> int:
        gap, interval = now - self.last, self.pace.interval
        moved = super().clock(now)
        if self.received > 24 and interval and self.trial is not None:
            more = max(0, (gap + interval // 2) // interval - 1)
            self.trial = None
            self.number += more
        return moved


class LockedAfterCredit(ClockJudge):
    """Takes a credit that the grid has confirmed for proved."""

    @property
    def word(self) -> str:
        self.credits.forget()
        return super().word


class LockedTooSoon(ClockJudge):
    """Says locked from the first clock on."""

    @property
    def word(self) -> str:
        return "locked" if self.doubt == 0 else super().word


class MeanOf24(ClockJudge):
    """Goes by the last quarter note alone."""

    def fit_grid(self) -> Any:
        return fit(list(self.numbers)[-24:], list(self.stamps)[-24:], self.grain)


class Deaf(ClockJudge):
    """Is not told what its stamps are rounded to."""

    def __init__(self, grain: int = 0) -> None:
        super().__init__(0)


# -- checks ----------------------------------------------------------------------


def rows(
    classes: Sequence[str], cases: int, make_judge: Make, band: str | None = STEADY, first: int = 5000
) -> list[Row]:
    """Return the rows of so many cases of each class that are of a band."""
    found = []
    for cls in classes:
        seed, left = 5000 * len(CLASSES) + CLASSES.index(cls), cases
        while left:
            case = make(seed)
            if band is None or band_of(case.rel, case.drift) == band:
                found.append(Row(cls, band or "", run(Line(make_judge(case.grain)), case)))
                left -= 1
            seed += len(CLASSES)
    return found


def check_right(classes: Sequence[str], cases: int, least: float, make_judge: Make = ClockJudge, **which: Any) -> None:
    got = rows(classes, cases, make_judge, **which)
    right = 100 * sum(row.result.right for row in got) / len(got)
    assert right >= least, f"right in {right:.1f} % of {', '.join(classes)}"


def check_never_wrong_and_locked(classes: Sequence[str], cases: int, make_judge: Make = ClockJudge) -> None:
    for row in rows(classes, cases, make_judge):
        assert row.result.right or not row.result.locked, f"locked while wrong: {row.cls}"


def check_grain(make_judge: Make = ClockJudge) -> None:
    for bpm in (114, 120):
        line = Line(make_judge(PERIOD_NS))
        line.start()
        for i, stamp in enumerate(callback_stamps(bpm, 3000)):
            line.clock(stamp)
            assert line.pos == i, f"moved by stamps of 21.3 ms at {bpm} BPM"


def cold(lost: Sequence[int], seed: int, clocks: int = 60) -> list[tuple[int, int]]:
    """A clock right after a cold Start, of which some are lost: (number, stamp)."""
    r = Random(seed)
    return [(i, int(1e9 + i * T + r.gauss(0, 0.4) * MS)) for i in range(clocks) if i not in lost]


def check_cold(make_judge: Make = ClockJudge) -> None:
    for seed in range(40):
        at = 2 + seed % 20
        line = Line(make_judge(0))
        line.start()
        for number, stamp in cold((at, at + 1), seed):
            line.clock(stamp)
            assert line.pos == number or line.word != "locked", "locked while wrong in the first quarter note"


def check_new(make_judge: Make = ClockJudge) -> None:
    """A hole in the second to fourth quarter note after a cold Start is healed after 24 calm clocks."""
    right = 0
    for seed in range(60):
        at, lost = 24 + seed, 1 + seed % 12
        line = Line(make_judge(0))
        line.start()
        for _, stamp in cold(range(at, at + lost), seed, clocks=150):
            line.clock(stamp)
        right += line.pos == 149
    assert right >= 57, f"{right} of 60 holes in a new clock were healed"


# -- what it counts --------------------------------------------------------------


def test_holes_of_up_to_a_quarter_note_are_healed():
    check_right(TO_24, 100, 99.5)


def test_longer_holes_are_healed():
    check_right(TO_400, 60, 99)


def test_a_wobbling_plug_bursts_and_clocks_that_came_twice_are_counted_rightly():
    check_right(("wobble", "burst", "burst_part", "dup1", "dup_many"), 60, 99)


def test_other_tempi_swing_and_transport_are_followed():
    check_right(TEMPO, 40, 99.5)


def test_a_halved_tempo_is_right_from_its_second_clock_on():
    for row in rows(("halve",), 60, ClockJudge):
        assert row.result.until <= 1


def test_what_the_ear_heard_is_made_up_at_any_jitter():
    check_right(("own_loss",), 200, 99, band=None)


def test_where_nothing_is_lost_and_nobody_stands_still_nothing_moves():
    check_right(UNTOUCHED, 40, 99.7, band=None)


def test_healed_holes_are_right_at_the_first_clock():
    got = [row.result.until for row in rows(TO_24, 60, ClockJudge)]
    assert sum(until == 0 for until in got) >= 0.95 * len(got)
    assert max(got) <= 25


def test_what_looks_like_a_hole_and_is_a_stand_still_is_never_locked():
    check_never_wrong_and_locked(("stand", "stand_period", "pause", "trigger", "hole_nudge"), 60)


def test_coarse_stamps_move_nothing_where_the_judge_is_told():
    check_grain()


def test_a_hole_in_a_new_clock_is_healed_after_24_calm_clocks():
    check_new()


def test_the_first_quarter_note_is_never_locked_while_wrong():
    check_cold()


@pytest.mark.parametrize("kind", ["gauss", "bounded", "walk", "period"])
def test_minutes_of_a_clean_clock_are_left_alone(kind: str):
    """A sample; scripts/clocks runs 108 hours."""
    got = clock_hour(3, kind, 1 / 8, 0.01, 120, 240)
    assert (got.moved, got.clocks > 11_000) == (0, True)


# -- broken judges must fail the same ---------------------------------------------


def test_a_judge_that_credits_nothing_is_rejected():
    with pytest.raises(AssertionError, match="right in"):
        check_right(TO_24, 5, 99.5, CreditsNothing)


def test_a_judge_that_credits_any_gap_is_rejected():
    with pytest.raises(AssertionError, match="right in"):
        check_right(UNTOUCHED, 10, 99.9, CreditsAnyGap, band=None)


def test_a_judge_that_credits_nothing_in_a_new_clock_is_rejected():
    with pytest.raises(AssertionError, match="holes in a new clock"):
        check_new(CreditsNothing)


def test_a_judge_that_goes_by_a_mean_of_24_is_rejected():
    with pytest.raises(AssertionError, match="right in"):
        check_right(TO_400, 15, 98, MeanOf24)


def test_a_judge_that_says_locked_after_a_confirmed_credit_is_rejected():
    with pytest.raises(AssertionError, match="locked while wrong"):
        check_never_wrong_and_locked(("stand", "stand_period", "pause"), 25, LockedAfterCredit)


def test_a_judge_that_says_locked_too_soon_is_rejected():
    with pytest.raises(AssertionError, match="locked while wrong"):
        check_cold(LockedTooSoon)


def test_a_judge_that_is_not_told_the_period_is_rejected():
    with pytest.raises(AssertionError, match="moved by stamps"):
        check_grain(Deaf)


# -- the state --------------------------------------------------------------------


def plain_leaves(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [leaf for one in value.values() for leaf in plain_leaves(one)]
    if isinstance(value, (list, tuple)):
        return [leaf for one in value for leaf in plain_leaves(one)]
    return [value]


def check_restores(case: Case, save: Callable[[ClockJudge], Any], seed: int) -> None:
    """Save and restore at random events; the outcome is that of going on."""
    r, whole, parts = Random(seed), Line(ClockJudge(case.grain)), Line(ClockJudge(case.grain))

    def step(line: Line) -> Line:
        if r.random() < 0.05:
            plain = save(line.judge)
            assert not any(isinstance(leaf, float) for leaf in plain_leaves(plain))
            line.judge = ClockJudge.restore(plain)
        return line

    for one, other in zip(feed(whole, case), feed(parts, case, step), strict=True):
        assert one[4].pos == other[4].pos, f"{case.cls}: a restored judge counts otherwise"
        assert one[4].word == other[4].word, f"{case.cls}: a restored judge says otherwise"
    assert whole.judge.save() == parts.judge.save()


@pytest.mark.parametrize("cls", CLASSES)
def test_a_restored_judge_goes_on_as_the_saved_one(cls: str):
    check_restores(make(26 * 700 + CLASSES.index(cls)), ClockJudge.save, 1)


def test_a_state_without_the_open_trial_is_rejected():
    with pytest.raises(AssertionError, match="otherwise"):
        check_restores(make(26 * 700 + CLASSES.index("wobble")), lambda judge: {**judge.save(), "trial": None}, 1)
