"""Voltage arithmetic.

No standard for control voltage has been published.  The 1 V per octave and hertz
per volt laws are common practice (the exponential law is described in J. Audio Eng. Soc.
13(3), 1965); everything here is arithmetic on them, worked out by hand or by another road
than the code takes.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from replank.control.setup import Voice, Voltage
from replank.control.voltage import (
    cents_millivolts,
    controller_range,
    controller_step,
    controller_volts,
    describe,
    fit_note,
    note_range,
    note_volts,
    problems,
    quantised,
    resolution,
    voice_range,
    volts_note,
)

STRANGE = Voltage(per_octave=1.2, zero_note=36, low=0.0, high=8.0, bits=12)

# bits -> (mV, cents) at full ranges of 5, 8 and 10 V, 1 V per octave: span / 2^bits
CONVERTERS = {
    8: ((19.53, 23.4), (31.25, 37.5), (39.06, 46.9)),
    10: ((4.883, 5.86), (7.813, 9.38), (9.766, 11.7)),
    12: ((1.221, 1.46), (1.953, 2.34), (2.441, 2.93)),
    14: ((0.305, 0.37), (0.488, 0.59), (0.610, 0.73)),
    16: ((0.0763, 0.092), (0.1221, 0.146), (0.1526, 0.183)),
}


def test_semitone_and_cent() -> None:
    model = Voltage()
    assert cents_millivolts(model, 60, 100) == pytest.approx(83.333, abs=0.0005)
    assert cents_millivolts(model, 60, 1) == pytest.approx(0.8333, abs=0.00005)


def test_hertz_per_volt_doubles_per_octave() -> None:
    # common practice: 1 V = 55 Hz, so 1, 2, 4, 8 V at A1, A2, A3, A4 (notes 33, 45, 57, 69)
    model = Voltage(law="hertz", hertz_per_volt=55.0, high=8.0)
    assert [note_volts(model, n) for n in (33, 45, 57, 69)] == pytest.approx([1.0, 2.0, 4.0, 8.0])
    assert note_range(model) == (0, 69)
    assert [volts_note(model, v) for v in (1, 2, 4, 8)] == pytest.approx([33, 45, 57, 69])


@pytest.mark.parametrize(("span", "notes"), [(5.0, 61), (8.0, 97), (10.0, 121)])
def test_notes_in_a_span(span: float, notes: int) -> None:
    low, high = note_range(Voltage(zero_note=0, high=span))
    assert high - low + 1 == notes


@pytest.mark.parametrize("bits", CONVERTERS)
def test_converter_steps(bits: int) -> None:
    for span, (millivolts, cents) in zip((5.0, 8.0, 10.0), CONVERTERS[bits], strict=True):
        step = resolution(Voltage(high=span, bits=bits))
        assert step is not None
        assert step.millivolts == pytest.approx(millivolts, rel=2e-3)
        assert step.cents_low == pytest.approx(cents, rel=1.1e-2)  # the table has two digits


def test_gain_error_in_cents() -> None:
    # 0.1 % of gain is 1.2 cents an octave, 6 cents over five
    model, off = Voltage(zero_note=36), Voltage(zero_note=36, per_octave=1.001)
    assert 100 * (volts_note(model, note_volts(off, 48)) - 48) == pytest.approx(1.2)
    assert 100 * (volts_note(model, note_volts(off, 96)) - 96) == pytest.approx(6.0)


def test_controllers() -> None:
    model = Voltage()
    assert controller_step(model) == pytest.approx(39.4, abs=0.05)
    assert controller_step(model, 16383) == pytest.approx(0.305, abs=0.0005)
    assert (controller_volts(model, 0), controller_volts(model, 127)) == (0.0, 5.0)
    assert controller_range(model) == (0, 127)
    wide = Voltage(low=0.0, high=5.0, cc_low=-5.0, cc_high=5.0)  # plus-minus 5 V into 0 to 5 V
    assert controller_range(wide) == (64, 127)
    assert controller_range(Voltage(high=5.0, cc_high=10.0)) == (0, 63)


# A strange interface: 1.2 V per octave, 0 V at note 36, 0 to 8 V, 12 bits. By hand: 0.1 V a
# semitone, so 8 V is 80 semitones above note 36; 8 V / 4096 = 1.953125 mV = 1.953125 cents.


def strange_faults(volts: Callable[[Voltage, float], float], span: Callable[[Voltage], tuple[int, int]]) -> list[str]:
    """Return what an implementation gets wrong about the strange interface."""
    found = [f"note {n}" for n in range(36, 117) if abs(volts(STRANGE, n) - (n - 36) / 10) > 1e-9]
    return found + (["range"] if span(STRANGE) != (36, 116) else [])


def test_the_strange_interface_gets_right_volts() -> None:
    assert strange_faults(note_volts, note_range) == []
    step = resolution(STRANGE)
    assert step is not None and step.millivolts == 1.953125 and step.cents_low == pytest.approx(1.953125)
    assert problems(STRANGE) == []
    text = "\n".join(describe(STRANGE))
    assert "100.000 mV per semitone" in text and "notes 36 to 116, 81 notes" in text and "1.953 mV = 1.95 cents" in text


def test_the_strange_interface_rejects_a_broken_build() -> None:
    one_volt = Voltage(per_octave=1.0, zero_note=36, high=8.0)
    assert strange_faults(lambda _, n: note_volts(one_volt, n), note_range)
    assert strange_faults(note_volts, lambda _: note_range(one_volt)) == ["range"]


def test_the_top_note_is_not_lost_to_rounding() -> None:
    # 3 x 1.1 V is 3.3000000000000003 in doubles, and yet the third octave is reached at 3.3 V
    for tenths in range(1, 30):
        for octaves in range(1, 8):
            model = Voltage(
                per_octave=float(f"{tenths / 10:.1f}"), zero_note=24, high=float(f"{tenths * octaves / 10:.1f}")
            )
            assert note_range(model) == (24, 24 + 12 * octaves)


@pytest.mark.parametrize(
    ("model", "word"),
    [
        (Voltage(per_octave=0.0), "per_octave"),
        (Voltage(per_octave=-1.0), "per_octave"),
        (Voltage(law="hertz", hertz_per_volt=0.0), "hertz_per_volt"),
        (Voltage(low=5.0, high=5.0), "empty"),
        (Voltage(bits=40), "bits"),
        (Voltage(low=9.0, high=10.0, zero_note=100), "no note 0 to 127"),
        (Voltage(cc_low=6.0, cc_high=9.0), "no controller value"),
        (Voltage(cc_low=5.0, cc_high=5.0), "no range"),
        (Voltage(law="linear"), "law"),
    ],
)
def test_an_impossible_interface_is_refused_in_words(model: Voltage, word: str) -> None:
    assert any(word in sentence for sentence in problems(model))


def test_rounding_stays_within_half_a_step() -> None:
    for note in range(36, 117):
        volts = note_volts(STRANGE, note)
        assert abs(quantised(STRANGE, volts) - volts) <= 8 / 4096 / 2 + 1e-12
    assert quantised(STRANGE, 9.0) == 8.0 and quantised(STRANGE, -1.0) == 0.0


def test_reach_is_what_both_receiver_and_interface_allow() -> None:
    assert voice_range(Voice(voltage=STRANGE)) == (36, 116)
    assert voice_range(Voice(low=40, high=60, voltage=STRANGE)) == (40, 60)
    assert voice_range(Voice(low=10, high=60)) == (10, 60)
    low, high = voice_range(Voice(low=0, high=20, voltage=STRANGE))
    assert low > high


def fit_faults(fit: Callable[[int, int, int, str], int | None]) -> list[tuple[int, str]]:
    """Return the (note, way) for which `fit` breaks its promise in the range 36 to 55."""
    low, high, found = 36, 55, []
    for note in range(-40, 180):
        inside = low <= note <= high
        folded, clamped, rested = (fit(note, low, high, way) for way in ("fold", "clamp", "rest"))
        nearest = min((n for n in range(low, high + 1) if (n - note) % 12 == 0), key=lambda n: abs(n - note))
        if folded != (note if inside else nearest):
            found.append((note, "fold"))
        if clamped != min(max(note, low), high):
            found.append((note, "clamp"))
        if rested != (note if inside else None):
            found.append((note, "rest"))
    return found


def test_a_note_outside_is_folded_clamped_or_rested() -> None:
    assert fit_faults(fit_note) == []
    assert fit_note(61, 60, 64, "fold") == 61 and fit_note(73, 60, 64, "fold") == 61
    assert fit_note(66, 60, 64, "fold") is None  # no octave of it fits: silence, never another note
    assert fit_note(60, 5, 4, "clamp") is None


def test_fit_rejects_a_broken_build() -> None:
    assert fit_faults(lambda n, low, high, way: min(max(n, low), high))
    assert fit_faults(lambda n, low, high, way: fit_note(n, low, high - 1, way))
