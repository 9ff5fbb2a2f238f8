"""Bend arithmetic against the MIDI 1.0 Detailed Specification 4.2.1 (p. 18-19).

The table is v = clamp(8192 + round(8192 c / (100 R)), 0, 16383), half rounding up,
computed from the specification's two facts: 14 bits with centre 8192 (p. 19), and
a range of R semitones to either side (p. 18).
"""

from __future__ import annotations

from collections.abc import Callable
from math import log2

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.bend import (
    a4_cents,
    bend_message,
    bend_range_messages,
    bend_step,
    cents_to_bend,
    correction,
    note_bend,
    scale_cents,
    value_cents,
)

RANGES = (1, 2, 12, 24, 48)
TABLE: dict[int, tuple[int, ...]] = {
    -100: (0, 4096, 7509, 7851, 8021),
    -50: (4096, 6144, 7851, 8021, 8107),
    -14: (7045, 7619, 8096, 8144, 8168),
    0: (8192, 8192, 8192, 8192, 8192),
    1: (8274, 8233, 8199, 8195, 8194),
    50: (12288, 10240, 8533, 8363, 8277),
    100: (16383, 12288, 8875, 8533, 8363),
}
BYTES = {
    (-100, 2): "00 20", (-50, 12): "2b 3d", (-14, 1): "05 37", (0, 48): "00 40",
    (1, 24): "03 40", (50, 12): "55 42", (100, 1): "7f 7f", (100, 48): "2b 41",
}  # fmt: skip


def disagreements(value: Callable[[float, int], int]) -> list[tuple[int, int]]:
    """Return the (cents, range) cells of the table that a function gets wrong."""
    return [
        (cents, bend_range)
        for cents, row in TABLE.items()
        for bend_range, wanted in zip(RANGES, row, strict=True)
        if value(cents, bend_range) != wanted
    ]


def test_values_agree_with_the_table() -> None:
    assert disagreements(cents_to_bend) == []


@pytest.mark.parametrize(
    "broken",
    [
        lambda c, r: min(max(8192 + int(8192 * c / (100 * r)), 0), 16383),  # cut off, not rounded
        lambda c, r: 8192 + int(8192 * c / (100 * r) + 0.5 * (1 if c > 0 else -1)),  # no clamp
        lambda c, r: min(max(8192 + round(8191 * c / (100 * r)), 0), 16383),  # 8191 for 8192
        lambda c, r: cents_to_bend(c, 2),  # range ignored
    ],
)
def test_the_table_rejects_a_broken_build(broken: Callable[[float, int], int]) -> None:
    assert disagreements(broken) != []


def test_bytes_are_least_significant_first() -> None:
    # p. 19: "least significant byte first"; centre 00 40
    for (cents, bend_range), text in BYTES.items():
        assert bend_message(1, cents_to_bend(cents, bend_range)) == bytes.fromhex("e0" + text)
    assert bend_message(16, 8192) == bytes.fromhex("ef 00 40")


def test_both_clamps_and_the_asymmetry() -> None:
    assert cents_to_bend(-1e6, 2) == 0 and cents_to_bend(1e6, 2) == 16383
    assert value_cents(0, 2) == -200.0
    assert value_cents(16383, 2) == pytest.approx(199.976, abs=0.0005)  # 8191/8192 of 200


def test_resolution() -> None:
    assert [round(bend_step(r), 4) for r in (2, 12, 24, 48)] == [0.0244, 0.1465, 0.293, 0.5859]


@given(st.floats(-100, 100), st.sampled_from(RANGES))
def test_a_value_is_within_half_a_step_of_what_was_asked(cents: float, bend_range: int) -> None:
    reached = value_cents(cents_to_bend(cents, bend_range), bend_range)
    slack = bend_step(bend_range) * (1.0 if cents > 99.9 * bend_range else 0.5)  # the upper clamp
    assert abs(reached - cents) <= slack + 1e-9


def test_bend_range_is_registered_parameter_0_0() -> None:
    # p. 18; T-3 for the numbers of 100, 101, 6, 38; most significant data first (p. 12)
    sent = bend_range_messages(3, 12)
    assert [message.hex(" ") for message in sent] == [
        "b2 65 00", "b2 64 00", "b2 06 0c", "b2 26 00", "b2 65 7f", "b2 64 7f",
    ]  # fmt: skip


@pytest.mark.parametrize("a4", [415.0, 432.0, 435.0, 440.0, 442.0, 443.5, 466.16])
def test_reference_pitch_agrees_with_the_logarithm(a4: float) -> None:
    assert a4_cents(a4) == pytest.approx(1200 * log2(a4 / 440.0), abs=1e-6)


def test_a4_440_bends_nothing() -> None:
    assert note_bend(60, 2).value == 8192
    assert note_bend(60, 2, degree_cents=0.0).wanted == 0.0


def test_everything_adds_up() -> None:
    bend = note_bend(48, 2, fine_tune=3.0, a4=442.0, tuning=((36, -4.0), (60, 4.0)), degree_cents=-13.7)
    assert bend.wanted == pytest.approx(3.0 + 7.8514 + 0.0 - 13.7, abs=1e-3)  # 442 Hz: +7.851 cents
    assert abs(bend.reached - bend.wanted) <= bend_step(2) / 2
    assert not bend.is_clamped
    assert note_bend(48, 1, fine_tune=100.0, degree_cents=50.0).is_clamped


def test_correction_between_and_outside_its_pairs() -> None:
    pairs = ((36, -6.0), (48, 0.0), (60, 3.0))
    assert [correction(pairs, n) for n in (24, 36, 42, 48, 52, 60, 96)] == [-6, -6, -3, 0, 1, 3, 3]
    assert correction((), 60) == 0.0


def test_scale_cents_follow_the_root() -> None:
    offsets, cents = (0, 4, 7), (0.0, -13.686, 1.955)  # pure third 386.314, pure fifth 701.955 cents
    assert [scale_cents(offsets, cents, 2, n) for n in (50, 54, 57, 62, 51)] == [0.0, -13.686, 1.955, 0.0, 0.0]
