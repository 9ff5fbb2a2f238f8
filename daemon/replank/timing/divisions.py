"""Divisions (how many clocks a step lasts) and meters.

A division is a whole number of MIDI clocks, 24 to the quarter note, written
as a note value (``1/16``, ``1/16t`` triplet, ``1/8d`` dotted, ``1bar``,
``2bars``) or as clocks (``7c``).
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

PPQN = 24
"""MIDI clocks per quarter note (MIDI 1.0 Detailed Specification, p. 30)."""

_VALUE = re.compile(r"1/(\d{1,3})([td]?)")
_BARS = re.compile(r"([1-8]) ?bars?")
_CLOCKS = re.compile(r"(\d{1,4})c")
_METER = re.compile(r"(\d{1,2})/(\d{1,2})")


def bar_clocks(meter: str) -> int:
    """Return the clocks of one bar of a meter such as ``4/4`` (96) or ``6/8`` (72).

    Raises:
        ValueError: Not a meter, or one whose bar is no whole number of clocks.
    """
    found = _METER.fullmatch(meter.strip())
    if found is None or not 1 <= int(found[1]) <= 32 or int(found[2]) not in (1, 2, 4, 8, 16, 32):
        raise ValueError(f"{meter!r} is not a meter (n/d, such as 4/4, 7/8)")
    return int(found[1]) * 4 * PPQN // int(found[2])


def beat_clocks(meter: str) -> int:
    """Return the clocks of one beat, the lower number of the meter's note value."""
    return 4 * PPQN // int(meter.split("/")[1])


@lru_cache(maxsize=256)
def division_clocks(text: str, meter: str = "4/4") -> int:
    """Return the clocks of one step of a division.

    Args:
        text: ``1/16``, ``1/8t``, ``1/8d``, ``1bar``, ``2bars`` or ``7c``.
        meter: The meter, which says how long a bar is.

    Raises:
        ValueError: Not a division, no whole number of clocks, or out of range.
    """
    word = text.strip().lower()
    if found := _CLOCKS.fullmatch(word):
        clocks = Fraction(int(found[1]))
    elif found := _BARS.fullmatch(word):
        clocks = Fraction(int(found[1]) * bar_clocks(meter))
    elif (found := _VALUE.fullmatch(word)) and int(found[1]) in (1, 2, 4, 8, 16, 32, 64, 96):
        clocks = Fraction(4 * PPQN, int(found[1]))
        clocks *= {"": Fraction(1), "t": Fraction(2, 3), "d": Fraction(3, 2)}[found[2]]
    else:
        raise ValueError(f"{text!r} is not a division (1/16, 1/16t, 1/8d, 1bar, 2bars, 7c)")
    if clocks.denominator != 1:
        raise ValueError(f"{text!r} is {float(clocks):g} clocks; a step is a whole number of clocks")
    if not 1 <= clocks <= 8 * bar_clocks(meter):
        raise ValueError(f"{text!r} is {clocks} clocks; a step lasts 1 clock to 8 bars")
    return int(clocks)
