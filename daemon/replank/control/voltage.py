"""The voltage model: which volts an interface makes of notes and controllers.

There is no published standard for control voltage.  One volt per octave (83.333
mV per semitone), hertz per volt, 0 to 5 V for controllers are common practice;
all of it is therefore a setting of the rig, and what follows is arithmetic.

Range is decided with exact fractions of the decimals that the rig file holds:
no rounding and no library's `pow` decides which note is played.
"""

from __future__ import annotations

from fractions import Fraction
from math import log2
from typing import NamedTuple

from replank.control.setup import Voice, Voltage
from replank.line.pitch import frequency, note_name

BEYONDS = ("fold", "clamp", "rest")
"""What happens to a note outside a voice's range."""


def fit_note(note: int, low: int, high: int, out_of_range: str) -> int | None:
    """Return the note that sounds where `note` was meant, or None for a rest.

    Args:
        note: Any semitone number; it may lie outside 0 to 127 after transposition.
        low: The lowest note that can be reached.
        high: The highest note that can be reached.
        out_of_range: ``fold`` (by octaves, to the nearest that fits), ``clamp`` or ``rest``.

    A range of less than an octave may hold no octave of the note: fold then rests,
    since any other note would be wrong.  So does an empty range (`low` > `high`).
    """
    if low <= note <= high:
        return note
    if low > high or out_of_range == "rest":
        return None
    if out_of_range == "clamp":
        return low if note < low else high
    folded = low + (note - low) % 12 if note < low else high - (high - note) % 12
    return folded if low <= folded <= high else None


def voice_range(voice: Voice) -> tuple[int, int]:
    """Return the lowest and highest note that a voice can sound.

    The notes that the rig gives the receiver, less those whose voltage lies
    outside the interface's output range.  Nothing can be reached where the
    first is greater than the second.
    """
    if voice.voltage is None:
        return voice.low, voice.high
    low, high = note_range(voice.voltage)
    return max(voice.low, low), min(voice.high, high)


def note_range(voltage: Voltage) -> tuple[int, int]:
    """Return the lowest and highest note, 0 to 127, inside the output range.

    Nothing can be reached where the first is greater than the second.
    """
    inside = [note for note in range(128) if _is_inside(voltage, note)]
    return (inside[0], inside[-1]) if inside else (1, 0)


def _is_inside(voltage: Voltage, note: int) -> bool:
    low, high = _exact(voltage.low), _exact(voltage.high)
    if voltage.law == "hertz":
        # V = 440 / k x 2^((n - 69) / 12), compared in its twelfth power to stay exact
        ratio, power = _exact(voltage.hertz_per_volt) / 440, Fraction(2) ** (note - 69)
        return (low <= 0 or (low * ratio) ** 12 <= power) and high > 0 and power <= (high * ratio) ** 12
    volts = _exact(voltage.per_octave) * (note - voltage.zero_note) / 12
    return low <= volts <= high


def _exact(number: float) -> Fraction:
    """Return the decimal that a person wrote, so that 1.2 is 6/5 and not its nearest double."""
    return Fraction(repr(float(number)))


def note_volts(voltage: Voltage, note: float, cents: float = 0.0) -> float:
    """Return the volts of a note, `cents` above it.

    The hertz law counts note 69 as 440 Hz: the interface knows no other tuning,
    and another `a4` reaches it as bend like any other deviation.
    """
    semitones = note + cents / 100.0
    if voltage.law == "hertz":
        return frequency(semitones) / voltage.hertz_per_volt
    return voltage.per_octave * (semitones - voltage.zero_note) / 12.0


def volts_note(voltage: Voltage, volts: float) -> float:
    """Return the note, with its fraction, that a voltage stands for.

    Raises:
        ValueError: The hertz law has no note at or below 0 V.
    """
    if voltage.law == "hertz":
        if volts <= 0:
            raise ValueError(f"{volts:g} V is no note by the hertz law; it begins above 0 V")
        return 69.0 + 12.0 * log2(volts * voltage.hertz_per_volt / 440.0)
    return voltage.zero_note + 12.0 * volts / voltage.per_octave


def cents_millivolts(voltage: Voltage, note: float, cents: float = 1.0) -> float:
    """Return how many millivolts `cents` are at a note (0.8333 mV a cent at 1 V per octave)."""
    return (note_volts(voltage, note, cents) - note_volts(voltage, note)) * 1000.0


class Resolution(NamedTuple):
    """The converter's own step.

    Attributes:
        millivolts: Full output range over 2 to the power of the bits.
        cents_low, cents_high: The same at the lowest and the highest note in range;
            equal by the volts law.  The worst rounding error is half of it.
    """

    millivolts: float
    cents_low: float
    cents_high: float


def resolution(voltage: Voltage) -> Resolution | None:
    """Return the converter's step, or None where the rig does not know its bits."""
    low, high = note_range(voltage)
    if voltage.bits <= 0 or low > high:
        return None
    step = _step_volts(voltage)
    if voltage.law == "hertz":
        above = [volts_note(voltage, note_volts(voltage, note) + step) - note for note in (low, high)]
        return Resolution(step * 1000.0, above[0] * 100.0, above[1] * 100.0)
    cents = step * 1200.0 / voltage.per_octave
    return Resolution(step * 1000.0, cents, cents)


def _step_volts(voltage: Voltage) -> float:
    return (voltage.high - voltage.low) / float(1 << voltage.bits)


def quantised(voltage: Voltage, volts: float) -> float:
    """Return the voltage that the converter can make nearest to `volts`, inside its range."""
    inside = min(max(volts, voltage.low), voltage.high)
    if voltage.bits <= 0:
        return inside
    step = _step_volts(voltage)
    return voltage.low + round((inside - voltage.low) / step) * step


def controller_volts(voltage: Voltage, value: float, top: int = 127) -> float:
    """Return the volts of a controller value, 0 to `top` (127, or 16383 for 14 bits)."""
    return voltage.cc_low + (voltage.cc_high - voltage.cc_low) * value / top


def controller_step(voltage: Voltage, top: int = 127) -> float:
    """Return the millivolts between two neighbouring controller values."""
    return abs(voltage.cc_high - voltage.cc_low) * 1000.0 / top


def controller_range(voltage: Voltage, top: int = 127) -> tuple[int, int]:
    """Return the lowest and highest controller value whose volts the output can make.

    Nothing can be reached where the first is greater than the second.
    """
    bottom, span = _exact(voltage.cc_low), _exact(voltage.cc_high) - _exact(voltage.cc_low)
    low, high = _exact(voltage.low), _exact(voltage.high)
    inside = [value for value in range(top + 1) if low <= bottom + span * value / top <= high]
    return (inside[0], inside[-1]) if inside else (1, 0)


def problems(voltage: Voltage, middle_c: int = 4) -> list[str]:
    """Return what makes a voltage model impossible, one clear sentence each; empty if it is sound."""
    found: list[str] = []
    if voltage.law not in ("volts", "hertz"):
        found.append(f"law {voltage.law!r} is neither volts (per octave) nor hertz (per volt)")
    if voltage.law == "volts" and not voltage.per_octave > 0:
        found.append(f"per_octave is {voltage.per_octave:g} V; it has to be above 0")
    if voltage.law == "hertz" and not voltage.hertz_per_volt > 0:
        found.append(f"hertz_per_volt is {voltage.hertz_per_volt:g}; it has to be above 0")
    if not voltage.high > voltage.low:
        found.append(f"the output range {voltage.low:g} to {voltage.high:g} V is empty; high has to be above low")
    if not 0 <= voltage.bits <= 24:
        found.append(f"bits is {voltage.bits}; a converter has 1 to 24, and 0 says unknown")
    if found:
        return found
    low, high = note_range(voltage)
    if low > high:
        zero = f", with 0 V at {note_name(voltage.zero_note, middle_c)}" if voltage.law == "volts" else ""
        found.append(f"no note 0 to 127 lies inside {voltage.low:g} to {voltage.high:g} V{zero}")
    if voltage.cc_low == voltage.cc_high:
        found.append(f"controllers have no range: cc_low and cc_high are both {voltage.cc_low:g} V")
    else:
        least, most = controller_range(voltage)
        if least > most:
            found.append(
                f"no controller value lies inside {voltage.low:g} to {voltage.high:g} V: "
                f"controllers run from {voltage.cc_low:g} to {voltage.cc_high:g} V"
            )
    return found


def describe(voltage: Voltage, middle_c: int = 4) -> list[str]:
    """Return the facts of a voltage model as lines for people, all computed from the rig."""
    low, high = note_range(voltage)
    if voltage.law == "hertz":
        law = f"{voltage.hertz_per_volt:g} Hz at 1 V, doubling with every octave"
    else:
        zero = note_name(voltage.zero_note, middle_c)
        law = (
            f"{voltage.per_octave:g} V per octave, 0 V at {zero} (note {voltage.zero_note}), "
            f"{voltage.per_octave / 12 * 1000:.3f} mV per semitone, {voltage.per_octave / 1.2:.4f} mV per cent"
        )
    lines = [f"law: {law}"]
    if low > high:
        return [*lines, f"range: no note lies inside {voltage.low:g} to {voltage.high:g} V"]
    ends = note_name(low, middle_c), note_name(high, middle_c)
    lines.append(
        f"range: {ends[0]} to {ends[1]} (notes {low} to {high}, {high - low + 1} notes), "
        f"{note_volts(voltage, low):.3f} to {note_volts(voltage, high):.3f} V of {voltage.low:g} to {voltage.high:g} V"
    )
    if (step := resolution(voltage)) is None:
        lines.append("converter: bits not given, step unknown")
    else:
        cents = f"{step.cents_low:.2f} cents"
        if voltage.law == "hertz":
            cents = f"{step.cents_low:.2f} cents at {ends[0]}, {step.cents_high:.2f} at {ends[1]}"
        lines.append(f"converter: {voltage.bits} bits, step {step.millivolts:.3f} mV = {cents}")
    least, most = controller_range(voltage)
    text = f"controllers: {voltage.cc_low:g} to {voltage.cc_high:g} V, {controller_step(voltage):.1f} mV a value"
    if least > most:
        text += ", none inside the output range"
    elif (least, most) != (0, 127):
        text += f", values {least} to {most} inside the output range"
    return [*lines, text]
