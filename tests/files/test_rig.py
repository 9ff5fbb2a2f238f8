"""A rig says everything that a setup holds, and nothing wrong passes."""

from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.numbers import plain_number
from replank.control.setup import Clock, Input, Output, Setup, Trigger, Voice, Voltage
from replank.host.files import BadFile, default_setup, load_rig
from replank.host.files.rig import CLOCK_KEYS, INPUT_KEYS, OUTPUT_KEYS, RIG_KEYS, VOICE_KEYS, VOLTAGE_KEYS, read_rig
from tests.files.helpers import ROOT, mistakes, rig, yaml


def filled(keys) -> list[str]:
    names: list[str] = []
    for key in keys:
        names += filled(key.keys) if key.kind == "group" else list(key.fills)
    return names


@pytest.mark.parametrize(
    ("keys", "makes"),
    [(CLOCK_KEYS, Clock), (INPUT_KEYS, Input), (OUTPUT_KEYS, Output), (VOICE_KEYS, Voice), (VOLTAGE_KEYS, Voltage)],
)
def test_every_field_of_a_setup_has_its_key(keys, makes):
    assert sorted(filled(keys)) == sorted(field.name for field in fields(makes))


def test_the_top_of_a_rig_fills_all_but_what_other_files_fill():
    have = sorted(name for name in filled(RIG_KEYS) if name != "rig")
    assert have == sorted(f.name for f in fields(Setup) if f.name not in ("pieces", "kept", "profiles"))


def test_the_shortest_rig_is_no_rig_at_all():
    assert rig("rig: 1\n") == default_setup() == Setup()


def test_everything_at_once():
    made = rig("""\
        rig: 1
        voices:
          - name: dome
            output: far
            channel: 3
            transpose: -12
            range: C1 to B4
            out_of_range: clamp
            accent: {cc: none, value: 100, pulse_ms: 5.5, note: C2, channel: 11, note_ms: 3}
            velocity: {cc: 22, lsb: on, note: no, curve: 0.5}
            gate_scale: 1.5
            delay_ms: 20
            canon_steps: 4
            degrees: -2
            slide: {switch: yes, time: 60}
            bend_range: 12
            cue: off
            voltage:
              law: volts
              volts_per_octave: 1.2
              zero_note: C1
              range: 0 to 8
              bits: 12
              controllers: 0 to 8
            tuning: {C2: 1.5, B1: -2}
        outputs:
          - name: near
          - {name: far, connect: [patch bay, "on"], din: on, active_sensing: true, send_clock: generate, cc_early: on}
        inputs:
          - {name: beat, role: clock, connect: one}
          - {name: fingers, role: keyboard, channel: 5}
        clock:
          source: internal
          mode: pulses
          without_start: play
          repeated_start: ignore
          pulse: note C3 channel 10
          reset: cc 20
          reset_window_ms: 4
          end_beats: 8
        scales: {slow fifths: [0, 204, 702.5]}
        middle_c: 3
        a4: 442.5
        audition: off
        keyboard: catch
        values: {scale: slow-fifths, rest_chance: 35%, register_low: C2, hold: on}
        """)
    assert made.voices == (
        # middle_c is 3, so that C1 is note 36 and B4 is 83
        Voice(
            "dome", 1, 3, -12, 36, 83, "clamp", -1, 100, 5.5, 48, 11, 3.0, 22, True, False, 0.5, 1.5, 20.0, 4, -2,
            True, 60, 12, False, Voltage("volts", 1.2, 55.0, 36, 0.0, 8.0, 12, 0.0, 8.0), ((47, -2.0), (48, 1.5)),
        ),
    )  # fmt: skip
    assert made.outputs == (Output("near"), Output("far", ("patch bay", "on"), True, True, "generate", True))
    assert made.inputs == (Input("beat", "clock", ("one",)), Input("fingers", "keyboard", channel=5))
    pulse, reset = Trigger("note", 60, 10), Trigger("cc", 20, 0)
    assert made.clock == Clock("internal", "pulses", "play", "ignore", pulse, reset, 4.0, 8)
    assert made.user_scales == {"slow fifths": (0.0, 204.0, 702.5)}
    assert (made.middle_c, made.a4, made.audition, made.keyboard) == (3, 442.5, "off", "catch")
    assert made.values == {"scale": "slow fifths", "rest_chance": 0.35, "register_low": 48, "hold": True}


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        ("middle_c: 4\n", 1, 1, "rig: 1"),
        ("rig: 2\n", 1, 6, "write rig: 1"),
        ("rig: 1\nchanel: 3\n", 2, 1, "no key 'chanel'"),
        ("rig: 1\nvoises: []\n", 2, 1, "(nearest: voices)"),
        ("rig: 1\nvoices: []\n", 2, 9, "there are 0; 1 to 32"),
        ("rig: 1\nvoices: line\n", 2, 9, "is a list"),
        ("rig: 1\nvoices:\n  - chanel: 3\n", 3, 5, "(nearest: channel)"),
        ("rig: 1\nvoices:\n  - channel: 17\n", 3, 14, "17 is outside 1 to 16"),
        ("rig: 1\nvoices:\n  - channel: 1.5\n", 3, 14, "not a whole number"),
        ("rig: 1\nvoices:\n  - channel: on\n", 3, 14, "on and off belong to keys that are switched"),
        ("rig: 1\nvoices:\n  - channel:\n", 3, 13, "has no value"),
        ("rig: 1\nvoices:\n  - name: #4\n", 3, 10, "has no value (a '#'"),
        ("rig: 1\nvoices:\n  - channel: [1]\n", 3, 14, "not a list"),
        ("rig: 1\nvoices:\n  - output: uot\n    channel: 1\n", 3, 13, "(nearest: out)"),
        ("rig: 1\nvoices:\n  - range: C4 to C3\n", 3, 12, "less than an octave"),
        ("rig: 1\nvoices:\n  - range: C4\n", 3, 12, "not a range such as C1 to C6"),
        ("rig: 1\nvoices:\n  - accent: {cc: 120}\n", 3, 18, "mode messages"),
        ("rig: 1\nvoices:\n  - accent: {cc: 21}\n", 3, 5, "cc 21 would carry accent and velocity"),
        ("rig: 1\nvoices:\n  - velocity: {cc: 64, lsb: on}\n", 3, 5, "0 to 31"),
        (
            "rig: 1\nvoices:\n  - {accent: {cc: 53}, velocity: {lsb: on}}\n",
            3,
            5,
            "accent and the low part of velocity",
        ),
        ("rig: 1\nvoices:\n  - {accent: {cc: 65}, slide: {switch: on}}\n", 3, 5, "accent and slides"),
        ("rig: 1\nvoices:\n  - {velocity: {cc: 6}, bend_range: 2}\n", 3, 5, "velocity and the bend range"),
        ("rig: 1\nvoices:\n  - {accent: {note: 36, channel: 1}}\n", 3, 5, "where 'line' plays"),
        (
            "rig: 1\nvoices:\n  - {name: a, accent: {note: 36}}\n  - {name: b, channel: 2, accent: {note: 36}}\n",
            4,
            5,
            "'a' has the same trigger note",
        ),
        ("rig: 1\nvoices:\n  - {delay_ms: -51}\n", 3, 16, "-51 is outside -50 to 500"),
        ("rig: 1\nvoices:\n  - cue: 1\n", 3, 10, "neither on nor off"),
        ("rig: 1\nvoices:\n  - out_of_range: flod\n", 3, 19, "(nearest: fold)"),
        ("rig: 1\nvoices:\n  - voltage: {range: 5 to 0}\n", 3, 22, "not below"),
        ("rig: 1\nvoices:\n  - voltage: {zero_note: C9, range: -1 to -0.5}\n", 3, 5, "controller"),
        ("rig: 1\nvoices:\n  - range: C5 to C7\n    voltage: {range: 0 to 1}\n", 3, 5, "no note lies both"),
        ("rig: 1\ntempo: 90\n", 2, 1, "no key 'tempo'"),
        ("rig: 1\nvalues: {temop: 90}\n", 2, 10, "(nearest: tempo)"),
        ("rig: 1\nvalues: {tempo: 1:30}\n", 2, 17, "hours and minutes are not read"),
        ("rig: 1\nvalues: {tempo: 2026-01-01}\n", 2, 17, "looks like a date"),
        ("rig: 1\nvalues: {tempo: 0120}\n", 2, 17, "write 120"),
        ("rig: 1\nvalues: {tempo: .nan}\n", 2, 17, "not a number"),
        ("rig: 1\nvalues: {tempo: 1_00}\n", 2, 17, "the digits only"),
        ("rig: 1\nvalues: {hold: 3}\n", 2, 16, "neither on nor off"),
        ("rig: 1\nvalues: {division: 1/32d}\n", 2, 20, "4.5 clocks"),
        ("rig: 1\nvalues: [tempo]\n", 2, 9, "parameters with values"),
        ("rig: 1\nclock: {pulse: nota}\n", 2, 16, "no trigger"),
        ("rig: 1\nclock: {pulse: cc 120}\n", 2, 16, "no controller"),
        ("rig: 1\nclock: {pulse: note 60 channel 17}\n", 2, 16, "no channel"),
        ("rig: 1\nclock: {mode: pulses, pulse: none}\n", 2, 1, "needs a pulse"),
        ("rig: 1\nclock: {mode: pulses, pulse: start}\n", 2, 1, "same message"),
        ("rig: 1\ninputs:\n  - name: a\n  - name: a\n", 4, 5, "'a' is the name of another"),
        ("rig: 1\ninputs:\n  - {name: k, role: knobs, profile: no such box}\n", 3, 37, "there is no profile"),
        ("rig: 1\ninputs:\n  - {name: k, role: knobs, profile: ../../etc/x}\n", 3, 37, "there is no profile"),
        ("rig: 1\nscales: {dorian: [0, 2]}\n", 2, 10, "there already"),
        ("rig: 1\nscales: {odd: [0, 700, 200]}\n", 2, 15, "not above the one before"),
        ("rig: 1\nscales: {odd: [0, 1200]}\n", 2, 15, "outside 0 to below 1200"),
    ],
)
def test_refused_with_place_and_help(text, line, column, what):
    found = mistakes(rig, text)
    assert what in "\n".join(row[2] for row in found)
    assert (line, column) in [row[:2] for row in found]
    assert len(found) == 1


def test_a_delay_below_zero_does_nothing_with_pulses_and_is_told():
    text = "rig: 1\nvoices:\n  - {delay_ms: -20}\nclock: {mode: pulses}\n"
    for mode, count in (("pulses", 1), ("midi", 0)):
        made, reader = read_rig(yaml(text.replace("pulses", mode)), "rig.yaml")
        assert made.voices[0].delay_ms == -20.0
        assert ["pulses" in row.what for row in reader.advice] == [True] * count


def test_all_mistakes_in_one_go():
    found = mistakes(rig, "rig: 1\na4: 10\nvoices:\n  - channel: 0\n    gaet: 1\n  - bits: 3\nclock: {mode: x}\n")
    assert [row[0] for row in found] == [2, 4, 5, 6, 7]


def test_profiles_are_found_beside_the_rig_and_their_mistakes_told_in_their_own_file(tmp_path):
    (tmp_path / "rig.yaml").write_text("rig: 1\ninputs:\n  - {name: box, role: knobs, profile: mine}\n")
    profile = tmp_path / "mine.yaml"
    profile.write_text("profile: 1\ntitle: mine\ncontrols:\n  - {sends: cc 20, moves: tempo}\n")
    assert load_rig(tmp_path / "rig.yaml").profiles["mine"]["title"] == "mine"
    profile.write_text("profile: 1\ntitle: mine\ncontrols:\n  - sends: cc 20\n    moves: tempi\n")
    with pytest.raises(BadFile) as caught:
        load_rig(tmp_path / "rig.yaml")
    assert (str(profile), 5, 12) in [(m.file, m.line, m.column) for m in caught.value.mistakes]
    assert "nearest: tempo" in str(caught.value)


def test_the_example_is_good():
    made = load_rig(ROOT / "examples" / "observatory.rig.yaml")
    assert [voice.name for voice in made.voices] == ["dome", "canon", "by ear"]


@given(st.text("0123456789+-.eE_:, naif", max_size=12))
def test_a_number_is_read_as_decimal_or_not_at_all(text):
    """Independent reading: Python's float of the same text, and the JSON grammar's idea of digits."""
    try:
        value = plain_number(text)
    except ValueError:
        return
    assert value == float(text)
    assert value - value == 0  # neither infinite nor not-a-number
    assert "_" not in text
