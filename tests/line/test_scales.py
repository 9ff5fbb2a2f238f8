"""Scale names as people type them, and scales in cents."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.line.scale_table import SCALE_ROWS
from replank.line.scales import SCALES, cents_scale, get_scale, scale_name


def test_the_table_is_whole():
    assert len(SCALE_ROWS) == len(SCALES) == 63
    for row in SCALE_ROWS:
        assert row.offsets[0] == 0
        assert list(row.offsets) == sorted(set(row.offsets))
        assert row.offsets[-1] < 12
        assert row.forte.partition("-")[0] == str(len(row.offsets))
        assert SCALES[row.name].cents == (0.0,) * len(row.offsets)


def test_no_name_means_two_scales():
    words: dict[str, str] = {}
    for row in SCALE_ROWS:
        for word in (row.name, *row.aliases):
            assert words.setdefault(word.casefold().replace("-", " "), row.name) == row.name


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("Minor-Pentatonic", "minor pentatonic"),
        ("  DORIAN ", "dorian"),
        ("whole_tone", "whole tone"),
        ("major", "ionian"),
        ("natural minor", "aeolian"),
        ("in-sen", "in-sen"),
        ("IN SEN", "in-sen"),
        ("miyako-bushi", "in (miyako-bushi)"),
        ("pelog", "pelog (5-note, 12-TET approx)"),
        ("lydian  dominant", "lydian dominant"),
    ],
)
def test_spellings(word, name):
    assert scale_name(word) == name
    assert get_scale(word).name == name


@pytest.mark.parametrize("row", SCALE_ROWS, ids=lambda row: row.name)
def test_every_name_and_alias_is_found(row):
    for word in (row.name, *row.aliases):
        assert scale_name(word.upper().replace(" ", "-")) == row.name


def test_an_unknown_name_is_refused_with_the_nearest():
    with pytest.raises(ValueError, match=r"there is no scale 'dorain' \(nearest: dorian\)"):
        scale_name("dorain")
    with pytest.raises(ValueError, match=r"^there is no scale 'zzzz'$"):
        scale_name("zzzz")
    with pytest.raises(ValueError, match="nearest: Dome at Dusk"):
        scale_name("dome at dust", ["Dome at Dusk"])


def test_scales_in_cents_take_the_nearest_semitone():
    # Mean of 30 slendro gamelans, Surjodiningrat et al.: 231 474 717 955 cents, octave 1208.
    scale = get_scale("dome-slendro", {"Dome Slendro": (0.0, 231.0, 474.0, 717.0, 955.0)})
    assert scale.name == "Dome Slendro"
    assert scale.offsets == (0, 2, 5, 7, 10) == SCALES["slendro (12-TET approx)"].offsets
    assert scale.cents == (0.0, 31.0, -26.0, 17.0, -45.0)
    assert cents_scale("half", (0.0, 150.0)).offsets == (0, 2), "halves go upward"


def test_an_own_scale_comes_before_one_of_the_table():
    assert get_scale("ionian", {"ionian": (0.0, 700.0)}).offsets == (0, 7)
    assert get_scale("dorian", {"ionian": (0.0, 700.0)}) is SCALES["dorian"]


@pytest.mark.parametrize(
    ("cents", "words"),
    [
        ((), "first degree must be 0"),
        ((10.0, 200.0), "first degree must be 0"),
        ((0.0, 1200.0), "outside 0 to below 1200"),
        ((0.0, float("nan")), "outside 0 to below 1200"),
        ((0.0, -20.0), "outside 0 to below 1200"),
        ((0.0, 300.0, 200.0), "not above the one before it"),
        ((0.0, 300.0, 300.0), "not above the one before it"),
        ((0.0, 260.0, 340.0), "degrees 2 and 3 .* nearest to one semitone"),
        ((0.0, 40.0), "degrees 1 and 2 .* nearest to one semitone"),
        ((0.0, 1160.0), "nearest to the root an octave up"),
    ],
)
def test_scales_in_cents_that_cannot_be_used_are_refused(cents, words):
    with pytest.raises(ValueError, match=words):
        cents_scale("x", cents)


@given(st.lists(st.floats(0.5, 1149.0), unique=True, max_size=12).map(sorted))
def test_any_scale_in_cents_is_right_or_refused(degrees):
    try:
        scale = cents_scale("x", [0.0, *degrees])
    except ValueError:
        return
    assert list(scale.offsets) == sorted(set(scale.offsets))
    assert scale.offsets[-1] < 12
    assert all(-50.0 <= cents < 50.0 + 1e-9 for cents in scale.cents)
    assert [100 * o + c for o, c in zip(scale.offsets, scale.cents, strict=True)] == pytest.approx([0.0, *degrees])
