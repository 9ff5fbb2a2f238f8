"""Mute, join, end, cut, answer, panic, pulses, tuning notes, dues, ramps, values."""

from __future__ import annotations

import pytest

from replank.control.parameters import DEFAULTS, PARAMETERS
from replank.control.setup import Clock, Output, Setup, Trigger, Voice
from replank.performer.events import Act, Assign, Configure, Reconnected
from tests.performer.kit import AT_120, MS, Stage, every_step, pulses_setup, unbalanced


def plain(setup: Setup | None = None, **more: object) -> Stage:
    return Stage(setup, **{**every_step(), **more})


def playing(**more: object) -> Stage:
    stage = plain(**more)
    stage.start()
    stage.clocks(97)
    stage.forget()
    return stage


def test_mute_strikes_nothing_lets_what_sounds_keep_its_gate_and_goes_on() -> None:
    stage = playing(gate=0.9)
    assert stage.p.sounding()
    stage.do("mute")
    stage.clocks(12)
    assert stage.ons() == []
    assert len(stage.offs()) == 1
    assert stage.offs()[0][0] == pytest.approx(96 * AT_120 + AT_120 + 0.9 * 6 * AT_120, rel=0.01)
    stage.clocks(6)
    stage.do("mute")
    stage.clocks(6)
    assert len(stage.ons()) == 1
    assert stage.steps()[-1]["index"] == 5


def test_run_joins_at_the_next_bar_as_though_start_had_come() -> None:
    stage = playing(length=7)
    stage.do("mute")
    stage.clocks(10)
    stage.do("join")
    stage.clocks(84)
    assert stage.ons() == []
    stage.clocks(2)
    assert len(stage.ons()) == 1
    assert stage.steps()[-1]["index"] == 1


def test_run_joins_a_clock_that_never_said_start() -> None:
    stage = plain()
    stage.clocks(30)
    stage.do("join")
    stage.clocks(1)
    assert stage.steps()[-1]["index"] == 1
    assert stage.p.view()["transport"]["bar"] == 1


def test_end_plays_the_cycle_out_then_the_root_once_held_then_mutes() -> None:
    stage = playing()
    stage.do("end")
    stage.clocks(95)
    assert len(stage.ons()) == 15
    stage.forget()
    stage.clocks(1)
    assert [note % 12 for _, note in stage.ons()] == [2], "the root, D"
    on = stage.ons()[0][0]
    stage.clocks(24 * 4 + 10)
    assert len(stage.ons()) == 1
    off = next(now for now, note in stage.offs() if now > on)
    assert off - on == pytest.approx(4 * 24 * AT_120, rel=0.01)
    assert stage.p.values["mute"] is True


def test_end_waits_for_the_beat() -> None:
    stage = playing(length=7)
    stage.do("end")
    stage.clocks(7 * 6 * 3)
    root = stage.ons()[-1][0] // AT_120 - 1
    assert root % 24 == 0


def test_cut_is_silence_now() -> None:
    stage = playing(gate=1.0)
    stage.do("cut")
    assert stage.p.sounding() == []
    stage.clocks(50)
    assert stage.ons() == []


def test_answer_sounds_n_bars_and_is_silent_m_in_phase() -> None:
    stage = plain()
    stage.start()
    stage.do("answer", "1", "2", due="bar")
    stage.bars(9)
    bars = [{s["bar"] for s in stage.steps() if s["note"] >= 0}, {s["bar"] for s in stage.steps()}]
    assert bars == [{1, 4, 7}, set(range(1, 10))]
    stage.do("answer", due="now")
    stage.forget()
    stage.bars(2)
    assert len(stage.ons()) == 32


# -- panic ---------------------------------------------------------------------


def test_panic_releases_known_notes_first_then_123_and_120_then_sweeps_in_slices() -> None:
    """CC 123 need not be implemented and is ignored in Omni mode (MIDI 1.0, p. 24-25): note-offs come first."""
    stage = playing(gate=1.0)
    note = stage.p.sounding()[0][2]
    stage.do("panic")
    first = [d for _, _, d in stage.heard]
    assert first[0] == bytes((0x80, note, 64))
    assert first[1:3] == [bytes((0xB0, 123, 0)), bytes((0xB0, 120, 0))]
    assert stage.p.sounding() == []
    now = stage.now
    stage.until(now + 200 * MS)
    swept = [d[1] for when, _, d in stage.heard if when > now and d[0] == 0x80]
    assert sorted(swept) == list(range(128))
    slices: dict[int, int] = {}
    for when, _, d in stage.heard:
        if when > now and d[0] == 0x80:
            slices[when] = slices.get(when, 0) + 1
    assert max(slices.values()) <= 16


def test_a_sweep_lets_the_line_go_on_and_never_cuts_what_was_struck_since() -> None:
    stage = playing(gate=1.0)
    stage.do("panic")
    stage.forget()
    stage.clocks(12)
    assert len(stage.ons()) == 2
    struck, note = stage.ons()[0]
    released = next(now for now, n in stage.offs() if n == note and now > struck)
    assert released >= stage.ons()[1][0] - 6 * MS, "not before its step was over"


def test_a_second_panic_within_3_s_sweeps_all_channels() -> None:
    stage = playing()
    stage.do("panic")
    stage.until(stage.now + 1000 * MS)
    stage.forget()
    stage.do("panic")
    assert {d[0] & 0x0F for _, _, d in stage.heard if d[0] & 0xF0 == 0xB0 and d[1] == 123} == set(range(16))
    stage.until(stage.now + 20_000 * MS)
    assert {d[0] & 0x0F for _, _, d in stage.heard if d[0] & 0xF0 == 0x80} == set(range(16))
    assert stage.p.deadlines == [] or all(d[2] != "sweep" for d in stage.p.deadlines)


def test_a_reconnected_output_is_released_and_told_its_controllers() -> None:
    stage = playing(gate=1.0)
    stage.give(Reconnected(0))
    kinds = [(d[0] & 0xF0, d[1]) for _, _, d in stage.heard]
    assert kinds[0][0] == 0x80
    assert (0xB0, 123) in kinds and (0xB0, 20) in kinds and (0xB0, 21) in kinds


def test_releases_end_everything() -> None:
    stage = playing(gate=1.0, accent_chance=1.0)
    messages = stage.p.releases()
    assert any(d[0] & 0xF0 == 0x80 for _, d in messages)
    assert (0, bytes((0xB0, 20, 0))) in messages
    assert stage.p.sounding() == []


# -- pulses --------------------------------------------------------------------


def test_every_pulse_is_a_step_however_uneven() -> None:
    stage = plain(pulses_setup())
    for after in (100, 37, 900, 250, 5000, 12):
        stage.pulse(after * MS)
    assert [s["index"] for s in stage.steps()] == [1, 2, 3, 4, 5, 6]


def test_the_gate_with_pulses_is_of_the_last_interval_and_at_most_a_second() -> None:
    stage = plain(pulses_setup(), gate=0.5)
    for after in (100, 200, 200, 5000):
        stage.pulse(after * MS)
    stage.until(stage.now + 20_000 * MS)
    gates = [off - on for (on, _), (off, _) in zip(stage.ons(), stage.offs(), strict=True)]
    assert gates == [100 * MS, 100 * MS, 100 * MS, 1000 * MS]


def test_the_next_pulse_cuts_the_gate() -> None:
    stage = plain(pulses_setup(), gate=1.0)
    for after in (100, 400, 100):
        stage.pulse(after * MS)
    assert stage.offs()[1][0] == stage.ons()[2][0]


def test_a_reset_just_after_a_pulse_belongs_to_it() -> None:
    """Two triggers from one source arrive in either order; 5 ms is the rig's window."""
    stage = plain(pulses_setup(reset=Trigger("note", 61, 0), pulse=Trigger("note", 60, 0)))
    for _ in range(3):
        stage.pulse()
    stage.until(stage.now + 3 * MS)
    stage.midi(0x90, 61, 100)
    assert [s["index"] for s in stage.steps()] == [1, 2, 3, 1]
    assert len(stage.p.sounding()) == 1
    stage.pulse()
    assert stage.steps()[-1]["index"] == 2


def test_a_reset_before_a_pulse_makes_that_pulse_step_one() -> None:
    stage = plain(pulses_setup(reset=Trigger("note", 61, 0), pulse=Trigger("note", 60, 0)))
    for _ in range(3):
        stage.pulse()
    stage.until(stage.now + 100 * MS)
    stage.midi(0x90, 61, 100)
    assert len(stage.steps()) == 3
    stage.pulse()
    assert stage.steps()[-1]["index"] == 1


def test_stop_only_releases_with_pulses_and_start_only_resets() -> None:
    stage = plain(pulses_setup(), gate=1.0)
    for _ in range(3):
        stage.pulse()
    stage.midi(0xFC)
    assert stage.p.sounding() == []
    stage.pulse()
    assert stage.steps()[-1]["index"] == 4
    stage.until(stage.now + 100 * MS)
    stage.midi(0xFA)
    stage.pulse()
    assert stage.steps()[-1]["index"] == 1


def test_a_pulse_storm_leaves_nothing_hanging() -> None:
    stage = plain(pulses_setup())
    for _ in range(20_000):
        stage.pulse(MS // 10)
    stage.until(stage.now + 5_000 * MS)
    assert stage.p.sounding() == []
    assert unbalanced([(o, d) for _, o, d in stage.heard]) == []
    assert len(stage.ons()) == 20_000
    assert len(stage.p.deadlines) < 100


def test_repeats_with_pulses_are_cut_by_the_next() -> None:
    stage = plain(pulses_setup(), length=1)
    stage.do("ratchet", "1", "4")
    for after in (400, 400, 100):
        stage.pulse(after * MS)
    second, third = stage.steps()[1], stage.steps()[2]
    assert second["index"] == third["index"] == 1
    between = [now for now, _ in stage.ons() if 800 * MS <= now < 900 * MS]
    assert len(between) == 1


# -- tuning, due, ramps --------------------------------------------------------


def test_a_tuning_note_is_held_until_again_or_start() -> None:
    stage = plain()
    stage.do("tuning_note", "57")
    assert stage.p.sounding() == [(0, 1, 57)]
    stage.do("tuning_note", "57")
    assert stage.p.sounding() == []
    stage.do("tuning_note", "57")
    stage.start()
    assert stage.p.sounding() == []


def test_a_note_held_for_tuning_that_the_line_strikes_is_released_first() -> None:
    stage = Stage(**every_step())
    stage.start()
    stage.clocks(1)
    note = stage.p.view()["line"]["steps"][1]["note"]
    stage.do("tuning_note", str(note))
    stage.clocks(6)
    assert stage.ons()[-1][1] == note
    stage.midi(0xFC)
    assert unbalanced([(output, data) for _, output, data in stage.heard]) == []


@pytest.mark.parametrize(("due", "clocks"), [("step", 5), ("cycle", 95), ("bar", 95), ("3bars", 287)])
def test_an_action_takes_effect_when_due(due: str, clocks: int) -> None:
    stage = playing()
    stage.do("rotate", "1", due=due)
    stage.clocks(clocks)
    assert stage.said("done") == []
    stage.clocks(1)
    assert stage.said("done")[-1]["action"] == "rotate"


def test_what_waits_can_be_cancelled() -> None:
    stage = playing()
    stage.do("redraw", due="4bars")
    stage.do("ramp", "gate", "0.9", "4")
    stage.do("cancel")
    assert len(stage.said("cancelled")) == 2
    stage.bars(5)
    assert stage.said("done") == []
    assert stage.p.values["gate"] == DEFAULTS["gate"]


def test_while_nothing_moves_everything_is_due_now() -> None:
    stage = plain()
    stage.set(root="A", scale="dorian", division="1/8")
    assert (stage.p.values["root"], stage.p.values["division"]) == ("A", "1/8")
    stage.do("redraw")
    assert stage.said("done")


def test_the_key_changes_at_the_bar() -> None:
    stage = playing()
    stage.set(root="A", scale="dorian")
    stage.clocks(95)
    assert stage.p.values["root"] == "D"
    stage.clocks(1)
    assert (stage.p.values["root"], stage.p.values["scale"]) == ("A", "dorian")


def test_a_ramp_moves_over_bars_and_a_touch_cancels_it() -> None:
    stage = playing()
    stage.do("ramp", "rest_chance", "1", "4")
    stage.clocks(96 * 2)
    assert stage.p.values["rest_chance"] == pytest.approx(0.5, abs=0.02)
    stage.set(rest_chance=0.1)
    assert stage.said("cancelled") == [{"action": "ramp of rest_chance"}]
    stage.clocks(96 * 4)
    assert stage.p.values["rest_chance"] == 0.1
    stage.do("ramp", "length", "8", "1")
    stage.clocks(96 + 6)
    assert stage.p.values["length"] == 8
    assert stage.p.ramps == {}


def test_wrong_values_are_refused_whole_and_nothing_changes() -> None:
    stage = plain()
    before = dict(stage.p.values)
    stage.give(Assign({"gate": 0.5, "length": 65}))
    stage.give(Assign({"nonsense": 1}))
    stage.give(Assign({"division": "1/32d"}))
    stage.give(Act("recal", ("x",)))
    assert stage.p.values == before
    assert [n["why"].split(";")[0] for n in stage.said("refused")] == [
        "length: 65 is outside 1 to 64 steps",
        "there is no parameter 'nonsense'",
        "division: '1/32d' is 4.5 clocks",
        "there is no action 'recal' (nearest: recall)",
    ]


@pytest.mark.parametrize("name", list(PARAMETERS))
def test_every_parameter_can_be_set_and_is_said(name: str) -> None:
    row = PARAMETERS[name]
    stage = plain()
    value = {"float": row.high, "int": int(row.high), "note": 50, "seed": 5, "bool": True}.get(row.kind)
    if value is None:
        value = next(word for word in row.choices if word != row.default)
    stage.set(**{name: value})
    assert stage.p.values[name] == value
    assert stage.said("parameter")[-1]["name"] == name
    assert stage.p.view()["parameters"][name] == value


def test_the_tap_tempo() -> None:
    stage = Stage(Setup(clock=Clock(source="internal")))
    for _ in range(4):
        stage.do("tap")
        stage.until(stage.now + 400 * MS)
    assert stage.p.values["tempo"] == 150.0


def test_a_new_rig_swaps_at_a_step_and_the_line_plays_on() -> None:
    from replank.control.setup import to_plain

    stage = playing(gate=1.0)
    new = Setup(outputs=(Output(), Output("second")), voices=(Voice(channel=3), Voice(output=1)))
    stage.give(Configure(to_plain(new)))
    steps = list(stage.p.melody.steps)
    stage.clocks(6)
    assert {(o, d[0] & 15) for _, o, d in stage.heard if d[0] & 0xF0 == 0x90} == {(0, 2), (1, 0)}
    assert stage.p.melody.steps == steps
    stage.heard += [(0, o, d) for o, d in stage.p.releases()]
    assert unbalanced([(o, d) for _, o, d in stage.heard]) == []
