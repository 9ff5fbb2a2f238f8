"""What a set prepares: forced velocities, lines with rolls and a home, kept lines there to recall."""

from __future__ import annotations

from dataclasses import replace

import pytest

from replank.control.setup import KeptLine, Piece, Setup, Voice, to_plain
from replank.line.steps import SOUND, Rolls, Step, Written, as_written, without_forced_velocity
from replank.performer import Performer
from replank.performer.events import Configure
from replank.performer.prepared import kept_of
from tests.performer.kit import Stage, every_step

FORTY = (Written(50, SOUND, velocity=40), Written(53, SOUND), Written(57, SOUND, accented=SOUND, velocity=100))
MEDIUM = Rolls(0.9, 0.9, 0.5, 0.5)
QUIET = {**every_step(), "accent_chance": 0.0, "length": 3, "settle_new": 0}


def forced(**values) -> Stage:
    piece = Piece("First Light", {**QUIET, **values}, FORTY, (MEDIUM,) * 3)
    return Stage(Setup(voices=(Voice(velocity_cc=21),), pieces=(piece,)))


def played(stage: Stage, clocks: int = 18) -> list[int]:
    """Return the velocities of the note-ons in so many clocks (three steps)."""
    stage.forget()
    stage.clocks(clocks)
    return [data[2] for _, _, data in stage.heard if data[0] & 0xF0 == 0x90]


# -- forced velocity ------------------------------------------------------------


def test_a_forced_velocity_is_sent_whatever_the_velocity_parameters_say():
    stage = forced()
    stage.start()
    # the middle step: a roll of one half is the centre, 88; the last is accented: 100 + 24
    assert played(stage) == [40, 88, 124]
    ccs = [data[2] for _, _, data in stage.heard if data[0] == 0xB0 and data[1] == 21]
    assert ccs == [40, 64, 100], (
        "a velocity controller carries the forced number itself, half its range for a half roll"
    )
    stage.set(velocity_centre=20, velocity_spread=1.0)
    assert played(stage) == [40, 20, 124]
    assert [s["velocity"] for s in stage.p.view()["line"]["steps"][:3]] == [40, 20, 124]
    assert [s["forced_velocity"] for s in stage.p.view()["line"]["steps"][:3]] == [40, 0, 100]
    stage.set(accent_velocity=60)
    assert played(stage) == [40, 20, 127]


def test_the_strikes_of_a_ratchet_keep_a_forced_velocity_without_the_accent():
    line = (Written(50, SOUND, accented=SOUND, ratchet=3, velocity=40), Written(53, SOUND))
    piece = Piece("First Light", {**QUIET, "length": 2, "division": "1/8"}, line, (MEDIUM,) * 2)
    for voice, clocks in ((Voice(), 24), (Voice(delay_ms=20.0), 25), (Voice(canon_steps=1), 37)):
        stage = Stage(Setup(voices=(voice,), pieces=(piece,)))
        stage.start()
        assert played(stage, clocks)[:4] == [64, 40, 40, 88], voice


@pytest.mark.parametrize("act", [("velocity", "1", "0.1"), ("to_chance", "1"), ("all_to_chance",)])
def test_a_hand_ends_a_forced_velocity(act):
    stage = forced()
    stage.start()
    stage.do(*act)
    assert stage.p.melody.steps[0].forced_velocity == stage.p.melody.home[0].forced_velocity == 0
    assert played(stage)[0] != 40
    assert stage.p.melody.steps[2].forced_velocity == (0 if act[0] == "all_to_chance" else 100)
    stage.do("undo", due="now")
    assert stage.p.melody.steps[0].forced_velocity == 40


def test_other_edits_leave_a_forced_velocity():
    stage = forced()
    stage.do("pitch", "1", "1")
    stage.do("pin", "1", "on")
    assert stage.p.melody.steps[0].forced_velocity == 40


@pytest.mark.parametrize("kind", ["substitute", "velocity", "neighbour"])
def test_a_mutation_of_tone_or_velocity_ends_a_forced_velocity_and_homing_brings_it_back(kind):
    weights = {f"weight_{name}": float(name == kind) for name in
               ("substitute", "neighbour", "swap", "octave", "rest", "accent", "velocity")}  # fmt: skip
    stage = forced(**weights, homing=0.0, mutation_chance=1.0, mutation_count=3, hold=False)
    stage.start()
    stage.clocks(18 * 4)
    ended = [step.forced_velocity for step in stage.p.melody.steps[:3]]
    assert ended == ([40, 0, 100] if kind == "neighbour" else [0, 0, 0])
    assert [step.forced_velocity for step in stage.p.melody.home[:3]] == [40, 0, 100]
    stage.set(homing=1.0)
    stage.clocks(18 * 4)
    assert [step.forced_velocity for step in stage.p.melody.steps[:3]] == [40, 0, 100]


def test_a_step_is_without_a_forced_velocity_once_it_is_taken_off():
    step = as_written(FORTY[0], MEDIUM)
    assert step.forced_velocity == 40 and without_forced_velocity(step) == step._replace(forced_velocity=0)
    assert without_forced_velocity(plain := Step()) is plain


def test_a_forced_velocity_is_saved():
    stage = forced()
    assert Performer.restore(stage.p.save()).melody.steps == stage.p.melody.steps


# -- kept lines -----------------------------------------------------------------

BLUE = KeptLine(
    "blue", (Written(57, pinned=True), Written(60), Written(64, velocity=33)),
    home=(Written(57), Written(62), Written(64)), values={"root": "A", "scale": "dorian", "length": 3},
)  # fmt: skip
GREEN = KeptLine("green", (Written(50),), values={"length": 1})
SET = Setup(pieces=(Piece("First Light", {"length": 8}),), kept=(BLUE, GREEN), values={"gate": 0.9})


def test_kept_lines_are_there_when_the_show_begins_and_are_recalled():
    stage = Stage(SET)
    assert [k["name"] for k in stage.p.view()["snapshots"]] == ["blue", "green"]
    stage.set(gate=0.3)
    stage.start()
    stage.do("recall", "blue", due="now")
    p = stage.p
    assert (p.values["root"], p.values["scale"], p.values["length"], p.values["gate"]) == ("A", "dorian", 3, 0.9)
    assert [s.pitch for s in p.melody.steps[:4]] == [57, 60, 64, 57]
    assert [s.pitch for s in p.melody.home[:3]] == [57, 62, 64]
    assert p.melody.steps[0].pinned and p.melody.steps[2].forced_velocity == 33
    assert all(step.rest >= 0.5 for step in p.melody.steps), "whole until half of rest_chance"
    assert "blue is back: as the set keeps it" in stage.said("done")[-1]["text"]


def test_a_kept_line_becomes_home():
    stage = Stage(SET)
    steps = list(stage.p.melody.steps)
    stage.do("home_from", "blue", due="now")
    assert stage.p.melody.steps == steps
    assert [s.pitch for s in stage.p.melody.home[:3]] == [57, 60, 64]


def test_a_kept_line_is_the_same_in_rehearsal_and_on_stage():
    one, two = Stage(SET, seed=1), Stage(SET, seed=2)
    assert one.p.melody.snapshots == two.p.melody.snapshots
    assert one.p.melody.steps != two.p.melody.steps
    same = replace(BLUE, name="teal")
    assert kept_of(same, SET).form.steps != kept_of(BLUE, SET).form.steps, "each name has rolls of its own"


def test_a_restored_performer_keeps_what_it_has():
    stage = Stage(SET)
    stage.do("forget", "green")
    assert list(Performer.restore(stage.p.save()).melody.snapshots) == ["blue"]


def last_show() -> Stage:
    """A show that kept green by hand, and blue by an older set."""
    stage = Stage(Setup(kept=(replace(BLUE, home=()),)))
    stage.start()
    stage.clocks(30)
    stage.do("keep", "green")
    return stage


def test_a_new_show_begins_with_tonights_kept_lines_and_loses_nothing_that_a_hand_kept():
    old, p = last_show(), Performer(SET, 9)
    by_hand = old.p.melody.snapshots["green"]
    p.carry_over(old.p.save(), whole=False)
    assert set(p.melody.snapshots) == {"blue", "green", "green-2"}
    assert p.melody.snapshots["blue"] == kept_of(BLUE, SET)
    assert p.melody.snapshots["green"] == kept_of(GREEN, SET)
    assert p.melody.snapshots["green-2"] == by_hand._replace(name="green-2")
    again = Performer(SET, 9)
    again.carry_over(p.save(), whole=False)
    assert again.melody.snapshots == p.melody.snapshots, "from show to show nothing piles up"


def test_a_show_that_goes_on_keeps_what_it_has_and_takes_in_what_is_new():
    old, p = last_show(), Performer(SET, 9)
    by_hand = old.p.melody.snapshots["green"]
    p.carry_over(old.p.save(), whole=True)
    assert p.melody.snapshots["green"] == by_hand
    assert p.melody.snapshots["blue"] == kept_of(BLUE, SET), "nobody has altered it since the older set"


def test_a_reload_adds_what_is_new_replaces_what_nobody_altered_and_leaves_the_rest():
    stage = Stage(replace(SET, kept=(BLUE, GREEN, replace(GREEN, name="red"), replace(GREEN, name="grey"))))
    stage.start()
    stage.clocks(30)
    for name in ("green", "grey"):
        stage.do("forget", name)
    stage.do("keep", "green")
    mine = stage.p.melody.snapshots["green"]
    changed = replace(BLUE, home=())
    other = (changed, replace(GREEN, line=(Written(40),)), replace(GREEN, name="grey"), replace(GREEN, name="new"))
    stage.forget()
    stage.give(Configure(to_plain(replace(SET, kept=other))))
    stage.clocks(12)
    snapshots = stage.p.melody.snapshots
    assert set(snapshots) == {"blue", "green", "red", "new"}, "grey was forgotten and is unchanged; red stays"
    assert snapshots["blue"] == kept_of(changed, SET)
    assert snapshots["green"] == mine
    assert [s["text"] for s in stage.said("snapshot")] == [
        "blue of the set is on the list",
        "green was kept by hand, so it stays; the set's is not taken",
        "new of the set is on the list",
    ]
