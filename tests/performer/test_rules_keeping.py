"""Hands, snapshots, the trail and odd scales against mutation: what was just touched is heard before it moves."""

from __future__ import annotations

import json
from typing import Any

import pytest

from replank.control.setup import Clock, Output, Piece, Setup, Voice
from replank.performer.events import BringBack
from tests.performer.kit import AT_120, MS, Stage, every_step, pulses_setup


def eager(setup: Setup | None = None, **more: Any) -> Stage:
    stage = Stage(setup, **{"mutation_chance": 1.0, "homing": 0.0, "settle_new": 0, "settle": 0, **more})
    stage.start()
    return stage


def test_an_edited_step_is_heard_before_it_may_mutate_also_by_bars_over_a_cycles_end() -> None:
    stage = eager(length=16, division="1/8", mutate_every="1bar", mutation_count=16)
    stage.clocks(96 * 2 - 24)  # in the second bar of the cycle: step 15 or 16
    stage.do("pitch", "1", "1")
    edited = stage.p.melody.steps[0]
    stage.clocks(30)  # the moment at the cycle's end
    assert stage.p.melody.steps[0] == edited


def test_rotate_takes_along_what_a_hand_has_touched_home_and_pins() -> None:
    stage = eager(mutation_count=16, settle=0)
    stage.clocks(20)
    stage.do("pitch", "3", "1")
    stage.do("pin", "5", "on")
    stage.do("rotate", "2", due="now")
    m = stage.p.melody
    assert m.edited[4] == m.cycle and m.edited[2] == 0
    assert [s.pinned for s in m.steps[:8]] == [n == 6 for n in range(8)]
    assert m.home[4] == m.steps[4]
    assert m.played & 1 << 2 and not m.played & 1 << 15


def test_a_mutation_by_hand_at_the_seam_never_halves_an_exchange() -> None:
    only = {f"weight_{k}": 0.0 for k in ("substitute", "neighbour", "octave", "rest", "accent", "velocity")}
    for seed in range(40):
        stage = Stage(seed=seed, mutation_chance=1.0, homing=0.0, settle_new=0, mutation_count=2, motif=0.0, **only)
        stage.start()
        stage.clocks(96 - 5)
        pitches = sorted(stage.p.settings.lens.base(s) for s in stage.p.melody.steps[:16])
        stage.do("mutate")
        stage.clocks(6)
        assert sorted(stage.p.settings.lens.base(s) for s in stage.p.melody.steps[:16]) == pitches


def test_undo_brings_back_a_forgotten_snapshot_also_after_the_line_went_on() -> None:
    stage = eager(mutation_count=2)
    stage.do("keep", "blue")
    stage.clocks(97)
    stage.do("forget", "blue")
    stage.clocks(96 * 2)
    stage.do("keep", "blue")
    other = stage.p.melody.snapshots["blue"]
    for _ in range(3):
        stage.do("undo", due="now")
    assert set(stage.p.melody.snapshots) == {"blue", "blue-2"}
    assert stage.p.melody.snapshots["blue"] == other


def test_a_snapshot_from_the_store_never_overwrites_one_of_tonight() -> None:
    stage = eager()
    stage.do("keep", "blue")
    old = stage.p.melody.snapshots["blue"]
    stage.clocks(96 * 4)
    stage.give(BringBack("snapshot", "blue", {"kept": old.save()}))
    assert set(stage.p.melody.snapshots) == {"blue"}
    stage.do("keep", "now")
    stage.give(BringBack("snapshot", "blue", {"kept": stage.p.melody.snapshots["now"].save()}))
    assert stage.p.melody.snapshots["blue"] == old
    assert "blue-2" in stage.p.melody.snapshots


def test_a_parameter_of_a_list_is_nudged_on_from_what_waits() -> None:
    stage = Stage(**every_step())
    stage.start()
    stage.clocks(10)
    for _ in range(2):
        stage.do("adjust", "scale", "1")
    stage.bars(1)
    assert stage.p.values["scale"] == "aeolian"


# -- scales --------------------------------------------------------------------


@pytest.mark.parametrize("low", [0, 60, 115])
@pytest.mark.parametrize("scale", [(0.0,), (0.0, 350.0, 702.0)])
def test_a_scale_of_few_tones_at_either_end_of_the_register(scale: tuple[float, ...], low: int) -> None:
    setup = Setup(user_scales={"mine": scale})
    stage = eager(setup, scale="mine", register_low=low, register_span=60, mutation_count=16, leap=14)
    for span in (60, 12, 24):
        stage.set(register_span=span, transpose=24, transpose_degrees=3)
        stage.do("redraw", due="now")
        stage.bars(4)
        stage.set(transpose=-24, transpose_degrees=-14)
        stage.bars(4)
    assert len(stage.ons()) > 100
    assert all(0 <= note <= 127 for _, note in stage.ons())


def test_a_canon_in_a_scale_of_cents_is_bent_by_its_own_degree() -> None:
    """350 cents is the semitone 3 or 4 and half a semitone beside it: 8192 +/- 2048 at two semitones of bend."""
    setup = Setup(
        user_scales={"mine": (0.0, 350.0, 700.0)},
        outputs=(Output(), Output("second")),
        voices=(
            Voice(),
            Voice("second", output=1, degrees=1, canon_steps=1, bend_range=2, accent_cc=-1, velocity_cc=-1),
        ),
    )
    stage = Stage(setup, **{**every_step(), "scale": "mine", "root": "C", "length": 1})
    stage.do("note", "1", "C4")
    stage.start()
    stage.clocks(13)
    bends = [d[1] | d[2] << 7 for _, o, d in stage.heard if o == 1 and d[0] == 0xE0]
    assert abs(bends[-1] - 8192) == 2048
    notes = [d[1] for _, o, d in stage.heard if o == 1 and d[0] == 0x90]
    assert notes[-1] in (63, 64)


def test_a_register_that_moves_under_a_sounding_note_still_releases_it() -> None:
    stage = Stage(**{**every_step(), "gate": 1.0})
    stage.start()
    stage.clocks(14)
    held = stage.p.sounding()
    stage.set(register_low=100, register_span=12)
    assert stage.p.sounding() == held
    stage.clocks(6)
    assert (held[0][2]) in [note for _, note in stage.offs()]
    assert len(stage.p.sounding()) == 1


def test_no_spread_of_velocity_is_the_centre() -> None:
    stage = Stage(**{**every_step(), "velocity_spread": 0.0, "accent_chance": 0.0, "velocity_centre": 70})
    stage.start()
    stage.bars(2)
    assert {d[2] for _, _, d in stage.heard if d[0] == 0x90} == {70}


# -- controllers, clocks, state ------------------------------------------------


def test_the_portamento_switch_is_told_again_with_the_other_controllers() -> None:
    stage = Stage(Setup(voices=(Voice(slide_cc=True),)))
    stage.start()
    assert bytes((0xB0, 65, 0)) in [d for _, _, d in stage.heard]
    stage.forget()
    stage.do("panic")
    assert bytes((0xB0, 65, 0)) in [d for _, _, d in stage.heard]


def test_a_clock_from_outside_does_not_move_a_line_on_its_own_clock() -> None:
    stage = Stage(Setup(clock=Clock(source="internal")), **every_step(), tempo=60.0)
    stage.do("start")
    for _ in range(48):
        stage.until(stage.now + 5 * MS)
        stage.midi(0xF8)
    assert [s["index"] for s in stage.steps()] == [1]


STATES = ("", "start", "lost", "end", "mute", "answer:1:1", "tuning_note", "piece:1", "ramp:gate:1:4", "redraw@3bars")


@pytest.mark.parametrize("mode", ["clock", "pulses"])
@pytest.mark.parametrize("state", STATES)
def test_the_view_is_json_in_every_state(mode: str, state: str) -> None:
    setup = Setup(pieces=(Piece("First Light"),)) if mode == "midi" else pulses_setup()
    stage = Stage(setup)
    json.dumps(stage.p.view(), allow_nan=False)
    stage.start()
    json.dumps(stage.p.view(), allow_nan=False)
    for _ in range(3):
        stage.pulse() if mode == "pulses" else stage.clocks(20)
    if state == "lost":
        stage.until(stage.now + 5000 * MS)
    elif state and state != "start":
        name, _, due = state.partition("@")
        stage.do(*name.split(":"), due=due)
    for _ in range(4):
        json.dumps(stage.p.view(), allow_nan=False)
        for _ in range(6):
            stage.pulse() if mode == "pulses" else stage.clocks(5)
    assert stage.p.view()["transport"]["words"]


def test_after_a_release_the_gate_of_a_swung_division_keeps_its_fraction() -> None:
    """Half of the slot from strike to strike: 9 clocks and 3 clocks of two sixteenths at 75 %."""
    stage = Stage(**{**every_step(), "gate": 0.5, "swing": 75.0})
    stage.start()
    stage.clocks(48)
    stage.start()
    stage.forget()
    stage.clocks(25)
    gates = [off - on for (on, _), (off, _) in zip(stage.ons(), stage.offs(), strict=False)][:4]
    assert sorted({round(gate / AT_120, 2) for gate in gates}) == [1.5, 4.5]
