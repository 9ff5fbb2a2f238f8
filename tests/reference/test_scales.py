"""The scale table against music21 and against published statements about the scales.

- Forte numbers (Forte, *The Structure of Atonal Music*, 1973) and interval
  vectors: music21.  Never bare prime forms, on which Forte and Rahn disagree
  for 5-20, 7-20 and 8-26.
- Offsets: music21's scale classes by name (one of them under another name)
  and by rotation, and its names of set classes.
- "X is mode n of Y": theory textbooks and the public pages named by row.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from replank.line.scale_table import SCALE_ROWS, ScaleRow

music21 = pytest.importorskip("music21", reason="the test extra brings music21")
from music21 import chord, scale  # noqa: E402
from music21.chord import tables  # noqa: E402

ROWS = {row.name: row for row in SCALE_ROWS}

CLASSES: dict[str, Callable[[], object]] = {
    "ionian": lambda: scale.MajorScale("C"),
    "dorian": lambda: scale.DorianScale("C"),
    "phrygian": lambda: scale.PhrygianScale("C"),
    "lydian": lambda: scale.LydianScale("C"),
    "mixolydian": lambda: scale.MixolydianScale("C"),
    "aeolian": lambda: scale.MinorScale("C"),
    "locrian": lambda: scale.LocrianScale("C"),
    "harmonic minor": lambda: scale.HarmonicMinorScale("C"),
    "melodic minor ascending": lambda: scale.MelodicMinorScale("C"),
    "chromatic": lambda: scale.ChromaticScale("C"),
    "whole tone": lambda: scale.WholeToneScale("C"),
    "octatonic half-whole": lambda: scale.OctatonicScale("C", 1),
    "octatonic whole-half": lambda: scale.OctatonicScale("C", 2),
    "kokin-joshi": lambda: scale.RagAsawari("C"),  # the same offsets under another tradition's name, ascending
}

MODES = [  # (mode, number counted from 1, of)
    *((name, n, "ionian") for n, name in enumerate(
        ("ionian", "dorian", "phrygian", "lydian", "mixolydian", "aeolian", "locrian"), 1)),
    *((name, n, "harmonic minor") for n, name in enumerate(
        ("locrian natural 6", "ionian augmented", "ukrainian dorian", "phrygian dominant", "lydian #2",
         "ultralocrian"), 2)),
    *((name, n, "melodic minor ascending") for n, name in enumerate(
        ("dorian b2", "lydian augmented", "lydian dominant", "mixolydian b6", "half-diminished", "altered"), 2)),
    ("hungarian minor", 4, "double harmonic"),
    ("leading whole tone", 2, "neapolitan major"),
    ("lydian minor", 4, "neapolitan major"),
    ("major locrian", 5, "neapolitan major"),
    ("suspended pentatonic", 2, "major pentatonic"),
    ("blues minor pentatonic", 3, "major pentatonic"),
    ("ritusen", 4, "major pentatonic"),
    ("minor pentatonic", 5, "major pentatonic"),
    ("octatonic whole-half", 2, "octatonic half-whole"),
    ("major blues", 2, "minor blues"),
    ("in-sen", 4, "kokin-joshi"),
    ("akebono", 3, "kokin-joshi"),
]  # fmt: skip

SET_NAMES = {  # music21's name of the set class, which fixes it up to transposition and inversion
    "double harmonic": "double harmonic scale",
    "hungarian major": "Hungarian major mode",
    "neapolitan minor": "Neapolitan-minor mode",
    "neapolitan major": "Neapolitan-major mode",
    "leading whole tone": "leading-whole-tone mode",
    "enigmatic ascending": "Enigmatic heptatonic",
    "messiaen mode 3": "Messiaen's mode 3",
    "messiaen mode 4": "Messiaen's mode 4",
    "messiaen mode 5": "Messiaen's mode 5",
    "messiaen mode 6": "Messiaen's mode 6",
    "messiaen mode 7": "Messiaen's mode 7",
    "prometheus": "Scriabin's Mystic-chord",
    "in (miyako-bushi)": "Sakura",
    "hirajoshi": "Hirajoshi pentatonic",
    "iwato": "Iwato",
    "akebono": "Kumoi pentachord",
    "pelog (5-note, 12-TET approx)": "Balinese Pelog pentatonic",
    "slendro (12-TET approx)": "slendro",
    "minor blues": "blues scale",
    "tritone (petrushka)": "Petrushka-chord",
}


def check_forte(row: ScaleRow) -> None:
    """Assert a row's Forte number and that its complement and vector fit."""
    found = chord.Chord([60 + offset for offset in row.offsets])
    assert found.forteClassTnI == row.forte, f"{row.name}: music21 says {found.forteClassTnI}"
    assert list(found.intervalVector) == interval_vector(row.offsets)


def interval_vector(offsets: tuple[int, ...]) -> list[int]:
    """Count the interval classes 1 to 6 between all pairs."""
    vector = [0] * 6
    for place, a in enumerate(offsets):
        for b in offsets[place + 1 :]:
            vector[min((b - a) % 12, (a - b) % 12) - 1] += 1
    return vector


def check_class(row: ScaleRow) -> None:
    """Assert a row's offsets against music21's scale class of that name."""
    pitches = CLASSES[row.name]().getPitches("C4", "C5", direction=scale.Direction.ASCENDING)
    assert sorted({pitch.midi % 12 for pitch in pitches}) == list(row.offsets), row.name


def check_mode(row: ScaleRow, number: int, of: ScaleRow) -> None:
    """Assert that a row is the given mode of another."""
    start = of.offsets[number - 1]
    assert sorted((offset - start) % 12 for offset in of.offsets) == list(row.offsets), row.name


@pytest.mark.parametrize("row", SCALE_ROWS, ids=lambda row: row.name)
def test_forte_numbers(row):
    check_forte(row)


@pytest.mark.parametrize("name", CLASSES)
def test_scales_that_music21_knows_by_name(name):
    check_class(ROWS[name])


@pytest.mark.parametrize(("name", "number", "of"), MODES)
def test_modes(name, number, of):
    check_mode(ROWS[name], number, ROWS[of])


@pytest.mark.parametrize("name", SET_NAMES)
def test_set_classes_that_music21_knows_by_name(name):
    found = chord.Chord([60 + offset for offset in ROWS[name].offsets])
    known = tables.addressToCommonNames(found.chordTablesAddress)
    assert any(SET_NAMES[name].lower() in one.lower() for one in known), known


PUBLISHED = {
    # Offsets as the sources print them; the sources are in the id of each row.
    "ritusen": (0, 2, 5, 7, 9),  # yo: steps 2 3 2 2 3, Wikipedia "Yo scale"
    "in (miyako-bushi)": (0, 1, 5, 7, 8),  # 1 b2 4 5 b6, after Koizumi 1974, Wikipedia "In scale"
    "hirajoshi": (0, 2, 3, 7, 8),  # Helmholtz and Ellis, On the Sensations of Tone, no. 110
    "ryukyu": (0, 4, 5, 7, 11),  # 1 3 4 5 7, Kaneshiro, Toyo Ongaku Kenkyu 55 (1990), abstract
    "enigmatic ascending": (0, 1, 4, 6, 8, 10, 11),  # scala enigmatica, two dictionaries agree
    "octatonic half-whole": (0, 1, 3, 4, 6, 7, 9, 10),  # Wikipedia "Octatonic scale"
    "neapolitan minor": (0, 1, 3, 5, 7, 8, 11),  # Wikipedia "Neapolitan scale"
    "slendro (12-TET approx)": (0, 2, 5, 7, 10),  # nearest to 231 474 717 955, mean of 30 gamelans
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_offsets_as_printed(name):
    assert ROWS[name].offsets == PUBLISHED[name]


def test_corrupted_rows_are_refused():
    dorian = ROWS["dorian"]
    wrong = dorian._replace(offsets=(0, 2, 3, 5, 7, 8, 11))
    with pytest.raises(AssertionError, match="dorian"):
        check_forte(wrong)
    rotated = dorian._replace(offsets=ROWS["aeolian"].offsets)
    check_forte(rotated)  # the set class cannot tell modes apart: that is what the other checks are for
    with pytest.raises(AssertionError, match="dorian"):
        check_class(rotated)
    with pytest.raises(AssertionError, match="dorian"):
        check_mode(rotated, 2, ROWS["ionian"])
