"""Pitch bend: from cents to the bytes that carry them.

Facts from the MIDI 1.0 Detailed Specification 4.2.1: bend is 14 bits, least
significant byte first, centre 8192 (p. 19); registered parameter 0,0 is the
bend range, semitones in the most significant byte, cents in the least (p. 18).

Only sums, products and whole numbers decide a byte, so that every machine
sends the same ones.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from math import floor
from typing import NamedTuple

CENTRE, TOP = 8192, 16383
"""Bend values of no bend and of the highest bend."""


def cents_to_bend(cents: float, bend_range: int) -> int:
    """Return the bend value, 0 to 16383, of a deviation.

    Args:
        cents: Deviation; what lies beyond the range is clamped to it.
        bend_range: Semitones to either side that the receiver has, 1 to 96.

    v = clamp(8192 + round(8192 c / (100 R)), 0, 16383), half rounds up.  Down
    reaches the whole range, up 8191/8192 of it.
    """
    value = CENTRE + floor(CENTRE * cents / (100.0 * bend_range) + 0.5)
    return min(max(value, 0), TOP)


def value_cents(value: int, bend_range: int) -> float:
    """Return the cents that a bend value stands for."""
    return (value - CENTRE) * 100.0 * bend_range / CENTRE


def bend_step(bend_range: int) -> float:
    """Return the cents between two neighbouring bend values."""
    return 100.0 * bend_range / CENTRE


def bend_message(channel: int, value: int) -> bytes:
    """Return the pitch bend message of a channel, 1 to 16."""
    return bytes((0xE0 | channel - 1, value & 0x7F, value >> 7))


def bend_range_messages(channel: int, bend_range: int) -> tuple[bytes, ...]:
    """Return the messages that set a receiver's bend range to whole semitones.

    Registered parameter 0,0, data entry most significant byte first (its arrival
    zeroes the least), then the null parameter 127,127, so that a stray data entry
    changes nothing.  The null is common practice in implementation charts.
    """
    status = 0xB0 | channel - 1
    rows = ((101, 0), (100, 0), (6, bend_range), (38, 0), (101, 127), (100, 127))
    return tuple(bytes((status, controller, value)) for controller, value in rows)


@lru_cache(maxsize=64)
def a4_cents(a4: float) -> float:
    """Return the cents by which a reference pitch lies above 440 Hz.

    1200 x log2(a4 / 440) by repeated squaring in exact fractions and fixed point,
    to better than 1e-6 cents, since a library's logarithm may differ between machines.
    """
    ratio = Fraction(repr(float(a4))) / 440
    if ratio <= 0:
        raise ValueError(f"a4 is {a4:g} Hz; it has to be above 0")
    octaves = 0
    while ratio >= 2:
        ratio, octaves = ratio / 2, octaves + 1
    while ratio < 1:
        ratio, octaves = ratio * 2, octaves - 1
    places, bits = 96, 32
    number, log = (ratio.numerator << places) // ratio.denominator, 0
    for _ in range(bits):
        number = number * number >> places
        log <<= 1
        if number >> places >= 2:
            number, log = number >> 1, log | 1
    return 1200.0 * (octaves + log / (1 << bits))


def correction(tuning: Sequence[tuple[int, float]], note: int) -> float:
    """Return the cents by which a note is corrected.

    Args:
        tuning: (note, cents) pairs, rising notes; between two of them the correction
            lies on the straight line that joins them, outside it keeps the end's value.
        note: The note as it is sent.
    """
    if not tuning:
        return 0.0
    at = bisect_left(tuning, (note, float("-inf")))
    if at == len(tuning):
        return tuning[-1][1]
    high, high_cents = tuning[at]
    if high == note or at == 0:
        return high_cents
    low, low_cents = tuning[at - 1]
    return low_cents + (high_cents - low_cents) * (note - low) / (high - low)


def scale_cents(offsets: Sequence[int], cents: Sequence[float], root: int, note: int) -> float:
    """Return how far a note's scale degree lies from its semitone; 0 for a note outside the scale.

    Args:
        offsets: Semitones of the degrees above the root, each 0 to 11.
        cents: Deviation of each degree from that semitone.
        root: Pitch class of the root, 0 to 11, of the note as it sounds.
        note: The note.
    """
    place = (note - root) % 12
    for offset, deviation in zip(offsets, cents, strict=True):
        if offset == place:
            return deviation
    return 0.0


class Bend(NamedTuple):
    """A note's bend.

    Attributes:
        value: What is sent, 0 to 16383.
        wanted: Cents that were asked for.
        reached: Cents that the value stands for; differs by more than half a step
            only where the range is too small.
    """

    value: int
    wanted: float
    reached: float

    @property
    def is_clamped(self) -> bool:
        """True where the bend range is too small for what was asked."""
        return (self.value == 0 or self.value == TOP) and abs(self.reached - self.wanted) > 0.5


def note_bend(
    note: int,
    bend_range: int,
    *,
    fine_tune: float = 0.0,
    a4: float = 440.0,
    tuning: Sequence[tuple[int, float]] = (),
    degree_cents: float = 0.0,
) -> Bend:
    """Return the bend of a note: live fine tuning, reference pitch, correction and scale together.

    Args:
        note: The note as it is sent.
        bend_range: Semitones of bend that the receiver has, 1 to 96.
        fine_tune: Live fine tuning in cents.
        a4: Hertz of note 69.
        tuning: The interface's correction (see `correction`).
        degree_cents: Deviation of the scale's degree (see `scale_cents`).

    A twelve-tone scale at 440 Hz with no correction gives exactly the centre.
    """
    wanted = fine_tune + a4_cents(a4) + correction(tuning, note) + degree_cents
    value = cents_to_bend(wanted, bend_range)
    return Bend(value, wanted, value_cents(value, bend_range))
