"""Pieces as prepared, the written line, and the half-life that a piece may ask for."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from replank.control.pace import ground, pace_from_home, solve_half_life
from replank.control.parameters import DEFAULTS
from replank.control.setup import Piece, Setup, Voice, Voltage
from replank.host.files import load_rig, load_set
from replank.host.files.pieces import volts_of
from replank.host.files.sets import read_set
from replank.line.steps import REST, Written
from tests.files.helpers import ROOT, mistakes, pieces, yaml

HEAD = "set: 1\npieces:\n  - name: one\n"


def test_a_piece_holds_what_was_written():
    made = pieces("""\
        set: 1
        scales: [dorian, whole-tone]
        divisions: 1/8
        values: {tempo: 104, root: A}
        pieces:
          - name: First Light
            minutes: 7.5
            seed: 1609
            hold: on
            root: Eb
            line: D3:pin . 60 60 | F#3 .:pin
          - scales: [ionian]
            length: 7
        """)
    assert made[0] == Piece(
        "First Light",
        {"tempo": 104.0, "root": "Eb", "length": 6},
        (Written(50, pinned=True), Written(50, REST), Written(60), Written(60), Written(54),
         Written(54, REST, pinned=True)),
        seed=1609, minutes=7.5, hold=True, scales=("dorian", "whole tone"), divisions=("1/8",),
    )  # fmt: skip
    assert made[1].values == {"tempo": 104.0, "root": "A", "length": 7}
    assert made[1].scales == ("ionian",)


def test_notes_and_scales_are_read_in_the_light_of_the_rig():
    setup = Setup(middle_c=3, user_scales={"slow fifths": (0.0, 204.0, 702.0)})
    made = pieces(HEAD + "    line: C3\n    scale: Slow_Fifths\n    register_low: C2\n", setup)[0]
    assert made.line == (Written(60),)
    assert made.values == {"scale": "slow fifths", "register_low": 48, "length": 1}


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        ("pieces:\n  - name: a\n", 1, 1, "set: 1"),
        ("set: 1\n", 1, 1, "no 'pieces:'"),
        ("set: 1\npieces: []\n", 2, 9, "1 to 128"),
        ("set: 1\npieces: {}\n", 2, 9, "begin each with '- '"),
        (HEAD + "    lenght: 12\n", 4, 5, "(nearest: length)"),
        (HEAD + "    length: 65\n", 4, 13, "65 is outside 1 to 64"),
        (HEAD + "    scale: dorien\n", 4, 12, "(nearest: dorian)"),
        (HEAD + "    scale: no\n", 4, 12, "there is no scale 'no'"),
        (HEAD + "    mute: on\n", 4, 5, "no key 'mute'"),
        (HEAD + "    retrigger_gap: 4\n", 4, 5, "no key 'retrigger_gap'"),
        (HEAD + "    seed: -1\n", 4, 11, "outside"),
        (HEAD + "    line: D3 H3 . F3\n", 4, 14, "'H3' is not a note"),
        (HEAD + "    line: D3 F3\n      A3 . X\n", 5, 12, "'X' is not a note"),
        (HEAD + f"    line: {'D3 ' * 65}\n", 4, 11, "65 steps"),
        (HEAD + "    line: 'D3 | '\n    length: 0\n", 5, 13, "0 is outside"),
        (HEAD + "    line: G10\n", 4, 11, "outside 0 to 127"),
        (HEAD + "    half_life_bars: 0.25\n", 4, 21, "no settings"),
        (HEAD + "    half_life_bars: 8\n    mutation_count: 1\n", 4, 21, "say mutation_count: "),
        (HEAD + "    half_life_bars: 20\n    mutation_chance: 1\n", 4, 21, "keep one of them"),
        (HEAD + "  - name: one\n", 4, 5, "'one' is the name of another"),
    ],
)
def test_refused_with_place_and_help(text, line, column, what):
    found = mistakes(pieces, text)
    assert [row[:2] for row in found] == [(line, column)]
    assert what in found[0][2]


def test_the_half_life_of_the_closed_form_table():
    """p for a half-life h is N (1 - 2^(-1/h)): the inverse of ln(1/2) / ln(1 - p/N).

    The rows N = 16, p = 0.5, 0.25, 0.1 have half-lives 21.83, 44.01, 110.56
    cycles (exact Markov chain and coupon arithmetic, computed).  A 16-step line
    in sixteenths is a bar a cycle; with homing off and pitch kinds that touch one
    step only (no swap, rest, accent, velocity), a moment touches one step.
    """
    silent = {f"weight_{kind}": 0.0 for kind in ("swap", "rest", "accent", "velocity")}
    values = {**DEFAULTS, **silent, "homing": 0.0, "motif": 0.0, "settle_new": 0}
    on = ground(values)
    for bars, chance in ((21.83, 0.5), (44.01, 0.25), (110.56, 0.1)):
        found = solve_half_life(values, bars, on)
        assert found is not None
        assert found.chance == pytest.approx(chance, abs=2e-4)
        assert found.count == 1
    # 10.74 cycles is the fastest that one step a cycle allows
    assert solve_half_life(values, 10.8, on).count == 1
    assert solve_half_life(values, 10.7, on).count == 2
    # four cycles that settle put the first of the moments off by three
    later = solve_half_life({**values, "settle_new": 4}, 24.83, on)
    assert later.chance == pytest.approx(0.5, abs=2e-4)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(4, 64), st.sampled_from(["1/16", "1/8", "1/8d", "7c"]), st.sampled_from(["forward", "pendulum"]),
    st.floats(0, 0.9), st.sampled_from(["cycle", "2bars", "8steps"]), st.integers(0, 3), st.floats(1, 5000),
)  # fmt: skip
def test_a_solved_half_life_is_what_the_forecast_says(length, division, direction, homing, every, pinned, bars):
    values = {
        **DEFAULTS, "length": length, "division": division, "direction": direction, "homing": homing,
        "mutate_every": every,
    }  # fmt: skip
    on = ground(values, pinned)
    found = solve_half_life(values, bars, on)
    assume(found is not None and found.chance > 0.01)
    solved = {**values, "mutation_chance": found.chance, "mutation_count": found.count}
    assert pace_from_home(solved, on).bars == pytest.approx(bars, rel=0.01)
    # a broken solver that ignores homing would be told apart wherever homing matters; at first it never does
    if homing > 0.3 and found.chance > 0.05 and bars > 30 * on.cycle_bars:
        assert pace_from_home({**solved, "homing": 0.0}, on).bars != pytest.approx(bars, rel=0.01)


def test_the_example_is_good():
    setup = load_rig(ROOT / "examples" / "observatory.rig.yaml")
    made = load_set(ROOT / "examples" / "open-night.set.yaml", setup)
    assert [piece.name for piece in made.pieces] == ["First Light", "Meridian", "Long Exposure", "Occultation"]
    assert made.voices == setup.voices
    assert sum(piece.minutes for piece in made.pieces) == 40


def test_a_written_note_outside_scale_or_register_is_told_and_allowed():
    # D minor pentatonic is D F G A C; the register is C3 to G4; ties go down, so F#3 is F3
    top = yaml("set: 1\npieces:\n  - line: D3 F#3 D6\n  - line: D3 F3\n")
    _, reader = read_set(top, Setup())
    assert [(row.line, row.what.partition(": ")[2]) for row in reader.advice] == [
        (3, "F#3 sounds as F3, D6 sounds as D4"),
    ]  # fmt: skip


def test_the_volts_of_a_piece_follow_the_rigs_model():
    """1.2 V an octave is 0.1 V a semitone, 0 V at note 36 (arithmetic); 5 V is 50 semitones up, note 86."""
    voltage = Voltage(per_octave=1.2, zero_note=36, high=5.0)
    voice = Voice("far", transpose=36, voltage=voltage)
    setup = Setup(voices=(voice,))
    piece = pieces("set: 1\npieces:\n  - line: D3 . F4\n")[0]
    # D3 is note 50, 86 on this voice; F4 is 65, 101 there, folded by octaves to 77
    assert volts_of(piece, setup) == ["far: D6 5.000 V, F7 as F5 4.100 V (computed)"]
    drawn = pieces("set: 1\npieces:\n  - {root: C, scale: whole tone, register_span: 12}\n")[0]
    assert "C6 4.800 V, D6 5.000 V, E6 as E5 4.000 V" in volts_of(drawn, setup)[0]
