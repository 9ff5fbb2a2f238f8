"""Tension, arcs and plans: what moves the settings over a piece, and what a hand does to that."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from replank.control import tension
from replank.control.parameters import DEFAULTS
from replank.control.setup import Arc, Clock, Piece, PlanAct, Setup
from replank.performer import Performer, course
from tests.performer.kit import AT_120, MS, Stage, pulses_setup

BAR = 96 * AT_120
"""A bar of 4/4 at 120 BPM: 2 s, 30 bars a minute."""


def on_stage(*pieces: Piece, setup: Setup | None = None) -> Stage:
    return Stage(replace(setup or Setup(), pieces=pieces))


# -- tension -------------------------------------------------------------------


def test_the_middle_changes_nothing_and_each_end_the_offsets_of_the_table() -> None:
    assert tension.sounding(DEFAULTS) == {}
    high = tension.sounding({**DEFAULTS, "tension": 1.0})
    low = tension.sounding({**DEFAULTS, "tension": 0.0})
    assert high == {
        "rest_chance": 0.0, "transpose_degrees": 2, "velocity_centre": 108, "accent_chance": 0.4,
        "mutation_chance": 0.8, "homing": pytest.approx(0.2), "gate": pytest.approx(0.8),
    }  # fmt: skip
    assert low["rest_chance"] == pytest.approx(0.6)
    assert low["transpose_degrees"] == -2 and low["velocity_centre"] == 68 and low["accent_chance"] == 0.0
    assert tension.sounding({**DEFAULTS, "tension": 0.8})["transpose_degrees"] == 1


def test_every_step_moves_by_the_same_degrees_and_none_by_an_octave() -> None:
    # In a pentatonic of five tones two degrees up from the k-th tone are those from any octave of it.
    def notes(value: float) -> dict[int, int]:
        stage = Stage(hold=True, tension=value)
        stage.start()
        stage.bars(1)
        return {d["index"]: d["note"] for d in stage.steps() if d["note"] >= 0}

    scale = (0, 3, 5, 7, 10)  # minor pentatonic, semitones over the root D

    def degree(note: int) -> int:
        octave, offset = divmod(note - 2, 12)
        return 5 * octave + scale.index(offset)

    low, middle, high = notes(0.0), notes(0.5), notes(1.0)
    for one, by in ((low, -2), (high, 2)):
        moved = {degree(one[i]) - degree(middle[i]) for i in one.keys() & middle.keys()}
        assert moved == {by}
    assert set(low) <= set(middle) <= set(high)


def test_the_set_value_and_the_sounding_one_are_both_told() -> None:
    stage = Stage(tension=1.0)
    view = stage.p.view()
    assert view["parameters"]["gate"] == 0.6
    assert view["sounding"]["gate"] == {"value": pytest.approx(0.8), "shown": "0.8"}


# -- arcs ----------------------------------------------------------------------


def value_over(stage: Stage, name: str, bars: int) -> list[float]:
    stage.start()
    found = []
    for _ in range(bars):
        stage.clocks(96)
        found.append(stage.p.values[name])
    return found


def test_an_arc_moves_its_parameter_over_the_minutes_of_the_piece() -> None:
    piece = Piece("First Light", arc=(Arc("tension", "minutes", ((0.5, 0.2), (1.5, 0.8))),))
    found = value_over(on_stage(piece), "tension", 60)
    assert found[:14] == [0.2] * 14
    assert found[29] == pytest.approx(0.5, abs=0.02)
    assert found[-1] == 0.8
    assert all(b >= a for a, b in pairwise(found))


def test_an_arc_in_bars_counts_bars() -> None:
    piece = Piece("Meridian", arc=(Arc("rest_chance", "bars", ((0, 0.0), (8, 0.8))),))
    found = value_over(on_stage(piece), "rest_chance", 9)
    assert found == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.8], abs=0.01)


@pytest.mark.parametrize(
    "hand",
    [
        lambda stage: stage.set(tension=0.9),
        lambda stage: stage.do("ramp", "tension", "0.9", "1"),
        lambda stage: stage.do("recall", "other", due="now"),
    ],
    ids=["value", "ramp", "recall"],
)
def test_a_hand_takes_the_arc_out_until_its_next_point(hand: Callable[[Stage], Any]) -> None:
    points = ((0.0, 0.2), (8.0, 0.2), (16.0, 0.6))
    stage = on_stage(Piece("First Light", arc=(Arc("tension", "bars", points),)))
    stage.start()
    stage.bars(1)
    kept = stage.p.snapshot_values()
    stage.do("keep", "other")
    stage.p.melody.snapshots["other"] = stage.p.melody.snapshots["other"]._replace(values={**kept, "tension": 0.9})
    stage.bars(2)
    hand(stage)
    stage.bars(2)
    assert stage.p.values["tension"] == 0.9
    assert stage.p.view()["course"]["arcs"][0]["out"] is True
    stage.bars(12)
    assert stage.p.values["tension"] == 0.6


def test_piece_time_stands_while_the_line_is_stopped_or_the_clock_is_lost() -> None:
    stage = on_stage(Piece("First Light"))
    stage.until(5000 * MS)
    assert course.time_now(stage.p) == 0
    stage.start()
    stage.bars(2)
    at = course.time_now(stage.p)
    assert at == pytest.approx(2 * BAR, abs=BAR // 16)
    stage.midi(0xFC)
    stage.until(stage.now + 9000 * MS)
    stage.midi(0xFB)
    stage.bars(1)
    assert course.time_now(stage.p) == pytest.approx(3 * BAR, abs=BAR // 8)
    stage.until(stage.now + 4000 * MS)  # the clock is pulled
    assert course.time_now(stage.p) == pytest.approx(3 * BAR, abs=BAR // 8)


def test_an_arc_is_saved_and_goes_on_exactly() -> None:
    piece = Piece("First Light", arc=(Arc("tension", "minutes", ((0, 0), (0.5, 1))),))
    stage = on_stage(piece)
    stage.start()
    stage.bars(5)
    other = Stage(performer=Performer.restore(stage.p.save()))
    other.now = stage.now
    for one in (stage, other):
        one.forget()
        one.bars(6)
    assert other.heard == stage.heard


def test_goto_moves_piece_time_and_its_bars() -> None:
    plan = (PlanAct(20, "gate=0.2"), PlanAct(40, "gate=0.9"))
    piece = Piece("First Light", arc=(Arc("tension", "minutes", ((0, 0), (2, 1))),), plan=plan)
    stage = on_stage(piece)
    stage.start()
    stage.clocks(97)
    stage.do("goto", "1")  # 30 bars at 120 BPM
    stage.bars(1)
    assert stage.p.values["tension"] == pytest.approx(0.5, abs=0.05)
    assert stage.said("done")[-1]["text"] == "the piece is at 1:00, was at 0:02"
    assert stage.p.values["gate"] == 0.6  # what was passed is left out
    stage.bars(10)
    assert stage.p.values["gate"] == 0.9


# -- plans ---------------------------------------------------------------------


def test_acts_happen_at_their_bars_whatever_their_usual_due() -> None:
    plan = (PlanAct(1, "gate=0.3"), PlanAct(3, "root=A"), PlanAct(4, "redraw"), PlanAct(5, "ramp:rest_chance:0.9:2"))
    stage = on_stage(Piece("Meridian", plan=plan))
    stage.start()
    stage.bars(7)
    at = [(data["bar"], (notice.now - AT_120) / BAR) for notice in stage.notices
          if notice.kind == "plan" for data in [notice.data]]  # fmt: skip
    assert at == [(1, 0.0), (3, 2.0), (4, 3.0), (5, 4.0)]
    assert stage.p.values["gate"] == 0.3 and stage.p.values["root"] == "A" and stage.p.values["rest_chance"] == 0.9
    assert stage.p.view()["course"]["plan"] == []


def test_after_a_jump_forward_what_was_passed_is_left_out_and_after_one_back_nothing_happens_twice() -> None:
    plan = (PlanAct(2, "gate=0.2"), PlanAct(4, "gate=0.3"), PlanAct(8, "gate=0.4"))
    stage = on_stage(Piece("Meridian", plan=plan))
    stage.start()
    stage.clocks(97)
    assert stage.p.values["gate"] == 0.2
    stage.midi(0xF2, 16 * 6 & 127, 16 * 6 >> 7)  # to bar 7
    stage.clocks(97)
    assert stage.p.values["gate"] == 0.4
    stage.midi(0xF2, 0, 0)
    stage.bars(9)
    assert [d["bar"] for d in stage.said("plan")] == [2, 8]


def test_start_lets_the_piece_go_on() -> None:
    stage = on_stage(Piece("Meridian", plan=(PlanAct(3, "gate=0.2"), PlanAct(5, "gate=0.9"))))
    stage.start()
    stage.clocks(2 * 96 + 1)
    assert stage.p.values["gate"] == 0.2
    stage.midi(0xFC)
    stage.start()
    stage.clocks(2 * 96 + 1)  # bars 3 to 5 of the piece
    assert stage.p.values["gate"] == 0.9


def test_an_act_that_is_refused_is_told_and_the_next_goes_on() -> None:
    stage = on_stage(Piece("Meridian", plan=(PlanAct(2, "recall:blue"), PlanAct(3, "gate=0.2"))))
    stage.start()
    stage.bars(3)
    assert stage.said("refused")[0]["origin"] == "plan"
    assert stage.p.values["gate"] == 0.2


def test_cancel_plan_drops_what_is_left_and_cancel_alone_does_not() -> None:
    stage = on_stage(Piece("Meridian", plan=(PlanAct(2, "gate=0.2"), PlanAct(4, "gate=0.9"))))
    stage.start()
    stage.do("cancel")
    stage.clocks(97)
    assert stage.p.values["gate"] == 0.2
    stage.do("cancel", "plan")
    stage.bars(4)
    assert stage.p.values["gate"] == 0.2
    stage.do("cancel", "plan")
    assert stage.said("refused")[-1]["why"] == "nothing is planned"


def test_a_piece_as_it_was_left_goes_on_in_its_plan_and_time() -> None:
    first = Piece("First Light", plan=(PlanAct(2, "gate=0.2"), PlanAct(4, "gate=0.9")))
    stage = on_stage(first, Piece("Meridian"))
    stage.start()
    stage.clocks(2 * 96 + 1)
    stage.do("piece", "2", due="now")
    stage.bars(5)
    stage.do("piece_as_left", "1")
    stage.clocks(96)
    assert stage.p.values["gate"] == 0.2
    assert stage.p.view()["course"]["bar"] == 3
    stage.clocks(96)
    assert [d["bar"] for d in stage.said("plan")] == [2, 4]


def test_the_next_piece_begins_with_its_own_plan() -> None:
    stage = on_stage(
        Piece("First Light", plan=(PlanAct(3, "next_piece"),)), Piece("Meridian", plan=(PlanAct(1, "gate=0.9"),))
    )
    stage.start()
    stage.clocks(2 * 96 + 1)
    assert stage.p.piece == 2 and stage.p.values["gate"] == 0.9


def test_a_piece_that_is_brought_in_while_stopped_in_mid_bar_has_its_first_bar_s_acts() -> None:
    stage = on_stage(Piece("First Light"), Piece("Meridian", plan=(PlanAct(1, "gate=0.9"),)))
    stage.start()
    stage.clocks(130)
    stage.midi(0xFC)
    stage.do("piece", "2")
    stage.midi(0xFB)
    stage.clocks(96)
    assert stage.p.piece == 2 and stage.p.values["gate"] == 0.9


def test_with_pulses_bars_are_cycles() -> None:
    setup = replace(pulses_setup(), clock=Clock(mode="pulses"))
    stage = on_stage(
        Piece("Meridian", {"length": 4}, plan=(PlanAct(1, "gate=0.9"), PlanAct(3, "gate=0.2"))), setup=setup
    )
    for _ in range(8):
        stage.pulse()
    assert stage.p.values["gate"] == 0.9
    stage.pulse()
    assert stage.p.values["gate"] == 0.2


# -- mutations by phrase -------------------------------------------------------


def test_by_phrase_as_many_moments_happen_as_cycles_ended_and_are_one_unit() -> None:
    stage = Stage(mutate_every="phrase", phrase=4, breath=0, mutation_chance=1.0, homing=0.0, settle_new=0)
    stage.start()
    stage.bars(13)
    moments = {(notice.now - AT_120) / BAR for notice in stage.notices if notice.kind == "mutation"}
    assert moments <= {4.0, 8.0, 12.0} and len(moments) == 3
    assert [unit.kind for unit in stage.p.melody.trail.units] == ["mutation"] * 3
    assert stage.p.melody.moment == 12


def test_a_long_pause_of_the_pulses_is_no_piece_time_however_it_ends() -> None:
    stage = on_stage(Piece("First Light"), Piece("Meridian"), setup=pulses_setup())
    for _ in range(41):
        stage.pulse()
    assert course.time_now(stage.p) == 10_000 * MS
    stage.until(stage.now + 600_000 * MS)
    stage.do("star")  # an event brings the performer's own time along
    assert course.time_now(stage.p) == 10_000 * MS
    stage.do("piece", "2")
    stage.do("piece_as_left", "1")
    assert course.time_now(stage.p) == 10_000 * MS


def test_after_a_move_back_an_arc_takes_its_parameter_up_at_the_next_point_from_there() -> None:
    points = ((0.0, 0.2), (0.5, 0.4), (1.0, 0.6))
    stage = on_stage(Piece("First Light", arc=(Arc("tension", "minutes", points),)))
    stage.start()
    stage.do("goto", "0.7")
    stage.bars(1)
    stage.set(tension=0.9)
    stage.do("goto", "0.4")
    stage.bars(2)
    assert stage.p.values["tension"] == 0.9
    stage.bars(2)  # past the point at 0.5 minutes
    assert stage.p.values["tension"] == pytest.approx(0.42, abs=0.03)
