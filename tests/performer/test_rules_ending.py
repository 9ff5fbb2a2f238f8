"""Ending, muting and answering in every state, and what a mute that comes in between does to links and canons."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from replank.control.setup import Input, Output, Setup, Voice
from replank.line.steps import LINK_NONE, LINK_SLIDE, LINK_TIE, SOUND
from tests.performer.kit import AT_120, MS, Stage, every_step, pulses_setup, unbalanced


def playing(setup: Setup | None = None, **more: Any) -> Stage:
    stage = Stage(setup, **{**every_step(), **more})
    stage.start()
    stage.clocks(97)
    stage.forget()
    return stage


def ended(stage: Stage) -> bool:
    """The line is muted, nothing sounds, and nothing is left of the ending."""
    return stage.p.values["mute"] is True and stage.p.sounding() == [] and stage.p.ending == 0


def in_the_root(**more: Any) -> Stage:
    stage = playing(**more)
    stage.do("end")
    stage.clocks(100)
    assert stage.p.ending == 3 and stage.p.sounding()
    return stage


def test_end_while_stopped_or_muted_mutes_and_sounds_nothing() -> None:
    stage = Stage(**every_step())
    stage.do("end")
    assert ended(stage) and stage.ons() == []
    stage = playing()
    stage.do("mute")
    stage.clocks(10)
    stage.forget()
    stage.do("end")
    stage.bars(8)
    assert ended(stage) and stage.ons() == []


def test_end_within_an_answer_sounds_its_root_once() -> None:
    stage = playing()
    stage.do("answer", "1", "1", due="now")
    stage.clocks(96)
    stage.forget()
    stage.do("end")
    stage.bars(7)
    assert ended(stage)
    assert len(stage.ons()) == 1


def test_end_with_pulses() -> None:
    stage = Stage(pulses_setup(end_beats=2), **every_step(), length=4)
    for _ in range(6):
        stage.pulse()
    stage.do("end")
    for _ in range(3):
        stage.pulse()
    on = stage.ons()[-1][0]
    assert stage.p.ending == 3
    for _ in range(6):
        stage.pulse()
    assert ended(stage)
    assert (stage.ons()[-1][0], stage.offs()[-1][0] - on) == (on, 500 * MS)


@pytest.mark.parametrize("what", ["stop", "panic", "song position", "lost", "tuning_note"])
def test_whatever_cuts_the_last_root_leaves_the_line_muted_not_stuck(what: str) -> None:
    stage = in_the_root()
    if what == "stop":
        stage.midi(0xFC)
        stage.midi(0xFB)
    elif what == "song position":
        stage.midi(0xF2, 8, 0)
    elif what == "lost":
        stage.until(stage.now + 3000 * MS)
    else:
        stage.do(what)
        stage.do(what) if what == "tuning_note" else None
    assert ended(stage)
    stage.clocks(30)
    stage.do("mute", "off")
    stage.clocks(12)
    assert stage.ons()


def test_run_while_the_last_root_waits_for_its_beat_plays_on() -> None:
    stage = playing(length=7)
    stage.do("end")
    while stage.p.ending != 2:
        stage.clocks(1)
    stage.do("join", due="now")
    stage.forget()
    stage.bars(2)
    assert stage.p.values["mute"] is False
    assert len(stage.ons()) >= 30


def test_a_mute_while_the_last_root_waits_for_its_beat_lets_it_not_sound() -> None:
    stage = playing(length=7)
    stage.do("end")
    while stage.p.ending != 2:
        stage.clocks(1)
    stage.forget()
    stage.do("mute", "on")
    stage.bars(2)
    assert stage.ons() == []
    assert ended(stage)


def test_accents_go_down_while_the_last_root_waits_for_its_beat() -> None:
    stage = playing(length=7, accent_chance=1.0)
    stage.do("end")
    while stage.p.ending != 2:
        stage.clocks(1)
    assert stage.heard[-1][2] == bytes((0xB0, 20, 0))


def link(stage: Stage, linked: int) -> None:
    m = stage.p.melody
    m.steps = [s._replace(linked=linked, rhythm=SOUND) for s in m.steps]


@pytest.mark.parametrize(("linked", "gate"), [(LINK_SLIDE, 0.6), (LINK_TIE, 0.6), (LINK_NONE, 1.0)])
@pytest.mark.parametrize("lag", [0, 1])
def test_a_mute_within_a_linked_note_lets_it_sound_for_its_step_only(linked: int, gate: float, lag: int) -> None:
    setup = Setup(outputs=(Output(), Output("second")), voices=(Voice(), Voice("second", output=1, canon_steps=lag)))
    stage = playing(setup, gate=gate)
    link(stage, linked)
    stage.clocks(12)
    assert stage.p.sounding()
    stage.do("mute")
    stage.clocks(7)
    assert stage.p.sounding() == []
    assert max(now for now, _ in stage.offs()) <= stage.now
    assert stage.now - max(now for now, _ in stage.offs()) <= 2 * AT_120


def test_a_mute_silences_delayed_voices_and_the_repeats_of_a_canon_too() -> None:
    setup = Setup(
        outputs=(Output(), Output("second")),
        voices=(Voice(), Voice("late", output=1, delay_ms=400.0), Voice("canon", output=1, channel=2, canon_steps=1)),
    )
    stage = playing(setup, division="1/4")
    for n in range(16):
        stage.do("ratchet", str(n + 1), "4")
    stage.clocks(48 + 1)
    stage.do("mute")
    stage.forget()
    stage.clocks(96)
    assert stage.ons() == []
    stage.heard += [(0, o, d) for o, d in stage.p.releases()]


def test_a_canons_repeats_carry_no_accent_and_wait_for_its_delay() -> None:
    setup = Setup(voices=(Voice(), Voice("canon", channel=2, canon_steps=1, delay_ms=30.0)))
    stage = playing(setup, division="1/4", accent_chance=1.0, velocity_spread=0.0)
    stage.do("ratchet", "2", "2")
    m = stage.p.melody
    m.steps[0] = m.steps[0]._replace(linked=LINK_SLIDE)
    stage.clocks(16 * 24)
    mine = [(now, d[2]) for now, _, d in stage.heard if d[0] == 0x91]
    pairs = [(a, b) for a, b in itertools.pairwise(mine) if b[0] - a[0] == 12 * AT_120]
    assert pairs and (pairs[0][0][1], pairs[0][1][1]) == (88 + 24, 88)


def test_nothing_is_struck_twice_or_hangs_with_links_canons_repeats_swing_and_mutes() -> None:
    setup = Setup(voices=(Voice(), Voice("canon", channel=2, canon_steps=3, degrees=2), Voice("same", delay_ms=25.0)))
    links = {"slide_chance": 0.5, "ratchet_chance": 0.3, "ratchet_count": 3, "swing": 66.0, "gate": 1.0}
    stage = Stage(setup, mutation_chance=1.0, settle_new=0, **links)
    stage.start()
    for n in range(60):
        stage.clocks(7 + n % 11)
        stage.do("mute")
    stage.heard += [(0, o, d) for o, d in stage.p.releases()]
    assert unbalanced([(o, d) for _, o, d in stage.heard]) == []
    assert len(stage.ons()) > 100


def keys(mode: str, **more: Any) -> Stage:
    setup = Setup(inputs=(Input("clock", "clock"), Input("keys", "keyboard")), keyboard=mode)
    return Stage(setup, **{**every_step(), **more})


def test_the_keyboard_catches_as_many_notes_as_the_line_has_steps() -> None:
    stage = keys("catch", length=5)
    stage.do("rest", "2", "rest")
    stage.start()
    stage.clocks(10)
    for note in (50, 53, 55, 57, 60):
        stage.midi(0x90, note, 100, port=1)
        stage.midi(0x80, note, 64, port=1)
    assert stage.p.due
    stage.clocks(96 - 10)
    stage.forget()
    stage.clocks(96)
    assert {note for _, note in stage.ons()} == {50, 53, 55, 57, 60}
    assert stage.p.melody.steps[:5] == stage.p.melody.home[:5]
    notes = {s["index"]: s["note"] for s in stage.steps()}
    assert notes[2] == 53, "a rest set by hand is not in the way of what was caught"


def test_what_was_caught_outside_the_register_comes_back_in_a_wider_one() -> None:
    """In D minor pentatonic from C3 to G4, a fellow player's C2, C#2, D5, F4, C#6: two of them outside the scale."""
    stage = keys("catch", length=5)
    stage.start()
    stage.clocks(1)
    for note in (36, 37, 74, 65, 85):
        stage.midi(0x90, note, 100, port=1)

    def sounds() -> list[int]:
        return [step["note"] for step in stage.p.view()["line"]["steps"][:5]]

    stage.clocks(96)
    assert sounds() == [48, 49, 62, 65, 61], "folded by octaves into the register"
    stage.set(register_low=36, register_span=48)
    assert sounds() == [36, 49, 74, 65, 61], "as they were played, but for those outside the scale"
    stage.set(register_low=48, register_span=19)
    assert sounds() == [48, 49, 62, 65, 61]


def test_the_keyboard_writes_the_selected_step_and_moves_on() -> None:
    stage = keys("write", length=6)
    stage.do("select", "5")
    for note in (50, 53, 55):
        stage.midi(0x90, note, 100, port=1)
    assert [stage.p.view()["line"]["steps"][i]["note"] for i in (4, 5, 0)] == [50, 53, 55]
    assert stage.p.view()["selected"] == 2
