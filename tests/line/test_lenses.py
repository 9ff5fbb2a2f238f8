"""The lenses: fold, nearest tone, transpositions; and that turning back restores."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.line.lenses import fold, lens_for, reflect, root_pitch
from replank.line.scales import SCALES, cents_scale
from replank.line.steps import Step
from tests.line import lines

PENTATONIC = lines.LENS  # D minor pentatonic from C3 over 19 semitones


def test_tones_and_root():
    assert PENTATONIC.tones == (48, 50, 53, 55, 57, 60, 62, 65, 67)
    assert root_pitch(PENTATONIC) == 62, "50 and 62 are 7.5 and 4.5 from the middle, 57.5"
    tie = lens_for(0, SCALES["ionian"], 54, 24)
    assert root_pitch(tie) == 60, "60 and 72 are as near to the middle, 66: the lower"


@pytest.mark.parametrize(
    ("pitch", "sounds"),
    [
        (50, 50),
        (38, 50),  # an octave below comes up
        (86, 62),  # two octaves above come down
        (51, 50),  # nearest
        (52, 53),
        (49, 48),  # between 48 and 50: downward
        (61, 60),  # between 60 and 62: downward
        (68, 55),  # folds to 56, between 55 and 57: downward
    ],
)
def test_intended_pitch_to_base(pitch, sounds):
    assert PENTATONIC.base(Step(pitch=pitch)) == sounds
    assert PENTATONIC.base(Step(pitch=pitch, free=True)) == pitch


@given(lines.lenses(), st.integers(0, 127))
def test_every_pitch_lands_on_the_nearest_tone_of_the_register(lens, pitch):
    base = lens.table[pitch]
    folded = fold(pitch, lens.low, lens.high)
    assert base in lens.tones
    assert (folded - pitch) % 12 == 0
    best = min(abs(tone - folded) for tone in lens.tones)
    assert base == min(tone for tone in lens.tones if abs(tone - folded) == best)
    if lens.low <= pitch <= lens.high:
        assert folded == pitch, "what is inside stays"
    assert lens.tones[lens.degree_index(base)] == base


@given(lines.lenses(), lines.steps, st.integers(-14, 14), st.integers(-24, 24))
def test_transpositions(lens, step, degrees, semitones):
    assert 0 <= lens.sound(step, degrees, semitones) <= 127
    assert lens.sound(step) == lens.base(step)
    moved = lens.sound(step, degrees)
    assert (lens.sound(step, degrees, semitones) - moved - semitones) % 12 == 0
    if not step.free:
        assert (moved - lens.root) % 12 in lens.scale.offsets
        index = lens.degree_index(lens.base(step)) + degrees
        if 0 <= index < len(lens.tones):
            assert moved == lens.tones[index], "inside the register, degrees are its tones"


@given(lines.lenses(), st.integers(0, 127), st.integers(-14, 14))
def test_a_free_step_follows_the_root(lens, pitch, degrees):
    root = root_pitch(lens)
    by = _unfolded(lens, degrees)
    assert (lens.sound(Step(pitch=root), degrees) - root - by) % 12 == 0
    assert lens.sound(Step(pitch=pitch, free=True), degrees) == fold(pitch + by, 0, 127)


def _unfolded(lens, degrees: int) -> int:
    """Count the semitones from the root to a degree one tone at a time."""
    step, semitones = (1 if degrees > 0 else -1), 0
    for _ in range(abs(degrees)):
        semitones += step
        while semitones % 12 not in lens.scale.offsets:
            semitones += step
    return semitones


def test_an_octave_of_degrees_is_an_octave():
    for pitch in PENTATONIC.tones:
        assert PENTATONIC.sound(Step(pitch=pitch), degrees=5) == pitch + 12
        assert PENTATONIC.sound(Step(pitch=pitch), degrees=-5, semitones=12) == pitch


@given(st.lists(lines.steps, min_size=1, max_size=16), lines.lenses(), lines.lenses())
def test_turned_back_the_melody_is_restored(steps, lens, other):
    heard = [lens.sound(step) for step in steps]
    assert [other.sound(step, 3, -2) for step in steps]
    assert [lens.sound(step) for step in steps] == heard


def test_common_tones_stay_when_the_scale_changes():
    dorian = lens_for(2, SCALES["dorian"], 48, 19)
    assert all(dorian.base(Step(pitch=tone)) == tone for tone in PENTATONIC.tones)


@given(st.integers(-100, 100), st.integers(1, 30))
def test_reflection_walks_to_and_fro(index, count):
    path = list(range(count)) + list(range(count - 2, 0, -1))
    assert reflect(index, count) == path[index % len(path)]


def test_registers_that_are_no_register_are_refused():
    for low, span in ((0, 11), (-1, 12), (116, 12), (120, 60)):
        with pytest.raises(ValueError, match="an octave"):
            lens_for(0, SCALES["dorian"], low, span)
    assert lens_for(0, SCALES["dorian"], 110, 60).high == 127


def test_cents_of_what_sounds():
    lens = lens_for(2, cents_scale("own", (0.0, 231.0, 474.0, 717.0, 955.0)), 48, 19)
    assert [lens.deviation(note) for note in (50, 52, 55, 57, 60)] == [0.0, 31.0, -26.0, 17.0, -45.0]
    assert lens.deviation(51) == 0.0
    assert lens.deviation(54, semitones=2) == 31.0
    assert PENTATONIC.deviation(53) == 0.0


def test_the_same_settings_give_the_same_lens():
    assert lens_for(2, SCALES["dorian"], 48, 19) is lens_for(2, SCALES["dorian"], 48, 19)
