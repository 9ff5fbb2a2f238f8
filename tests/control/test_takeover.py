"""How controls and parameters meet again."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from replank.control import driving, takeover
from replank.control.curves import CURVES, bend, unbend
from replank.control.takeover import Flutter, Takeover, list_index, scaled
from tests.control.stage import MS, Stage, box, notices, sets

unit = st.integers(0, 16383).map(lambda raw: raw / 16383)
cc7 = st.integers(0, 127)


def ease_that_jumps(held: float, before: float, after: float) -> float:
    """Broken: the parameter goes where the control is."""
    return after


def never_jumps(move, held: float, path: list[float]) -> bool:
    """Tell whether the parameter always moves the way of the control, by no more than what is left allows."""
    before = path[0]
    for after in path[1:]:
        moved = move(held, before, after)
        if after == before and abs(moved - held) > 1e-9:
            return False
        if (moved - held) * (after - before) < -1e-9:
            return False
        room, step = (1 - before, after - before) if after > before else (before, before - after)
        left = 1 - held if after > before else held
        if room > 0 and abs(moved - held) > left * step / room + 1e-9 and abs(held - before) > 1e-9:
            return False
        held, before = moved, after
    return True


@given(unit, st.lists(unit, min_size=2, max_size=30))
def test_ease_never_jumps(held, path):
    assert never_jumps(scaled, held, path)


def test_an_ease_that_jumps_is_found_out():
    assert not never_jumps(ease_that_jumps, 0.9, [0.1, 0.12])


@given(unit, unit)
def test_eased_control_and_parameter_arrive_at_the_ends_together(held, start):
    assume(0 < start < 1)
    assert scaled(held, start, 1.0) == pytest.approx(1.0)
    assert scaled(held, start, 0.0) == pytest.approx(0.0)


@given(unit, st.lists(unit, max_size=20))
def test_in_step_the_parameter_stays_with_the_control(at, path):
    held, before = at, at
    for after in path:
        held, before = scaled(held, before, after), after
        assert held == after


@given(st.floats(-2, 3, allow_nan=False), st.lists(unit, min_size=2, max_size=20))
def test_a_parameter_beyond_the_range_of_its_control_is_led_in_without_a_jump(held, path):
    for before, after in itertools.pairwise(path):
        moved = scaled(held, before, after)
        assert min(held, 0) - 1e-9 <= moved <= max(held, 1) + 1e-9
        assert (
            abs(moved - held) <= (abs(held) + 1) * (abs(after - before) / max(1e-9, max(before, 1 - before)) + 1) + 1e-9
        )
        held = moved


def test_meet_waits_until_the_control_has_passed():
    catch = Takeover("pickup")
    catch.place(0.5, 0.1, 0.004)
    assert catch.waiting and catch.way(0.1) == "right"
    assert not catch.move(0.1, 0.3, 0.004)
    assert catch.move(0.3, 0.7, 0.004) and catch.held == 0.7 and not catch.waiting
    catch.place(0.2, 0.7, 0.004)
    assert catch.way(0.7) == "left"


def test_the_first_movement_teaches_and_moves_nothing():
    for way in ("jump", "pickup", "scaled"):
        stage = Stage(box({"sends": "cc 16", "moves": "gate", "takeover": way}), gate=0.9)
        first = stage.cc(16, 20)
        assert sets(first) == []
        assert [row["control"] for row in notices(first, "taught")] == ["cc 16"]
        stage.hands.forget_positions(0, stage.now)
        assert sets(stage.cc(16, 90)) == []


def test_waiting_says_which_way_to_turn_and_shows_it():
    stage = Stage(box({"label": "big", "sends": "cc 16", "moves": "gate", "takeover": "pickup"}), gate=0.9)
    stage.cc(16, 20)
    assert stage.hands.view()["gate"] == {
        "port": "knobs", "control": "big", "taught": True, "position": 20 / 127, "waiting": True, "way": "right",
    }  # fmt: skip
    made = stage.cc(16, 30, 40, 50)
    assert sets(made) == []
    assert notices(made, "waiting") == [{"control": "big", "name": "gate", "way": "right", "port": "knobs"}]  # once
    assert stage.values["gate"] == 0.9
    stage.cc(16, 126)
    assert stage.values["gate"] == pytest.approx(0.05 + 0.95 * 126 / 127)
    assert not stage.hands.view()["gate"]["waiting"]
    stage.set("gate", 0.1)
    assert stage.hands.view()["gate"]["way"] == "left"
    assert notices(stage.cc(16, 120), "waiting")[0]["way"] == "left"


@given(st.lists(cc7, min_size=2, max_size=40), st.sampled_from(("jump", "pickup", "scaled")), unit)
def test_a_long_way_to_the_end_takes_the_parameter_to_the_end(path, way, gate):
    stage = Stage(box({"sends": "cc 16", "moves": "homing", "takeover": way}), homing=gate)
    stage.cc(16, *path)
    stage.cc(16, 0, 127)
    stage.wait(10)
    assert stage.values["homing"] == 1.0


class JumpyDrive(driving.Drive):
    """Broken: eases by jumping."""

    def __init__(self, target, control):
        super().__init__(target, control)
        self.catch.mode = "jump"


def largest_jump(stage: Stage) -> float:
    """Return by how much one click of an eased knob moves a parameter that was moved elsewhere."""
    stage.cc(16, 20)
    stage.set("homing", 0.9)
    before = stage.values["homing"]
    stage.cc(16, 22)
    return abs(stage.values["homing"] - before)


def test_a_knob_that_jumps_is_found_out(monkeypatch):
    control = {"sends": "cc 16", "moves": "homing"}
    assert largest_jump(Stage(box(control))) < 0.01
    monkeypatch.setattr("replank.control.knobs.Drive", JumpyDrive)
    assert largest_jump(Stage(box(control))) > 0.5


# -- flutter --------------------------------------------------------------------------------------


def test_flutter_at_rest_is_ignored_and_a_turn_is_not():
    stage = Stage(box({"sends": "cc 16", "moves": "gate", "takeover": "jump"}))
    stage.cc(16, 60, 62, 64)
    stage.wait(500)
    held = stage.values["gate"]
    assert sets(stage.cc(16, *[65, 64, 63, 64] * 50, after_ms=3)) == []
    assert stage.values["gate"] == held
    stage.wait(500)
    assert (
        len(sets(stage.cc(16, 65, 66, 67, 68))) == 3
    )  # the first of a slow turn looks like flutter, the rest does not


def test_flutter_right_after_a_turn_is_ignored_too():
    stage = Stage(box({"sends": "cc 16", "moves": "gate", "takeover": "jump"}))
    stage.cc(16, 60, 62, 64)
    assert sets(stage.cc(16, *[63, 64] * 50, after_ms=6)) == []


@given(st.lists(st.tuples(cc7, st.integers(1, 300)), min_size=1, max_size=60))
def test_flutter_never_costs_more_than_one_and_never_an_end(moves):
    now, filtered = 0, Flutter(moves[0][0], 0)
    for raw, ms in moves:
        now += ms * MS
        filtered.is_movement(raw, now)
        assert abs(filtered.raw - raw) <= 1
        if raw in (0, 127):
            assert filtered.raw == raw


def test_14_bit_controls_have_no_flutter_filter():
    stage = Stage(box({"sends": "cc 16/48", "moves": "gate", "takeover": "jump"}))
    for lsb in (0, 1, 2):
        stage.cc(16, 64, after_ms=300)
        stage.cc(48, lsb, after_ms=1)
    stage.wait(20)
    assert stage.values["gate"] == pytest.approx(0.05 + 0.95 * (64 * 128 + 2) / 16383)


# -- lists ----------------------------------------------------------------------------------------


def test_a_list_changes_after_rest_only():
    stage = Stage(box({"sends": "cc 16", "moves": "scale", "takeover": "jump"}))
    stage.cc(16, 0)
    assert sets(stage.cc(16, *range(4, 128, 4), after_ms=20)) == []
    assert sets(stage.wait(119)) == []
    assert sets(stage.wait(1.1)) == [("scale", "whole tone")]


def test_a_list_keeps_its_place_until_it_is_left_by_a_third():
    # seven places: a place is 127/7 = 18.14 wide, a third of it 6.05
    stage = Stage(box({"sends": "cc 16", "moves": "scale", "takeover": "jump"}))
    stage.cc(16, 0, 9)
    stage.wait(200)
    assert stage.values["scale"] == "minor pentatonic"
    stage.cc(16, 23)
    stage.wait(200)
    assert stage.values["scale"] == "minor pentatonic"  # 18.14 + 6.05 = 24.2 not reached
    stage.cc(16, 26)
    stage.wait(200)
    assert stage.values["scale"] == "dorian"
    stage.cc(16, 13)
    stage.wait(200)
    assert stage.values["scale"] == "dorian"
    stage.cc(16, 11)
    stage.wait(200)
    assert stage.values["scale"] == "minor pentatonic"


@given(st.integers(1, 20), st.lists(unit, max_size=40))
def test_lists_reach_every_place_and_hold_still(count, path):
    present = -1
    for at in path:
        present = list_index(at, count, present)
        assert 0 <= present < count
        assert list_index(at, count, present) == present
        assert present - 1 / 3 <= at * count <= present + 4 / 3
    assert list_index(0.0, count, present) == (0 if count > 1 or present < 0 else present)
    assert list_index(1.0, count, 0) == count - 1


def test_a_list_meets_by_default_and_short_lists_come_from_piece_or_profile():
    stage = Stage(box({"sends": "cc 16", "moves": "scale"}), scale="phrygian")
    stage.lists = {"scale": ("dorian", "phrygian")}
    stage.cc(16, 0, 20, 40)
    stage.wait(300)
    assert stage.values["scale"] == "phrygian" and stage.hands.view()["scale"]["way"] == "right"
    stage.cc(16, 100)
    stage.cc(16, 5)
    stage.wait(300)
    assert stage.values["scale"] == "dorian"
    own = Stage(box({"sends": "cc 16", "moves": "scale", "values": ["aeolian", "ionian"], "takeover": "jump"}))
    own.lists = {"scale": ("dorian", "phrygian")}
    own.cc(16, 0, 100)
    own.wait(300)
    assert own.values["scale"] == "ionian"


def test_rest_and_hysteresis_are_the_stated_ones():
    assert (takeover.REST_NS, takeover.HYSTERESIS) == (120 * MS, 1 / 3)


# -- curves ---------------------------------------------------------------------------------------


@given(st.sampled_from(sorted(CURVES)), unit, unit)
def test_curves_rise_from_end_to_end_and_turn_back(curve, one, other):
    assert bend(curve, 0.0) == 0.0 and bend(curve, 1.0) == 1.0
    if one < other:
        assert bend(curve, one) <= bend(curve, other)
    assert bend(curve, unbend(curve, one)) == pytest.approx(one, abs=1e-12)
