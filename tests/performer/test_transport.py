"""Clock and transport rules at the performer.

Sources: MIDI 1.0 Detailed Specification 4.2.1, p. 27-32 (clock, Start, Stop,
Continue, Song Position); what the document leaves open is our own rule.
"""

from __future__ import annotations

import itertools

import pytest

from replank.control.setup import Clock, Output, Setup
from replank.performer import Performer
from replank.performer.events import Midi
from tests.performer.kit import MS, Stage, every_step


def plain(**more: object) -> Stage:
    return Stage(**{**every_step(), **more})


def indices(stage: Stage) -> list[int]:
    return [step["index"] for step in stage.steps()]


def test_start_arms_and_the_first_clock_is_the_first_step() -> None:
    stage = plain()
    stage.clocks(5)
    stage.start()
    assert stage.ons() == []
    stage.clocks(1)
    assert indices(stage) == [1]
    stage.clocks(6 * 3)
    assert indices(stage) == [1, 2, 3, 4]


def test_sixteenths_fall_on_clocks_1_7_13_and_quarters_on_1_25_49() -> None:
    """Clock number k after Start is song clock k - 1 (p. 30-31)."""
    for division, expected in (("1/16", [0, 6, 12, 18, 24, 30, 36, 42, 48]), ("1/4", [0, 24, 48])):
        stage = plain(division=division)
        stage.start()
        found = []
        for k in range(49):
            before = len(stage.steps())
            stage.clocks(1)
            found += [k] if len(stage.steps()) > before else []
        assert found == expected


def test_clock_while_stopped_moves_nothing() -> None:
    stage = plain()
    stage.clocks(100)
    assert stage.steps() == []
    assert "no Start yet" in stage.p.view()["transport"]["words"]


def test_clock_without_start_plays_where_the_rig_says_so() -> None:
    stage = Stage(Setup(clock=Clock(without_start="play")), **every_step())
    stage.clocks(7)
    assert indices(stage) == [1, 2]


def test_stop_releases_and_keeps_the_position_and_continue_strikes_nothing_before_the_boundary() -> None:
    stage = plain(gate=1.0)
    stage.start()
    stage.clocks(6 * 4 + 3)
    assert stage.p.sounding()
    stage.midi(0xFC)
    assert stage.p.sounding() == []
    stage.midi(0xFC)
    assert sum(n["state"] == "stopped" for n in stage.said("transport")) == 1
    stage.forget()
    stage.midi(0xFB)
    stage.clocks(3)
    assert stage.ons() == []
    stage.clocks(1)
    assert indices(stage) == [6]


def test_song_position_4_and_continue_play_from_clock_24() -> None:
    """Song Position 4 is clock 24 (p. 27); the first clock after Continue is that one."""
    stage = plain()
    stage.midi(0xF2, 4, 0)
    stage.midi(0xFB)
    stage.clocks(1)
    assert indices(stage) == [5]
    assert stage.p.view()["transport"]["song_clock"] == 24


def test_song_position_4_with_three_clocks_while_locating_plays_from_clock_27() -> None:
    """Worked example of p. 28-29: clocks that come while locating are never lost."""
    stage = plain(division="3c")
    stage.midi(0xF2, 4, 0)
    stage.midi(0xFB)
    stage.clocks(3)  # clocks 24, 25, 26
    stage.forget()
    stage.clocks(1)
    assert stage.p.view()["transport"]["song_clock"] == 27
    assert indices(stage) == [10]  # 27 / 3 = step 9 from 0


@pytest.mark.parametrize("beats", [0, 1, 7, 16, 333, 16383])
def test_song_position_computes_from_the_anchor_and_the_length(beats: int) -> None:
    stage = plain(length=7)
    stage.midi(0xF2, beats & 127, beats >> 7)
    stage.midi(0xFB)
    stage.clocks(1)
    assert indices(stage) == [beats % 7 + 1]


def test_song_position_while_playing_is_followed_from_the_next_clock_and_keeps_the_form() -> None:
    stage = plain(hold=False, mutation_chance=1.0, settle_new=0)
    stage.start()
    stage.clocks(40)
    steps = list(stage.p.melody.steps)
    stage.midi(0xF2, 16, 0)
    stage.forget()
    stage.clocks(1)
    assert indices(stage) == [1]
    assert stage.p.melody.steps == steps
    assert stage.said("mutation") == []


def test_start_while_playing_restarts_on_the_next_clock_or_is_ignored_as_the_rig_says() -> None:
    for rule, expected in (("restart", 1), ("ignore", 3)):
        stage = Stage(Setup(clock=Clock(repeated_start=rule)), **every_step())
        stage.start()
        stage.clocks(12)
        stage.start()
        stage.forget()
        stage.clocks(1)
        assert indices(stage) == [expected]


def test_start_keeps_the_form_and_ends_the_cycle() -> None:
    stage = plain(hold=False, mutation_chance=1.0, settle_new=0)
    stage.start()
    stage.clocks(96 - 6)
    steps, cycle = list(stage.p.melody.steps), stage.p.melody.cycle
    stage.start()
    stage.clocks(1)
    assert stage.p.melody.steps == steps
    assert stage.p.melody.cycle == cycle + 1
    stage.start()
    stage.start()
    stage.clocks(1)
    assert stage.p.melody.cycle == cycle + 2, "two returns without a step between count once"


def test_seven_steps_come_home_against_four_bars() -> None:
    stage = plain(length=7, restart_every=4)
    stage.start()
    stage.bars(8)
    found = indices(stage)
    assert found[:64] == [n % 7 + 1 for n in range(64)]
    assert found[64:] == [n % 7 + 1 for n in range(64)]


def test_bars_follow_the_meter() -> None:
    stage = plain(meter="7/8", division="1/8")
    stage.start()
    stage.clocks(7 * 12 * 2)
    assert [(s["bar"], s["beat"]) for s in stage.steps()] == [(b, n) for b in (1, 2) for n in range(1, 8)]


def test_a_meter_change_waits_for_the_bar() -> None:
    stage = plain(division="1/4")
    stage.start()
    stage.clocks(30)
    stage.set(meter="3/4")
    stage.clocks(96 - 30 + 144)
    assert [(s["bar"], s["beat"]) for s in stage.steps()] == [
        (1, 1), (1, 2), (1, 3), (1, 4), (2, 1), (2, 2), (2, 3), (3, 1), (3, 2), (3, 3),
    ]  # fmt: skip


def test_a_division_change_waits_for_a_boundary_that_both_share() -> None:
    stage = plain()
    stage.start()
    stage.clocks(7)  # in the midst of step 2, which began at clock 6
    stage.set(division="1/8")
    assert stage.p.values["division"] == "1/16"
    times = []
    for k in range(7, 61):
        before = len(stage.steps())
        stage.clocks(1)
        times += [k] if len(stage.steps()) > before else []
    assert times == [12, 24, 36, 48, 60]
    assert indices(stage) == list(range(1, 8)), "the playhead goes on where it is"


def test_a_division_change_to_seven_clocks_waits_for_42() -> None:
    stage = plain()
    stage.start()
    stage.clocks(2)
    stage.set(division="7c")
    stage.clocks(39)
    assert stage.p.values["division"] == "1/16"
    stage.clocks(2)
    assert stage.p.values["division"] == "7c"


def test_length_changes_keep_the_playhead_or_go_to_step_one() -> None:
    stage = plain()
    stage.start()
    stage.clocks(6 * 5 + 1)
    stage.set(length=12)
    stage.clocks(6)
    assert indices(stage)[-1] == 7
    stage.set(length=4)
    stage.clocks(6)
    assert indices(stage)[-1] == 1
    assert stage.said("cycle")[-1]["ended_by"] == "length"
    stage.set(length=64)
    stage.clocks(6)
    assert indices(stage)[-1] == 2


def test_a_direction_change_goes_on_from_the_present_step() -> None:
    stage = plain()
    stage.start()
    stage.clocks(6 * 4 + 1)
    stage.set(direction="reverse")
    stage.clocks(12)
    assert indices(stage) == [1, 2, 3, 4, 5, 4, 3]


# -- losing the clock ----------------------------------------------------------


def lose(stage: Stage, seconds: float) -> None:
    stage.until(stage.now + int(seconds * 1e9))


def test_a_lost_clock_releases_and_waits() -> None:
    stage = plain(gate=1.0)
    stage.start()
    stage.clocks(60)
    lose(stage, 2)
    assert stage.p.sounding() == []
    assert stage.said("clock")[-1]["state"] == "lost"
    assert "stopped coming" in stage.p.view()["transport"]["words"]


def test_a_steady_clock_that_returns_within_8_s_is_continued_by_estimate() -> None:
    stage = plain()
    stage.start()
    stage.clocks(96)
    gap = 3 * 96 * stage.interval
    stage.until(stage.now + gap)
    stage.midi(0xF8)
    view = stage.p.view()["transport"]
    assert view["phase"] == "estimated"
    assert view["song_clock"] == 95 + 3 * 96, "to the nearest whole clock"
    assert [n["state"] for n in stage.said("clock")] == ["lost", "back", "made up"]


def test_skipped_cycles_do_not_mutate() -> None:
    stage = plain(hold=False, mutation_chance=1.0, settle_new=0)
    stage.start()
    stage.clocks(96 + 6)
    steps = list(stage.p.melody.steps)
    stage.until(stage.now + 3 * 96 * stage.interval)
    stage.midi(0xF8)
    stage.clocks(5)
    assert stage.p.melody.steps == steps


def test_a_clock_that_returns_later_goes_on_from_where_it_stopped() -> None:
    stage = plain()
    stage.start()
    stage.clocks(96)
    lose(stage, 20)
    stage.midi(0xF8)
    view = stage.p.view()["transport"]
    assert view["phase"] == "unknown"
    assert view["song_clock"] == 96


def test_downbeat_makes_the_nearest_clock_bar_1_beat_1_step_1() -> None:
    for after, expected in ((4 * MS, 0), (15 * MS, 1)):
        stage = plain(length=7)
        stage.start()
        stage.clocks(100)
        stage.forget()
        stage.until(stage.now + after)
        stage.do("downbeat")
        assert len(stage.steps()) == 1 - expected
        stage.until(stage.now + stage.interval - after)
        stage.midi(0xF8)
        assert [(s["index"], s["bar"], s["beat"]) for s in stage.steps()] == [(1, 1, 1)]
        assert stage.p.view()["transport"]["phase"] == "locked"


def test_downbeat_keeps_the_tempo_and_the_grid() -> None:
    stage = plain()
    stage.start()
    stage.clocks(100)
    stage.do("downbeat")
    stage.forget()
    stage.clocks(96)
    assert len(stage.steps()) == 16


def test_nudge_moves_the_playhead_and_it_stays_moved() -> None:
    stage = plain()
    stage.start()
    stage.clocks(1)
    stage.do("nudge", "2")
    stage.clocks(12)
    assert indices(stage) == [1, 4, 5]


def test_a_tempo_jump_is_followed() -> None:
    stage = plain()
    stage.start()
    stage.clocks(96)
    stage.interval = 6_250_000  # 400 BPM
    stage.clocks(96)
    assert stage.p.view()["transport"]["tempo"] == pytest.approx(400, abs=0.1)
    stage.interval = 125_000_000  # 20 BPM
    stage.clocks(48)
    assert stage.p.view()["transport"]["tempo"] == pytest.approx(20, abs=0.01)
    assert stage.p.sounding() == [] or stage.p.next_deadline() is not None


# -- internal clock ----------------------------------------------


def test_the_internal_clock_plays_at_its_tempo() -> None:
    stage = Stage(Setup(clock=Clock(source="internal")), **every_step(), tempo=120.0)
    stage.do("start")
    stage.until(1_999_000_000)
    assert indices(stage) == list(range(1, 17))
    stage.do("stop")
    stage.until(4_000_000_000)
    assert len(stage.steps()) == 16
    stage.do("continue")
    stage.until(4_200_000_000)
    assert len(stage.steps()) > 16


def test_active_sensing_goes_out_within_270_ms() -> None:
    """MIDI 1.0, p. 32: within 270 ms once it has begun; receivers judge at 330 ms."""
    stage = Stage(Setup(outputs=(Output(active_sensing=True),)))
    stage.until(5_000_000_000)
    times = [now for now, _, data in stage.heard if data == b"\xfe"]
    assert len(times) >= 18
    assert max(b - a for a, b in itertools.pairwise(times)) <= 270 * MS


def test_malformed_bytes_are_ignored_and_counted() -> None:
    stage = plain()
    for data in (b"", b"\x90\x3c", b"\x3c\x40", b"\xf4", b"\x90\x80\x00", b"\xf8\xf8", b"\xb0\x01\x02\x03"):
        stage.give(Midi(0, data))
    assert stage.p.view()["inputs"][0]["malformed"] == 7
    assert stage.heard == []
    stage.give(Midi(0, b"\xf0\x7d\x01\xf7"))
    assert stage.p.view()["inputs"][0]["malformed"] == 7


def test_times_that_fall_are_clamped() -> None:
    p = Performer(Setup(), 1, 1000)
    p.receive(Midi(0, b"\xfa"), 500)
    assert p.now == 1000
