"""Clock corners in combination: join, realign, downbeat, nudge, Stop, lost clocks, ramps, divisions."""

from __future__ import annotations

from typing import Any

import pytest

from replank.control.setup import Clock, Output, Piece, Setup, Voice, to_plain
from replank.performer.events import Configure
from tests.performer.kit import MS, Stage, every_step


def plain(setup: Setup | None = None, **more: Any) -> Stage:
    return Stage(setup, **{**every_step(), **more})


def indices(stage: Stage) -> list[int]:
    return [step["index"] for step in stage.steps()]


@pytest.mark.parametrize("action", ["join", "realign", "piece:1", "downbeat", "reset"])
@pytest.mark.parametrize("clocks", [1, 97, 98, 100, 103])
def test_an_act_at_any_clock_and_at_any_due_never_loses_the_line(action: str, clocks: int) -> None:
    for due in ("now", "step", "cycle", "bar"):
        stage = plain(Setup(pieces=(Piece("First Light"),)), length=7)
        stage.start()
        stage.clocks(clocks)
        name, *args = action.split(":")
        stage.do(name, *args, due=due)
        stage.clocks(96)
        stage.forget()
        stage.clocks(96)
        assert len(stage.steps()) == 16, (action, clocks, due)


def test_run_while_playing_keeps_the_form_as_start_does() -> None:
    stage = plain(hold=False, mutation_chance=1.0, mutation_count=16, settle_new=0)
    stage.start()
    stage.clocks(90)
    steps = list(stage.p.melody.steps)
    stage.do("join")
    stage.clocks(12)
    assert stage.p.melody.steps == steps
    assert indices(stage)[-1] == 1


def test_clock_that_needs_no_start_stays_stopped_after_stop_until_start_continue_or_join() -> None:
    for resume in ((0xFA,), (0xFB,), None):
        stage = plain(Setup(clock=Clock(without_start="play")))
        stage.clocks(20)
        assert stage.steps()
        stage.midi(0xFC)
        stage.forget()
        stage.clocks(50)
        assert stage.steps() == []
        stage.midi(*resume) if resume else stage.do("join")
        stage.clocks(12)
        assert stage.steps()


def test_stop_while_armed_is_a_stop() -> None:
    stage = plain()
    stage.start()
    stage.midi(0xFC)
    stage.clocks(50)
    assert stage.steps() == []
    assert stage.p.view()["transport"]["state"] == "stopped"
    stage.midi(0xFB)
    stage.clocks(1)
    assert indices(stage) == [1]


def test_start_while_the_clock_is_lost_begins_at_the_next_clock() -> None:
    stage = plain(length=7)
    stage.start()
    stage.clocks(100)
    stage.until(stage.now + 2000 * MS)
    stage.start()
    stage.forget()
    stage.until(stage.now + 1000 * MS)
    stage.clocks(13)
    assert indices(stage) == [1, 2, 3]
    assert stage.p.view()["transport"]["phase"] == "counted"  # the clock is new
    stage.clocks(24)
    assert stage.p.view()["transport"]["phase"] == "locked"


def test_downbeat_while_the_clock_is_lost_makes_the_next_clock_bar_one() -> None:
    stage = plain(length=7)
    stage.start()
    stage.clocks(100)
    stage.until(stage.now + 2000 * MS)
    stage.do("downbeat")
    stage.forget()
    stage.clocks(7)
    assert [(s["index"], s["bar"], s["beat"]) for s in stage.steps()] == [(1, 1, 1), (2, 1, 1)]
    stage.clocks(24)
    assert stage.p.view()["transport"]["phase"] == "locked"


def test_a_pause_while_stopped_is_no_dropout_and_keeps_the_tempo() -> None:
    stage = plain()
    stage.start()
    stage.clocks(96)
    stage.midi(0xFC)
    stage.until(stage.now + 60_000 * MS)
    stage.start()
    stage.clocks(30)
    view = stage.p.view()["transport"]
    assert view["dropouts"] == 0
    assert view["tempo"] == pytest.approx(120, abs=0.01)


@pytest.mark.parametrize("jump", ["start", "downbeat", "song position"])
def test_a_ramp_goes_on_over_a_jump_of_the_song(jump: str) -> None:
    stage = plain()
    stage.start()
    stage.bars(20)
    stage.do("ramp", "gate", "1", "8")
    stage.bars(4)
    half = stage.p.values["gate"]
    assert half == pytest.approx(0.8, abs=0.02)
    if jump == "start":
        stage.start()
    elif jump == "downbeat":
        stage.do("downbeat")
    else:
        stage.midi(0xF2, 0, 1)
    stage.clocks(12)
    assert stage.p.values["gate"] == pytest.approx(half, abs=0.02)
    stage.bars(4)
    assert stage.p.values["gate"] == 1.0


def test_what_waits_for_bars_counts_on_over_a_start() -> None:
    stage = plain()
    stage.start()
    stage.bars(20)
    stage.do("rotate", "1", due="3bars")
    stage.clocks(10)
    stage.start()
    stage.clocks(96 * 2)  # a bar line had gone by before
    assert stage.said("done") == []
    stage.clocks(1)
    assert stage.said("done")


def test_an_answer_begins_with_its_sounding_bars_at_start() -> None:
    stage = plain()
    stage.start()
    stage.bars(3)
    stage.do("answer", "1", "2", due="now")
    stage.clocks(130)
    stage.start()
    stage.forget()
    stage.bars(6)
    assert {s["bar"] for s in stage.steps() if s["note"] >= 0} == {1, 4}


def test_a_lost_clock_leaves_an_answer_in_phase() -> None:
    stage = plain()
    stage.start()
    stage.do("answer", "1", "1", due="now")
    stage.bars(2)
    stage.until(stage.now + 2 * 96 * stage.interval)
    stage.forget()
    stage.bars(4)
    assert {s["bar"] % 2 for s in stage.steps() if s["note"] >= 0} == {1}


def test_a_division_change_reaches_a_line_that_lies_beside_the_songs_grid() -> None:
    stage = plain()
    stage.start()
    stage.clocks(100)
    stage.do("join", due="now")  # the next clock, 100, is step 1: beside the grid of sixteenths
    stage.set(division="1/8")
    stage.clocks(13)
    assert stage.p.values["division"] == "1/8"
    stage.forget()
    stage.clocks(96)
    assert len(stage.steps()) == 8


def test_swing_stays_on_the_songs_grid_over_a_division_change() -> None:
    stage = plain(swing=75.0, length=7)
    stage.start()
    stage.clocks(31)
    stage.set(division="1/8")
    stage.clocks(60)
    stage.forget()
    stage.clocks(48)
    clocks = [now // stage.interval - 1 for now, _ in stage.ons()]
    assert {clock % 24 for clock in clocks} == {0, 12 + 6}


def test_undoing_a_piece_of_another_division_waits_for_a_boundary_that_both_share() -> None:
    pieces = (Piece("Long Exposure", {"division": "1/4"}), Piece("Occultation", {"division": "1/16"}))
    stage = plain(Setup(pieces=pieces))
    stage.start()
    stage.clocks(20)
    stage.do("next_piece")
    stage.clocks(80)
    stage.do("undo")
    stage.clocks(6)
    assert stage.p.values["division"] == "1/16"
    stage.forget()
    stage.clocks(96)
    assert stage.p.values["division"] == "1/4"
    assert stage.p.transport.step_clock % 24 == 0


def test_a_meter_or_rig_that_does_not_fit_is_refused_not_fatal() -> None:
    stage = plain()
    stage.set(division="768c")
    stage.set(meter="1/32")
    assert stage.p.values["meter"] == "4/4"
    stage = plain(Setup(user_scales={"mine": (0.0, 350.0)}))
    stage.set(scale="mine")
    stage.start()
    stage.clocks(20)
    stage.give(Configure(to_plain(Setup())))
    stage.clocks(20)
    assert [n["what"] for n in stage.said("refused")] == ["the new rig"]
    assert len(stage.steps()) == 7


def test_song_position_after_realign_counts_from_there() -> None:
    stage = plain(length=7)
    stage.start()
    stage.clocks(50)
    stage.do("realign", due="bar")
    stage.clocks(60)
    stage.midi(0xF2, 16 + 9, 0)
    stage.forget()
    stage.clocks(1)
    assert indices(stage) == [9 % 7 + 1]


@pytest.mark.parametrize("beats", [0, 15, 16, 40, 63, 64, 65, 130])
def test_song_position_with_restart_every_is_where_playing_there_would_be(beats: int) -> None:
    played = plain(length=7, restart_every=2)
    played.start()
    played.clocks(beats * 6 + 1)
    stage = plain(length=7, restart_every=2)
    stage.midi(0xF2, beats & 127, beats >> 7)
    stage.midi(0xFB)
    stage.clocks(1)
    assert indices(stage) == indices(played)[-1:]


def test_the_internal_clock_stops_goes_on_and_begins_again() -> None:
    stage = plain(Setup(clock=Clock(source="internal")), tempo=120.0)
    stage.do("start")
    stage.until(600 * MS)
    stage.do("stop")
    assert stage.p.sounding() == []
    stage.until(9_000 * MS)
    stage.do("continue")
    stage.until(9_500 * MS)
    assert indices(stage) == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    stage.do("start")
    stage.forget()
    stage.until(10_000 * MS)
    assert indices(stage) == [1, 2, 3, 4]


@pytest.mark.parametrize(("interval", "bpm"), [(125_000_000, 20), (6_250_000, 400)])
def test_the_slowest_and_the_fastest_clock(interval: int, bpm: int) -> None:
    stage = plain(gate=1.0, swing=60.0)
    stage.interval = interval
    stage.start()
    stage.bars(3)
    assert len(stage.ons()) >= 47
    assert stage.said("clock") == []
    assert stage.p.view()["transport"]["tempo"] == pytest.approx(bpm, rel=0.001)


def test_after_start_no_bend_range_stands_before_the_first_note_where_the_clock_is_near() -> None:
    """A range is 6 messages, 18 bytes or 5.76 ms of a DIN cable (MIDI 1.0: 31.25 kbaud): it follows the note."""
    stage = Stage(Setup(voices=(Voice(bend_range=2),), outputs=(Output(din=True),)), **every_step())
    stage.clocks(24)
    stage.until(stage.now + stage.interval - 2 * MS)
    stage.forget()
    stage.start()
    stage.until(stage.now + 2 * MS)
    stage.midi(0xF8)
    data = [data for _, _, data in stage.heard]
    first = next(i for i, one in enumerate(data) if one[0] & 0xF0 == 0x90)
    ranges = [i for i, one in enumerate(data) if one[0] & 0xF0 == 0xB0 and one[1] in (100, 101, 6, 38)]
    assert ranges and min(ranges) > first
    other = Stage(Setup(voices=(Voice(bend_range=2),)), **every_step())
    other.clocks(24)
    other.start()  # the clock has just been: there is room
    assert any(one[0] & 0xF0 == 0xB0 and one[1] == 101 for _, _, one in other.heard)
