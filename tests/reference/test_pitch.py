"""Note names and frequencies against published tables and music21.

- MIDI 1.0 Detailed Specification 4.2.1, p. 10: note 60 is middle C; the
  specification gives no octave number.  C4 is scientific pitch notation.
- *MIDI Tuning Messages, updated specification* (CA-020/CA-021/RP-020): table
  of frequencies in equal temperament.  Its printed values are rounded
  unevenly, so they are held to 3e-6.
- OEIS A320304 prints notes 0, 1 and 12.
"""

from __future__ import annotations

import pytest

from replank.line.pitch import CLASS_NAMES, class_number, frequency, note_name, note_number

music21 = pytest.importorskip("music21", reason="the test extra brings music21")
from music21 import pitch  # noqa: E402

PRINTED = {0: 8.1758, 1: 8.6620, 12: 16.3516, 60: 261.6256, 61: 277.1827, 69: 440.0000, 120: 8372.0190, 127: 12543.8800}
TOLERANCE = 3e-6
A320304 = {0: 8.1758, 1: 8.6620, 12: 16.3516}


def check_frequencies(hertz) -> None:
    """Assert a function from notes to hertz against the printed table."""
    for note, printed in PRINTED.items():
        # The least printed digit limits the low notes, the tolerance the high ones.
        assert abs(hertz(note) - printed) <= max(TOLERANCE * printed, 0.00005), note


def test_frequencies_of_the_tuning_specification():
    check_frequencies(frequency)
    for note, printed in A320304.items():
        assert round(frequency(note), 4) == printed


def test_frequencies_that_are_a_hundredth_of_a_cent_off_are_refused():
    with pytest.raises(AssertionError):
        check_frequencies(lambda note: frequency(note) * 2 ** (0.01 / 1200))
    with pytest.raises(AssertionError):
        check_frequencies(lambda note: frequency(note + 2))


def test_the_printed_example_that_is_wrong_is_not_followed():
    """Version 4.2.1 prints 43 00 00 as 440 Hz; 69 is 45H, as the updated document says."""
    assert frequency(0x45) == 440.0
    assert frequency(0x43) == pytest.approx(391.9954)


@pytest.mark.parametrize("note", range(0, 128))
def test_names_and_frequencies_agree_with_music21(note):
    reference = pitch.Pitch(midi=note)
    assert frequency(note) == pytest.approx(reference.frequency, rel=1e-9)
    spelled = pitch.Pitch(CLASS_NAMES[note % 12].replace("b", "-"), octave=note // 12 - 1)
    assert spelled.midi == note
    assert note_name(note) == spelled.name.replace("-", "b") + str(spelled.octave)
    assert note_number(reference.name.replace("-", "b") + str(reference.octave)) == note


def test_middle_c_by_each_naming():
    assert note_name(60) == "C4"
    assert note_name(60, middle_c=3) == "C3"
    assert note_name(0) == "C-1"
    for middle_c in (3, 4, 5):
        for note in range(128):
            assert note_number(note_name(note, middle_c), middle_c) == note


@pytest.mark.parametrize(("name", "number"), [("C", 0), ("d#", 3), ("Eb", 3), ("B", 11), ("F♯", 6), ("Cb", 11)])
def test_pitch_classes(name, number):
    assert class_number(name) == number


def test_every_class_name_is_read_back():
    assert [class_number(name) for name in CLASS_NAMES] == list(range(12))


@pytest.mark.parametrize("wrong", ["", "H3", "C", "D3x", "C99", "128", "-1", "Eb-3"])
def test_what_is_no_note_is_refused(wrong):
    with pytest.raises(ValueError, match=r"not a note|outside 0 to 127"):
        note_number(wrong)


@pytest.mark.parametrize("wrong", ["", "H", "D3", "Ebb"])
def test_what_is_no_pitch_class_is_refused(wrong):
    with pytest.raises(ValueError, match="not a pitch class"):
        class_number(wrong)
