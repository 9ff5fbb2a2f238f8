"""Pitch names, pitch classes and frequencies.

MIDI fixes note 60 as middle C but no octave number (MIDI 1.0 Detailed
Specification 4.2.1, p. 10).  Here note 60 is C4 unless `middle_c` says 3 or 5.
"""

from __future__ import annotations

import re

CLASS_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
"""The twelve pitch classes by the name used on screen and in files."""

_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAME = re.compile(r"([A-Ga-g])([#b♯♭]?)(-?\d{1,2})?")


def class_number(name: str) -> int:
    """Return the pitch class 0 to 11 of a name such as ``D``, ``Eb`` or ``d#``.

    Raises:
        ValueError: `name` is not a pitch class.
    """
    found = _NAME.fullmatch(name.strip())
    if found is None or found[3] is not None:
        raise ValueError(f"{name!r} is not a pitch class (C, C#, D, Eb ... B)")
    shift = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[found[2]]
    return (_LETTERS[found[1].upper()] + shift) % 12


def note_name(note: int, middle_c: int = 4) -> str:
    """Return the name of a MIDI note, e.g. ``D3`` for 50 where note 60 is C4."""
    return f"{CLASS_NAMES[note % 12]}{note // 12 - 5 + middle_c}"


def note_number(name: str, middle_c: int = 4) -> int:
    """Return the MIDI note number of a name such as ``D3``, or of a number's text.

    Raises:
        ValueError: Not a note name, or outside 0 to 127.
    """
    text = name.strip()
    if re.fullmatch(r"\d{1,3}", text):
        note = int(text)
    else:
        found = _NAME.fullmatch(text)
        if found is None or found[3] is None:
            raise ValueError(f"{name!r} is not a note (D3, Eb4, or a number 0 to 127)")
        shift = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[found[2]]
        note = _LETTERS[found[1].upper()] + shift + (int(found[3]) + 5 - middle_c) * 12
    if not 0 <= note <= 127:
        raise ValueError(f"{name!r} is note {note}, outside 0 to 127")
    return note


def frequency(note: float, a4: float = 440.0) -> float:
    """Return the frequency in hertz of a note number; note 69 is `a4` hertz."""
    return float(a4 * 2.0 ** ((note - 69) / 12.0))
