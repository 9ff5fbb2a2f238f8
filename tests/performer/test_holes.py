"""Holes in the clock as the line plays them: what falls into one, what is taken back, what is played on.

The judge's own arithmetic is tried in tests/timing/test_judge.py, against
clocks whose truth is known; here it is what the performer makes of it.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from replank.control.setup import Clock, Output, Setup
from replank.performer import Performer, counting
from replank.performer.events import Heard, Resume, Rounded
from replank.timing.judge import ClockJudge
from tests.performer.kit import AT_120, MS, Stage, every_step, unbalanced

LEAD = 8
"""Bars before a hole: the judge credits nothing at once in the first 96 clocks."""


def rig(dropouts: str = "heal", **clock: Any) -> Setup:
    return Setup(clock=Clock(dropouts=dropouts, **clock))


def running(dropouts: str = "heal", bars: int = LEAD, **values: Any) -> Stage:
    stage = Stage(rig(dropouts), **values)
    stage.clocks(24)
    stage.start()
    stage.bars(bars)
    return stage


def lose(stage: Stage, clocks: int) -> None:
    """Let so many clocks not come."""
    stage.until(stage.now + clocks * stage.interval)


def strikes(stage: Stage) -> list[tuple[int, int]]:
    """(step, when in clocks since the first clock of the song, to a hundredth) of each struck step."""
    first = 25 * AT_120
    return [(n.data["index"], round((n.now - first) / AT_120, 2)) for n in stage.notices if n.kind == "step"]


@pytest.mark.parametrize("at", range(96))
def test_a_lost_clock_anywhere_in_a_cycle_costs_no_step(at: int) -> None:
    """At 120 BPM a clock is 20.8 ms: each step is struck once, at most 30 ms late."""
    stage, whole = running(**every_step()), running(**every_step())
    for one, hole in ((stage, 1), (whole, 0)):
        one.clocks(at)
        if hole:
            lose(one, 1)
        one.clocks(192 - at - hole)
    expected = strikes(whole)
    got = strikes(stage)
    assert [step for step, _ in got] == [step for step, _ in expected]
    late = [(b - a) * AT_120 / MS for (_, a), (_, b) in zip(expected, got, strict=True)]
    assert max(late) <= 30 and sum(one > 0.5 for one in late) <= 1
    assert unbalanced([(output, data) for _, output, data in stage.heard]) == []
    assert stage.p.transport.judge.word == "estimated"


@pytest.mark.parametrize("clocks", [2, 5, 12, 24])
def test_after_a_hole_each_step_is_in_its_place(clocks: int) -> None:
    for at in range(0, 96, 7):
        stage = running(**every_step())
        stage.clocks(at)
        lose(stage, clocks)
        stage.clocks(288 - at - clocks)
        after = [(step, when) for step, when in strikes(stage) if when > 96 * LEAD + at + clocks]
        assert all((round(when) % 96 / 6 + 1) == step for step, when in after)
        assert len(after) > 20


def test_what_is_due_in_a_short_hole_happens_and_cycles_end_and_mutate() -> None:
    found = []
    for hole in (False, True):
        stage = running(mutation_chance=1.0, homing=0.0, settle_new=0, rest_chance=0.0)
        stage.do("keep", "here")
        stage.clocks(90)
        stage.set(root="A")
        if hole:
            lose(stage, 12)  # over the bar line and the cycle's end
            stage.clocks(1)
        else:
            stage.clocks(13)
        assert stage.p.values["root"] == "A"
        stage.bars(1)
        found.append((stage.p.melody.cycle, stage.p.melody.moment, stage.p.melody.mutations))
    assert found[0] == found[1]


def test_a_step_that_nobody_heard_is_no_candidate() -> None:
    stage = running(mutation_chance=0.0, rest_chance=0.0)
    stage.clocks(1)
    lose(stage, 23)
    stage.clocks(2)
    played = stage.p.melody.played
    assert [i for i in range(5) if played >> i & 1] == [0, 4]  # step 5 begins where the clock comes again


def test_in_a_long_hole_only_the_position_moves_and_what_was_due_comes_at_the_next_step() -> None:
    stage = running(mutation_chance=1.0, settle_new=0)
    stage.clocks(90)
    cycle = stage.p.melody.cycle
    stage.set(root="A")
    lose(stage, 96)
    stage.clocks(1)
    assert stage.p.view()["transport"]["song_clock"] == 96 * LEAD + 90 + 96
    assert stage.p.melody.cycle <= cycle + 1
    stage.clocks(6)
    assert stage.p.values["root"] == "A"


def test_a_halved_tempo_strikes_no_note_twice() -> None:
    for at in range(0, 24):
        stage = running(**every_step())
        stage.clocks(at)
        stage.interval = 2 * AT_120
        stage.clocks(200)
        steps = [step for step, _ in strikes(stage)]
        assert all(b == a % 16 + 1 for a, b in pairwise(steps)), at
        assert stage.p.view()["transport"]["song_clock"] == 96 * LEAD + at + 200 - 1


def test_a_credit_that_is_taken_back_over_a_cycle_s_end_mutates_once() -> None:
    stage = running(mutation_chance=1.0, homing=0.0, settle_new=0, rest_chance=0.0)
    stage.clocks(95)
    m = stage.p.melody
    cycle, units = m.cycle, len(m.trail.units)
    stage.interval = 2 * AT_120
    stage.clocks(30)
    assert m.cycle == cycle + 1
    assert len(m.trail.units) == units + 1


def test_what_sounds_keeps_its_gate_through_a_hole() -> None:
    stage = running(gate=0.9, **every_step())
    stage.clocks(2)
    stage.forget()
    lose(stage, 3)
    assert len(stage.offs()) == 0
    lose(stage, 3)
    assert len(stage.offs()) == 1  # 0.9 of a step after its strike, hole or not


def test_outputs_that_are_sent_the_clock_get_each_clock_once() -> None:
    stage = Stage(replace(rig(), outputs=(Output(send_clock="thru"),)))
    stage.clocks(24)
    stage.start()
    stage.bars(LEAD)
    lose(stage, 5)
    stage.clocks(100)
    stage.until(stage.now + stage.interval)
    sent = [now for now, _, data in stage.heard if data == b"\xf8"]
    assert len(sent) == 24 + 96 * LEAD + 5 + 100
    stage.midi(0xF8)
    stage.until(stage.now + MS)
    stage.midi(0xF8)  # the same clock once more
    assert len([data for _, _, data in stage.heard if data == b"\xf8"]) == len(sent) + 1


# -- the other two ways ----------------------------------------------------------


def test_wait_counts_what_comes_and_says_what_does_not() -> None:
    stage = running("wait", **every_step())
    stage.clocks(10)
    lose(stage, 3)
    stage.clocks(100)
    assert stage.p.view()["transport"]["song_clock"] == 96 * LEAD + 109
    assert any("3 clocks missing" in text for text in (d["text"] for d in stage.said("clock")))


def test_coast_plays_on_at_the_grid_s_moments_and_takes_the_clock_up_again() -> None:
    stage = running("coast", **every_step())
    stage.clocks(10)
    stage.forget()
    lose(stage, 96)
    during = [when for _, when in strikes(stage)]
    assert len(during) >= 15 and all(abs(when / 6 - round(when / 6)) < 0.1 for when in during)
    assert stage.p.transport.judge.word == "estimated"
    stage.clocks(96)
    steps = [step for step, _ in strikes(stage)]
    assert all(b == a % 16 + 1 for a, b in pairwise(steps))
    assert stage.p.view()["transport"]["song_clock"] == 96 * LEAD + 10 + 96 + 96 - 1


def test_coast_ends_after_eight_seconds() -> None:
    stage = running("coast", **every_step())
    stage.forget()
    stage.until(stage.now + 12_000 * MS)
    played = strikes(stage)
    assert 7.5 <= len(played) / 8 <= 8.5  # eight steps a second at 120 BPM
    assert stage.said("clock")[-1]["state"] == "lost"
    assert stage.p.sounding() == []


# -- words -------------------------------------------------------------------------


def test_the_words_of_an_evening() -> None:
    stage = Stage()
    assert stage.p.view()["transport"]["phase"] == "none"
    stage.start()
    stage.clocks(10)
    assert stage.p.view()["transport"]["phase"] == "counted"
    stage.bars(1)
    assert stage.p.view()["transport"]["phase"] == "locked"
    stage.bars(1)
    lose(stage, 3)
    stage.bars(1)
    assert stage.p.view()["transport"]["phase"] == "estimated"
    stage.do("downbeat")
    stage.bars(1)
    assert stage.p.view()["transport"]["phase"] == "locked"
    stage.until(stage.now + 9500 * MS)
    stage.bars(1)
    assert stage.p.view()["transport"]["phase"] == "unknown"
    words = [d["phase"] for d in stage.said("phase")]
    assert words == ["counted", "locked", "estimated", "locked", "unknown"]


def test_joining_a_running_clock_never_says_locked() -> None:
    stage = Stage()
    stage.bars(1)
    stage.do("join")
    stage.bars(2)
    assert stage.p.view()["transport"]["phase"] == "unknown"
    stage.do("downbeat")
    stage.bars(1)
    assert stage.p.view()["transport"]["phase"] == "locked"


def test_two_senders_are_told_of_and_the_line_plays_on() -> None:
    stage = running(bars=4)
    for _ in range(200):  # the second sender is as fast, and 8 ms behind
        stage.until(stage.now + 8 * MS)
        stage.midi(0xF8)
        stage.until(stage.now + AT_120 - 8 * MS)
        stage.midi(0xF8)
    assert any("two senders" in d["text"] for d in stage.said("clock"))
    assert stage.p.view()["transport"]["state"] == "playing"
    assert len(stage.ons()) > 50


# -- the host's ear ------------------------------------------------------------------


def test_what_the_ear_heard_proves_a_credit_and_moves_what_was_not_credited() -> None:
    stage = running(**every_step())
    stage.clocks(10)
    lost = [stage.now + n * AT_120 for n in (1, 2)]
    lose(stage, 2)
    stage.clocks(30)
    assert stage.p.transport.judge.word == "estimated"
    stage.give(Heard(tuple(lost)))
    stage.bars(1)
    assert stage.p.transport.judge.word == "locked"
    assert stage.p.view()["transport"]["song_clock"] == 96 * LEAD + 42 + 96 - 1


def test_a_replaced_player_goes_on_where_the_ear_says() -> None:
    stage = running(**every_step())
    stage.clocks(10)
    other = Stage(performer=Performer.restore(stage.p.save()))
    other.now = stage.now
    missed = tuple(stage.now + n * AT_120 for n in range(1, 31))
    lose(other, 30)
    other.give(Resume(missed))
    other.clocks(1)
    assert other.p.view()["transport"]["song_clock"] == 96 * LEAD + 10 + 30
    assert other.p.transport.judge.word == "locked"


def test_clocks_that_nobody_took_move_nothing_while_stopped() -> None:
    """MIDI 1.0 Detailed Specification, p. 30."""
    stage = running(**every_step())
    stage.midi(0xFC)
    before = stage.p.view()["transport"]["song_clock"]
    missed = tuple(stage.now + n * AT_120 for n in range(1, 9))
    stage.until(missed[-1])
    stage.give(Resume(missed))
    stage.midi(0xFB)
    stage.clocks(1)
    assert stage.p.view()["transport"]["song_clock"] == before + 1
    assert stage.p.transport.judge.word == "locked"


def test_how_exact_stamps_are_is_told_and_kept() -> None:
    stage = running()
    stage.give(Rounded(21_333_333))
    assert Performer.restore(stage.p.save()).transport.judge.grain == 21_333_333


# -- inside a trial ------------------------------------------------------------------


def test_saved_inside_a_trial_it_goes_on_exactly() -> None:
    for after in range(0, 40, 3):
        stage = running(mutation_chance=1.0)
        stage.clocks(10)
        lose(stage, 4)
        stage.clocks(after)
        other = Stage(performer=Performer.restore(stage.p.save()))
        other.now = stage.now
        for one in (stage, other):
            one.forget()
            one.bars(2)
        assert other.heard == stage.heard, after


# -- by hand -------------------------------------------------------------------------


def test_presses_of_downbeat_on_the_following_beats_move_the_one() -> None:
    stage = running(**every_step())
    stage.clocks(11)
    stage.until(stage.now + 3 * AT_120)  # no clock is lost: the hand is late
    stage.now -= 3 * AT_120
    stage.do("downbeat")  # three clocks early
    stage.clocks(3)
    for _ in range(3):
        stage.clocks(24)
        stage.do("downbeat")
    said = [d["text"] for d in stage.said("done") if d["action"] == "downbeat"]
    assert said[0] == "bar 1, beat 1, step 1"
    stage.clocks(24 * 4)
    assert stage.p.view()["transport"]["song_clock"] % 24 == 0


def test_nudge_by_clocks_moves_steps_and_bars_together() -> None:
    stage = running(**every_step())
    at = stage.p.transport.song_clock
    stage.do("nudge", "1c")
    assert stage.p.transport.song_clock == at + 1
    stage.do("nudge", "-1c")
    stage.clocks(1)
    assert stage.p.transport.song_clock == at + 1
    stage.clocks(1)
    assert stage.p.transport.song_clock == at + 2


def test_a_tap_that_bounces_is_one_tap() -> None:
    stage = Stage(Setup(clock=Clock(source="internal")))
    for _ in range(3):
        stage.do("tap")
        stage.until(stage.now + 20 * MS)
        stage.do("tap")
        stage.until(stage.now + 480 * MS)
    assert stage.p.values["tempo"] == pytest.approx(120, abs=0.1)


# -- builds that these must reject ---------------------------------------------------


def test_a_judge_that_credits_nothing_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ClockJudge, "clock", lambda self, now: (setattr(self, "last", now), self.pace.tick(now), 1)[-1])
    with pytest.raises(AssertionError):
        test_after_a_hole_each_step_is_in_its_place(5)


def test_a_performer_that_strikes_all_of_a_hole_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    from replank.performer import steps

    monkeypatch.setattr(steps, "_is_caught_up", lambda p, clock: True)
    with pytest.raises(AssertionError):
        test_a_step_that_nobody_heard_is_no_candidate()


def test_late_is_what_the_page_says() -> None:
    assert counting.LATE_NS == 30 * MS
