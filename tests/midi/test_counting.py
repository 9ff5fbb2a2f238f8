"""What a forecast counts, against what was struck: each step's note, velocity and accent, cycle by cycle."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from replank.control.notices import Notice
from replank.control.setup import Piece, PlanAct, Setup
from replank.line.measures import Sounding, is_audible
from replank.midi import counting
from replank.midi.counting import Counted, Touch, count_piece, half_touched
from replank.midi.rehearsing import Part, rehearse

MARKS = (0.5, 1.0, 2.0)
"""Minutes; at 96 BPM 12, 24 and 48 cycles of 16 sixteenths."""


def cycles_of(setup: Setup, seed: int, minutes: float) -> list[dict[int, Sounding]]:
    """Return what each step of each cycle was struck as, from the notices of a take."""
    cycles: dict[int, dict[int, Sounding]] = {}
    for one in rehearse(setup, seed, [Part(0, minutes)]).notices:
        if one.kind == "step":
            note = one.data["note"] if one.data["note"] >= 0 else None
            struck = Sounding(note, one.data["accent"], one.data["velocity"])
            cycles.setdefault(one.data["cycle"], {})[one.data["index"]] = struck
    return [cycles[cycle] for cycle in sorted(cycles)]


def struck_alike(cycles: list[dict[int, Sounding]], at: float) -> float:
    """Return the share of the steps of the last whole cycle before `at` minutes that were struck as in the first."""
    now = cycles[int(at * 24) - 1]
    return sum(not is_audible(cycles[0][index], struck) for index, struck in now.items()) / len(now)


def check_itself(setup: Setup, seed: int) -> Counted:
    """Assert that the counted shares are those of what was struck."""
    counted = count_piece(setup, seed, 0, MARKS[-1], MARKS)
    cycles = cycles_of(setup, seed, MARKS[-1])
    assert counted.itself == tuple(struck_alike(cycles, at) for at in MARKS)
    return counted


@pytest.mark.parametrize("values", [{}, {"homing": 0.0}, {"tension": 0.8}, {"rest_chance": 0.5, "motif": 1.0}], ids=str)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_share_that_is_itself_is_that_of_what_is_struck(values: dict[str, Any], seed: int) -> None:
    setup = Setup(values=values)
    counted = check_itself(setup, seed)
    assert min(counted.itself) < 1.0
    # with one mutation at a time a cycle that differs from the one before is one change that can be heard
    cycles = cycles_of(setup, seed, MARKS[-1])
    moved = [any(is_audible(a[index], b[index]) for index in b) for a, b in pairwise(cycles)]
    assert counted.changes == sum(moved)
    assert counted.first == pytest.approx((moved.index(True) + 1) / 24)
    assert counted.first >= 4 / 24, "four cycles settle"


def test_a_count_that_overlooks_rests_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control."""
    monkeypatch.setattr(counting, "is_same", lambda began, now, s: began.pitch == now.pitch)
    with pytest.raises(AssertionError):
        check_itself(Setup(values={"rest_chance": 0.5}), 1)


def test_what_a_lens_does_to_the_whole_line_takes_nothing_from_it() -> None:
    for moved in ({"transpose": 5}, {"transpose_degrees": 2}, {"tension": 0.9}):
        acts = tuple(PlanAct(5, f"{name}={value}") for name, value in moved.items())
        setup = Setup(pieces=(Piece(name="x", values={"mutation_chance": 0.0}, plan=acts, hold=True),))
        assert count_piece(setup, 1, 1, 1.0, (0.5, 1.0)).itself == (1.0, 1.0)


def test_a_plan_that_draws_anew_is_counted() -> None:
    setup = Setup(pieces=(Piece(name="x", plan=(PlanAct(13, "redraw"),), hold=True),))
    before, after = count_piece(setup, 1, 1, 1.0, (0.4, 1.0)).itself
    assert before == 1.0
    assert after < 0.7


def test_a_plan_that_goes_on_ends_the_count() -> None:
    setup = Setup(pieces=(Piece(name="x", plan=(PlanAct(13, "next_piece"),)), Piece(name="y")))
    counted = count_piece(setup, 1, 1, 2.0, (0.4, 1.0, 2.0))
    assert len(counted.itself) == 1
    assert counted.minutes == pytest.approx(0.5, abs=0.05)


def test_a_visit_home_brings_the_line_back() -> None:
    # of phrases of 4 bars every second visits home; after half a minute the third is over, after 40 s the fourth
    setup = Setup(values={"phrase": 4, "visit_home": 2, "mutation_chance": 1.0, "mutation_count": 4, "homing": 0.0})
    away, at_home = count_piece(setup, 1, 0, 1.0, (0.5, 2 / 3)).itself
    assert away < 0.8
    assert at_home == 1.0


def test_held_and_pinned_lines_stay() -> None:
    for setup, pinned in ((Setup(values={"hold": True}), 0), (Setup(), 16)):
        counted = count_piece(setup, 1, 0, 1.0, (1.0,), pinned)
        assert counted == Counted((1.0,), 0, pytest.approx(1.0), None, 16 - pinned, ())
    assert count_piece(Setup(), 1, 0, 1.0, (1.0,), 5).able == 11


def test_a_mark_beyond_the_end_is_not_reached() -> None:
    assert len(count_piece(Setup(), 1, 0, 1.0, (0.5, 1.0, 1.5)).itself) == 2


def test_half_is_of_all_evenings_together() -> None:
    def evening(able: int, *cycles: int) -> Counted:
        return Counted((), 0, 1.0, None, able, tuple(Touch(cycle, cycle, cycle / 24) for cycle in cycles))

    assert half_touched([evening(4, 5, 9, 11)]) == Touch(9, 9, 9 / 24)
    assert half_touched([evening(3, 5, 9, 11)]) == Touch(9, 9, 9 / 24), "half of three is reached by the second"
    assert half_touched([evening(4, 5), evening(4, 6, 7, 8)]) == Touch(8, 8, 8 / 24)
    assert half_touched([evening(4, 5)]) is None
    assert half_touched([evening(0)]) is None


def test_twins_and_partners_are_one_turn() -> None:
    def told(index: int, partner: int = 0) -> Notice:
        return Notice("mutation", 0, {"index": index, "partner": partner})

    notices = [told(3), told(7, 3), told(11, 3), Notice("cycle", 0, {}), told(5, 9), told(9, 5)]
    assert sorted(map(sorted, counting._turns(notices))) == [[2, 6, 10], [4, 8]]
