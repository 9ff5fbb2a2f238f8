"""Keeping, bringing back, the trail, home, rotate: the table of acts, row by row."""

from __future__ import annotations

import pytest

from replank.control.parameters import SNAPSHOT_NAMES
from replank.line.steps import LINK_TIE, REST, SOUND, Form
from replank.performer.events import BringBack
from tests.performer.kit import Stage


def line(stage: Stage) -> Form:
    return stage.p.melody.form(stage.p.settings.length)


def changing(cycles: int = 8, **more: object) -> Stage:
    stage = Stage(**{"mutation_chance": 1.0, "mutation_count": 4, "homing": 0.2, "settle_new": 0, **more})
    stage.start()
    stage.clocks(96 * cycles + 40)
    return stage


def test_a_snapshot_holds_all_64_steps_home_length_and_every_snapshot_parameter() -> None:
    stage = changing(length=11, direction="pendulum", swing=60.0, transpose=3)
    stage.do("keep", "blue")
    kept = stage.p.melody.snapshots["blue"]
    assert kept.form == line(stage)
    assert len(kept.form.steps) == 64
    assert set(kept.values) == set(SNAPSHOT_NAMES)
    assert kept.values["transpose"] == 3


def test_recall_brings_line_home_pins_and_parameters_back_and_not_hold_mute_tempo_division() -> None:
    stage = changing()
    stage.do("pin", "4", "on")
    stage.do("keep", "blue")
    kept, values = line(stage), stage.p.snapshot_values()
    stage.do("pin", "4", "off")
    stage.set(gate=0.2, hold=True, tempo=200.0)
    stage.clocks(96 * 5)
    index = stage.p.transport.playhead.index
    stage.do("recall", "blue", due="now")
    assert line(stage) == kept
    assert stage.p.snapshot_values() == values
    assert stage.p.values["hold"] is True
    assert stage.p.values["tempo"] == 200.0
    assert stage.p.transport.playhead.index == index, "the playhead is kept"


def test_recall_beyond_the_length_goes_to_step_one_next() -> None:
    stage = changing(length=4)
    stage.do("keep", "short")
    stage.set(length=16)
    stage.clocks(6 * 9)
    while stage.p.transport.playhead.index < 8:
        stage.clocks(1)
    stage.do("recall", "short", due="now")
    stage.forget()
    stage.clocks(6)
    assert [s["index"] for s in stage.steps()] == [1]


def test_recall_waits_for_the_bar_and_may_be_asked_for_now() -> None:
    stage = changing()
    stage.do("keep", "blue")
    kept = line(stage)
    stage.set(hold=True)
    stage.do("redraw", due="now")
    stage.do("recall", "blue")
    assert line(stage) != kept
    assert stage.p.view()["due"][0]["action"] == "recall blue"
    stage.clocks(96)
    assert line(stage).steps == kept.steps
    assert stage.p.due == []


def test_recall_line_leaves_every_parameter_but_length() -> None:
    stage = changing(length=9)
    stage.do("keep", "blue")
    kept = line(stage)
    stage.set(length=5, root="A", gate=0.9)
    stage.clocks(96)
    stage.do("recall_line", "blue", due="now")
    assert line(stage) == kept
    assert (stage.p.values["root"], stage.p.values["gate"]) == ("A", 0.9)


def test_keep_says_which_cycle_and_whether_the_other_differs() -> None:
    stage = changing()
    stage.do("keep")
    said = stage.said("snapshot")[-1]
    assert f"cycle {stage.p.melody.cycle}" in said["text"]
    assert "differs" in said["text"]
    stage.do("keep")
    assert stage.said("snapshot")[-1]["name"] != said["name"], "a name is never overwritten"


def test_undo_and_redo_walk_over_units_and_a_new_unit_ends_redo() -> None:
    stage = changing(2)
    stage.set(hold=True)
    forms = [line(stage)]
    for act in (("redraw",), ("rotate", "3"), ("clear",), ("pitch", "2", "1")):
        stage.do(*act, due="now")
        forms.append(line(stage))
    for expected in reversed(forms[:-1]):
        stage.do("undo", due="now")
        assert line(stage) == expected
    for expected in forms[1:]:
        stage.do("redo", due="now")
        assert line(stage) == expected
    stage.do("undo", due="now")
    stage.do("flip", "1")
    stage.do("redo", due="now")
    assert stage.said("refused")[-1]["what"] == "redo"


def test_undo_of_clear_brings_the_parameters_of_that_unit_back() -> None:
    stage = changing(1, root="A", gate=0.9)
    values = stage.p.snapshot_values()
    stage.do("clear", due="now")
    assert stage.p.values["gate"] != 0.9 or stage.p.setup.values.get("gate") == 0.9
    stage.do("undo", due="now")
    assert stage.p.snapshot_values() == values


def test_undo_reaches_every_mutation_of_the_show() -> None:
    stage = changing(20, homing=0.0)
    units = stage.p.view()["trail"]["units"]
    first = Stage(mutation_chance=1.0, mutation_count=4, homing=0.0, settle_new=0).p.melody.steps
    stage.set(hold=True)
    for _ in range(units):
        stage.do("undo", due="now")
    assert stage.p.melody.steps == first
    stage.do("undo", due="now")
    assert stage.said("refused")[-1]["why"] == "there is nothing to take back"


def test_back_reaches_every_form_also_those_that_were_undone() -> None:
    stage = Stage(mutation_chance=1.0, mutation_count=4, homing=0.2, settle_new=0)
    stage.start()
    forms = {}
    for _ in range(12):
        stage.clocks(96)
        forms[stage.p.melody.cycle] = line(stage)
    stage.set(hold=True)
    for _ in range(5):
        stage.do("undo", due="now")
    for cycle in (2, 9, 5, 11):
        stage.do("back", str(cycle), due="now")
        assert line(stage) == forms[cycle]


def test_back_keeps_tonights_key_and_back_full_brings_that_back_too() -> None:
    stage = changing(3)
    cycle, values, form = stage.p.melody.cycle, stage.p.snapshot_values(), line(stage)
    stage.clocks(96)
    stage.set(root="A", length=7, gate=0.9)
    stage.clocks(96 * 3)
    stage.do("back", str(cycle), due="now")
    assert line(stage) == form
    assert (stage.p.values["root"], stage.p.values["gate"], stage.p.values["length"]) == ("A", 0.9, 16)
    stage.do("back_full", str(cycle), due="now")
    assert stage.p.snapshot_values() == values


def test_redraw_keeps_pins_and_is_its_own_home() -> None:
    stage = changing()
    stage.do("pin", "3", "on")
    pinned, before = stage.p.melody.steps[2], list(stage.p.melody.steps)
    stage.do("redraw", due="now")
    steps = stage.p.melody.steps
    assert steps[2] == pinned
    assert sum(a != b for a, b in zip(steps, before, strict=True)) > 40
    assert stage.p.melody.home == steps


def test_clear_sets_every_step_to_the_root_sounding_and_hold_off() -> None:
    stage = changing(root="F", rest_chance=0.9)
    stage.set(hold=True)
    stage.do("clear", due="now")
    roots = {s["note"] % 12 for s in stage.p.view()["line"]["steps"]}
    assert len(roots) == 1
    assert all(s["heard"] for s in stage.p.view()["line"]["steps"])
    assert stage.p.values["hold"] is False


def test_go_home_restores_the_unpinned_and_set_home_makes_the_present_home() -> None:
    stage = changing(20, homing=0.0)
    away = [i for i in range(16) if stage.p.melody.steps[i] != stage.p.melody.home[i]]
    assert len(away) > 4
    stage.do("pin", str(away[0] + 1), "on")
    stage.do("go_home", due="now")
    m = stage.p.melody
    assert [i for i in range(64) if m.steps[i] != m.home[i]] == [away[0]]
    stage.do("set_home")
    assert m.steps == m.home


def test_home_from_lets_the_line_walk_to_another_snapshot() -> None:
    stage = changing(30, homing=0.0)
    stage.do("keep", "far")
    stage.do("redraw", due="now")
    stage.do("home_from", "far")
    stage.set(homing=1.0, mutation_count=16)
    stage.clocks(96 * 30)
    target = stage.p.melody.snapshots["far"].form.steps[:16]
    assert [s.pitch for s in stage.p.melody.steps[:16]] == [s.pitch for s in target]


def test_rotate_turns_the_visible_steps_with_all_their_marks() -> None:
    stage = changing(length=5)
    before = list(stage.p.melody.steps)
    stage.do("rotate", "2", due="now")
    assert stage.p.melody.steps == [before[3], before[4], *before[:3], *before[5:]]
    stage.do("rotate", "-2", due="now")
    assert stage.p.melody.steps == before


def test_forget_can_be_undone() -> None:
    stage = changing()
    stage.do("keep", "blue")
    stage.set(hold=True)
    stage.do("forget", "blue")
    assert "blue" not in stage.p.melody.snapshots
    stage.do("undo", due="now")
    assert "blue" in stage.p.melody.snapshots


def test_a_form_from_the_store_comes_back_with_or_without_its_settings() -> None:
    stage = changing(3)
    stage.do("keep", "old")
    kept = stage.p.melody.snapshots["old"]
    stage.set(hold=True, gate=0.9)
    stage.do("redraw", due="now")
    stage.give(BringBack("back", "cycle 4", {"kept": kept.save()}, "now"))
    assert line(stage) == kept.form
    assert stage.p.values["gate"] == 0.9
    stage.give(BringBack("back_full", "cycle 4", {"kept": kept.save()}, "now"))
    assert stage.p.values["gate"] == kept.values["gate"]
    stage.give(BringBack("back", "broken", {"kept": [1, 2]}, "now"))
    assert "cannot be read" in stage.said("refused")[-1]["why"]


def test_lenses_turned_back_restore_the_melody_exactly() -> None:
    stage = changing()
    stage.set(hold=True)
    names = [s["name"] for s in stage.p.view()["line"]["steps"]]
    for change in ({"root": "Ab"}, {"scale": "whole tone"}, {"register_low": 70}, {"transpose": -7},
                   {"transpose_degrees": 5}):  # fmt: skip
        was = {name: stage.p.values[name] for name in change}
        stage.set(**change)
        stage.clocks(97)
        assert [s["name"] for s in stage.p.view()["line"]["steps"]] != names
        stage.set(**was)
        stage.clocks(97)
        assert [s["name"] for s in stage.p.view()["line"]["steps"]] == names


def test_shortening_hides_and_lengthening_brings_back() -> None:
    stage = changing()
    steps = list(stage.p.melody.steps)
    stage.set(hold=True, length=3)
    stage.clocks(60)
    stage.set(length=16)
    assert stage.p.melody.steps == steps


def test_a_recall_by_an_unknown_name_is_refused_with_the_nearest() -> None:
    stage = changing(1)
    stage.do("keep", "meridian")
    stage.do("recall", "meridan")
    assert stage.said("refused")[-1]["why"] == "there is no snapshot 'meridan' (nearest: meridian)"


@pytest.mark.parametrize("state", [REST, SOUND])
def test_forced_states_survive_mutation_and_are_released(state: int) -> None:
    stage = changing(1, mutation_count=16)
    for i in range(1, 17):
        stage.do("rest", str(i), ("chance", "rest", "sound")[state])
    stage.clocks(96 * 10)
    assert {s.rhythm for s in stage.p.melody.steps[:16]} == {state}
    assert stage.said("mutation")
    stage.do("all_to_chance")
    assert {s.rhythm for s in stage.p.melody.steps} == {0}


def test_go_home_takes_home_s_forced_states_and_leaves_pins() -> None:
    stage = Stage(hold=True)
    stage.do("rest", "3", "rest")
    stage.do("link", "4", "tie")
    stage.do("keep", "forced", due="now")
    stage.do("to_chance", "3")
    stage.do("to_chance", "4")
    stage.do("pin", "5", "on")
    stage.do("home_from", "forced", due="now")
    assert stage.p.melody.home[2].rhythm == REST
    stage.do("go_home", due="now")
    steps = stage.p.melody.steps
    assert (steps[2].rhythm, steps[3].linked, steps[4].pinned) == (REST, LINK_TIE, True)
    assert not any(step.pinned for i, step in enumerate(steps) if i != 4)
