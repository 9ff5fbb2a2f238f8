"""Notes that hold through the rests after them, decided by the link roll, step by step."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from replank.control.setup import Output, Setup, Voice
from replank.line.steps import BY_CHANCE, REST, Step
from replank.performer import reading
from tests.performer.kit import AT_120, MS, Stage, pulses_setup, unbalanced

STEP = 6 * AT_120
"""A sixteenth at 120 BPM, ns."""


def line(pattern: str, setup: Setup | None = None, **values: Any) -> Stage:
    """A line of notes: ``x`` sounds and may hold, ``o`` sounds and does not, ``.`` rests by chance, ``-`` is forced."""
    stage = Stage(
        setup, hold=True, slide_chance=0.0, rest_chance=0.5, length=len(pattern), **{"sustain": 0.5, **values}
    )
    m = stage.p.melody
    for i, sign in enumerate(pattern):
        m.steps[i] = Step(
            pitch=50 + 7 * (i % 2), rest=0.2 if sign == "." else 0.9, velocity=0.5, accent=0.9,
            link=0.8 if sign == "x" else 0.3, rhythm=REST if sign == "-" else BY_CHANCE,
        )  # fmt: skip
    m.home = list(m.steps)
    return stage


def begin(stage: Stage) -> None:
    """Start, after a beat of clocks that tell the tempo."""
    stage.clocks(24)
    stage.start()


def lengths(stage: Stage, count: int = 4) -> list[float]:
    """Lengths of the notes in steps, in order, to a tenth."""
    offs = stage.offs()
    return [
        round((next(off for off, other in offs if other == note and off > at) - at) / STEP, 1)
        for at, note in stage.ons()[:count]
    ]


def run(stage: Stage, steps: int) -> Stage:
    begin(stage)
    stage.clocks(6 * steps + 1)
    return stage


def test_a_note_holds_until_the_next_onset_where_its_roll_says_so() -> None:
    stage = run(line("x..xo.o."), 16)
    assert lengths(stage) == [3.0, 0.6, 0.6, 0.6]  # the second x has no rest behind it; o never holds
    links = [d["link"] for d in stage.steps()[:4]]
    assert links == ["tie", "tie", "tie", "none"]


def test_it_is_released_in_the_next_onset_s_own_batch() -> None:
    stage = run(line("x..x...."), 8)
    on = stage.ons()[1][0]
    assert on in [when for when, _ in stage.offs()]


def test_before_the_same_pitch_it_ends_a_gap_earlier() -> None:
    stage = run(line("x.o....."), 8)
    (at, note), (again, same) = stage.ons()[:2]
    assert note == same
    off = next(when for when, other in stage.offs() if other == note and when > at)
    assert again - off == pytest.approx(5 * MS, abs=1000)


def test_a_forced_rest_ends_it_and_a_written_rest_is_never_filled() -> None:
    assert lengths(run(line("x.-x...."), 16), 1) == [2.0]
    assert lengths(run(line("x---x---"), 16), 2) == [0.6, 0.6]


def test_a_bar_ends_it() -> None:
    assert lengths(run(line("x" + "." * 31), 34), 1) == [16.0]
    assert lengths(run(line("x" + "." * 31, division="1/8d"), 24), 1) == [pytest.approx(16, abs=0.1)]


def test_the_share_of_ratchets_comes_first() -> None:
    # The roll 0.8 lies 0.2 from the top: with ratchets at 0.3 it is a ratchet, at 0.1 it holds.
    assert lengths(run(line("x..o....", ratchet_chance=0.1), 8), 1) == [3.0]
    assert lengths(run(line("x..o....", ratchet_chance=0.3), 8), 1) != [3.0]
    assert lengths(run(line("x..o....", sustain=0.15), 8), 1) == [0.6]


def test_mute_lets_it_run_to_where_the_next_onset_would_have_been() -> None:
    stage = line("x..x....")
    begin(stage)
    stage.clocks(3)
    stage.do("mute", "on")
    stage.clocks(30)
    assert lengths(stage, 1) == [3.0]
    assert len(stage.ons()) == 1


def test_stop_and_a_lost_clock_release_it() -> None:
    stage = line("x" + "." * 15)
    begin(stage)
    stage.clocks(10)
    stage.midi(0xFC)
    assert len(stage.offs()) == 1
    stage = line("x" + "." * 15)
    begin(stage)
    stage.clocks(10)
    stage.until(stage.now + 2000 * MS)
    assert len(stage.offs()) == 1


def test_with_pulses_a_second_without_one_or_sixteen_steps_end_it() -> None:
    stage = line("ox" + "." * 30, pulses_setup())
    for _ in range(6):
        stage.pulse()
    stage.until(stage.now + 3000 * MS)
    assert stage.offs()[-1][0] - stage.ons()[-1][0] == pytest.approx(2000 * MS, abs=MS)  # four pulses, then a second
    stage = line("ox" + "." * 30, pulses_setup())
    for _ in range(32):
        stage.pulse()
    assert stage.offs()[-1][0] - stage.ons()[-1][0] == 16 * 250 * MS


def test_the_rests_leave_accent_and_velocity_as_they_are_and_a_din_cable_is_told_again() -> None:
    for din in (False, True):
        stage = line("x..o....", Setup(outputs=(Output(din=din),)), accent_chance=0.95)
        begin(stage)
        stage.clocks(1)
        first = [data for _, _, data in stage.heard if data[0] == 0xB0 and data[1] in (20, 21)][-2:]
        stage.forget()
        stage.clocks(12)
        assert [data for _, _, data in stage.heard] == (first * 2 if din else [])


def test_every_voice_holds_and_releases() -> None:
    voices = (
        Voice(), Voice("canon", channel=2, canon_steps=3, degrees=2), Voice("late", channel=3, delay_ms=20),
        Voice("early", channel=4, delay_ms=-15),
    )  # fmt: skip
    stage = line("x..xo.x.", replace(Setup(), voices=voices))
    begin(stage)
    stage.bars(4)
    stage.midi(0xFC)
    stage.until(stage.now + 100 * MS)
    assert unbalanced([(output, data) for _, output, data in stage.heard]) == []


def test_off_no_note_holds() -> None:
    assert set(lengths(run(line("x..x.x..", sustain=0.0), 16), 6)) == {0.6}


def test_a_build_that_holds_through_forced_rests_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control."""
    by_roll = reading.by_roll

    def blind(step: Step, roll: float, rest_chance: float) -> tuple[bool, bool]:
        struck, _ = by_roll(step, roll, rest_chance)
        return struck, not struck

    monkeypatch.setattr(reading, "by_roll", blind)
    with pytest.raises(AssertionError):
        test_a_forced_rest_ends_it_and_a_written_rest_is_never_filled()


def test_the_root_at_the_end_is_held_its_beats_whatever_was_sustained_before_it() -> None:
    stage = Stage(length=4, hold=True, rest_chance=0.5, sustain=1.0, slide_chance=0.0)
    sounds, rests = Step(pitch=65, rest=0.9, link=0.5), Step(pitch=65, rest=0.1, link=0.5)
    stage.p.melody.steps = [rests, rests, sounds, rests] * 16  # step 3 is held over the cycle's end
    stage.start()
    stage.clocks(30)
    stage.do("end")
    stage.clocks(200)
    struck, note = stage.ons()[-1]
    beats = stage.p.setup.clock.end_beats
    assert note % 12 == 2
    assert stage.offs()[-1] == (pytest.approx(struck + beats * 24 * AT_120, abs=MS), note)
