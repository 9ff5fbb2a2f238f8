"""Fitting a MIDI-to-CV interface's errors from tuner readings.

The model lives where the errors arise, in volts: the output is the intended
voltage times a scale error, plus an offset, plus a curvature about the middle of
the readings.  The fit weighs readings in cents, robustly, with SciPy.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from math import log2
from statistics import median
from typing import Any, NamedTuple

from replank.control.bend import correction as correction_at
from replank.control.setup import Voltage
from replank.control.voltage import cents_millivolts, note_range, note_volts, resolution, volts_note
from replank.line.pitch import frequency, note_number

MOST_CENTS = 600.0
"""A reading further off than half an octave is another note, not a tuning error."""
STRAY_CENTS = 4.0
"""A reading is rejected as a stray one only if it lies at least so far from the fit."""
_KNOT_CENTS = 0.05


class ScipyAbsent(Exception):
    """SciPy is not installed."""


class Reading(NamedTuple):
    """One reading from a tuner.

    Attributes:
        note: The note that was sent, 0 to 127.
        cents: How far above it the tuner read.
        line: Line of the file, or number of the reading, from 1.
    """

    note: int
    cents: float
    line: int


def parse_readings(text: str, middle_c: int = 4, a4: float = 440.0) -> tuple[list[Reading], list[tuple[int, str]]]:
    """Read ``note,cents`` or ``note,hertz`` lines.

    Args:
        text: One reading a line; ``#`` begins a comment.  A note is a number or a name.
            A first line ``note,cents`` or ``note,hertz`` says the unit, as does ``c`` or
            ``Hz`` behind a value; without either it is cents.
        middle_c: Octave number of note 60, for names.
        a4: Hertz of note 69 on the tuner.

    Returns:
        The readings, and (line, what is wrong with it) for every line that is none.
    """
    found: list[Reading] = []
    wrong: list[tuple[int, str]] = []
    unit = "cents"
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.split("#", 1)[0].strip()
        if not line:
            continue
        header = re.fullmatch(r"note\s*[,;\t]\s*(cents|hertz|hz)", line.lower())
        if header and not found and not wrong:
            unit = "cents" if header[1] == "cents" else "hertz"
            continue
        try:
            found.append(parse_reading(line, number, unit, middle_c, a4))
        except ValueError as error:
            wrong.append((number, str(error)))
    return found, wrong


def parse_reading(text: str, line: int, unit: str = "cents", middle_c: int = 4, a4: float = 440.0) -> Reading:
    """Read one reading, ``note,value``.

    Raises:
        ValueError: It is none, in words.
    """
    parts = [part.strip() for part in re.split(r"[,;\t]", text)]
    if len(parts) != 2:
        raise ValueError(f"{text!r} is not a reading; write note,cents or note,hertz, such as 48,-3.5")
    note = note_number(parts[0], middle_c)
    found = re.fullmatch(r"([+\-−]?[0-9.]+(?:e[+-]?\d+)?)\s*(c|cents?|hz|hertz)?", parts[1].lower())
    try:
        value = float(found[1].replace("−", "-")) if found else None
    except ValueError:
        value = None
    if value is None or found is None:
        raise ValueError(f"{parts[1]!r} is not a number of cents or hertz")
    if (found[2] or unit)[0] == "h":
        if not 1.0 <= value <= 40000.0:
            raise ValueError(f"{value:g} Hz is not a pitch a tuner reads")
        value = 1200.0 * log2(value / frequency(note, a4))
    if abs(value) > MOST_CENTS:
        raise ValueError(f"{value:+.0f} cents is more than half an octave off: another note or octave was read")
    return Reading(note, value, line)


class OctaveRow(NamedTuple):
    """What is left over in one octave.

    Attributes:
        low: Lowest note of the octave.
        used: Readings used in it.
        error_cents: Median of the readings: the error before any correction.
        residual_cents: Median of what scale, offset and curvature do not explain.
        residual_millivolts: The same in mV.
        corrected_cents: Greatest error of a reading after the correction.
    """

    low: int
    used: int
    error_cents: float
    residual_cents: float
    residual_millivolts: float
    corrected_cents: float


class Fit(NamedTuple):
    """What the readings come to.

    Attributes:
        scale: Relative scale error; 0.001 is 0.1 % too many volts.
        scale_cents: The same in cents per octave; constant error in cents by the hertz law.
        offset_millivolts: Offset error at 0 V.
        offset_cents: The same in cents at the lowest reading.
        bow_cents: Departure from a straight line at the ends of the readings, in cents.
        noise_cents: Scatter of the readings about the fit (1.4826 x median deviation).
        used, rejected: Readings that the fit kept, and those that it does not believe.
        octaves: Residual per octave.
        correction: (note, cents) pairs, rising: what to add to each note.
        out_of_range: Notes in range whose corrected voltage lies outside the output range: only a trim helps there.
        worst_before, worst_after: Greatest error of a used reading, in cents.
        step_cents: The converter's own step at the lowest note; None if unknown.
    """

    scale: float
    scale_cents: float
    offset_millivolts: float
    offset_cents: float
    bow_cents: float
    noise_cents: float
    used: tuple[Reading, ...]
    rejected: tuple[Reading, ...]
    octaves: tuple[OctaveRow, ...]
    correction: tuple[tuple[int, float], ...]
    out_of_range: tuple[int, ...]
    worst_before: float
    worst_after: float
    step_cents: float | None


def fit(readings: Sequence[Reading], voltage: Voltage) -> Fit:
    """Fit scale, offset and curvature to readings, and make a correction.

    Args:
        readings: At least two notes an octave apart; more, and several a note, are better.
        voltage: The interface as the rig describes it.

    Raises:
        ScipyAbsent: SciPy is not installed.
        ValueError: Too few readings, in words.
    """
    _demand(readings)
    kept, rejected = list(readings), list[Reading]()
    while True:
        errors = _solve(kept, voltage)
        rest = [(abs(r.cents - errors(r.note)), r) for r in kept]
        noise = 1.4826 * median(size for size, _ in rest)
        worst, stray = max(rest)
        # one at a time, the worst first: a stray reading drags its neighbours with it
        if worst <= max(STRAY_CENTS, 6.0 * noise) or len(rejected) >= len(readings) // 3:
            break
        kept.remove(stray)
        rejected.append(stray)
        _demand(kept)
    return _summary(kept, rejected, errors, noise, voltage)


def _demand(readings: Sequence[Reading]) -> None:
    notes = {reading.note for reading in readings}
    if len(notes) < 2 or max(notes) - min(notes) < 12:
        raise ValueError("two notes at least an octave apart have to be read; several an octave over the range is best")


class _Errors:
    """The fitted error in volts, and in cents at a note."""

    def __init__(self, terms: Sequence[float], middle: float, half: float, voltage: Voltage) -> None:
        self.offset, self.scale = float(terms[0]), float(terms[1])
        self.bow = float(terms[2]) if len(terms) > 2 else 0.0
        self.middle, self.half, self.voltage = middle, half, voltage

    def volts(self, note: float) -> float:
        """Return the error in volts at a note."""
        intended = note_volts(self.voltage, note)
        away = (intended - self.middle) / self.half
        return self.offset + self.scale * intended + self.bow * away * away

    def __call__(self, note: float) -> float:
        """Return the error in cents at a note."""
        actual = note_volts(self.voltage, note) + self.volts(note)
        if self.voltage.law == "hertz":
            actual = max(actual, 1e-9)  # the fit may try values that no interface has
        return (volts_note(self.voltage, actual) - note) * 100.0


def robust_fit() -> Callable[..., Any]:
    """Return SciPy's least-squares solver.

    Raises:
        ScipyAbsent: It is not installed.
    """
    try:
        from scipy.optimize import least_squares
    except ImportError:
        raise ScipyAbsent("fitting needs SciPy, in replank's environment: pip install scipy") from None
    return least_squares  # type: ignore[no-any-return]


def _solve(readings: Sequence[Reading], voltage: Voltage) -> _Errors:
    solve = robust_fit()
    volts = [note_volts(voltage, reading.note) for reading in readings]
    middle, half = (max(volts) + min(volts)) / 2.0, (max(volts) - min(volts)) / 2.0
    notes = sorted({reading.note for reading in readings})
    terms = 3 if len(notes) >= 4 and notes[-1] - notes[0] >= 24 else 2

    def misses(guess: Any) -> list[float]:
        errors = _Errors(guess, middle, half, voltage)
        return [errors(reading.note) - reading.cents for reading in readings]

    found = solve(misses, [0.0] * terms, loss="soft_l1", f_scale=1.0, x_scale=[1e-3] * terms, xtol=1e-12, ftol=1e-12)
    return _Errors(found.x, middle, half, voltage)


def _summary(used: list[Reading], rejected: list[Reading], errors: _Errors, noise: float, voltage: Voltage) -> Fit:
    low, high = min(r.note for r in used), max(r.note for r in used)
    residuals: dict[int, list[float]] = {octave: [] for octave in range(_octave(high, low) + 1)}
    for r in used:
        residuals[_octave(r.note, low)].append(r.cents - errors(r.note))
    step = resolution(voltage)
    wanted = _with_residuals(errors, residuals, low, noise, step.cents_low / 2 if step else 0.0)
    # beyond the readings the fit is trusted for an octave, inside the interface's range
    bottom, top = note_range(voltage)
    pairs = _knots(lambda note: -wanted(note), max(low - 12, min(bottom, low)), min(high + 12, max(top, high)))
    after = {r: r.cents + correction_at(pairs, r.note) for r in used}
    rows = []
    for octave, rest in residuals.items():
        mine = [r for r in used if _octave(r.note, low) == octave]
        if mine:
            left = median(rest)
            millivolts = cents_millivolts(voltage, mine[0].note, left)
            worst = max((after[r] for r in mine), key=abs)
            rows.append(OctaveRow(low + 12 * octave, len(mine), median(r.cents for r in mine), left, millivolts, worst))
    a_cent = cents_millivolts(voltage, low, 1.0)
    stretched = volts_note(voltage, note_volts(voltage, 60) * (1 + errors.scale)) - 60
    return Fit(
        scale=errors.scale,
        scale_cents=stretched * 100.0 if voltage.law == "hertz" else errors.scale * 1200.0,
        offset_millivolts=errors.offset * 1000.0,
        offset_cents=errors.offset * 1000.0 / a_cent,
        bow_cents=errors.bow * 1000.0 / a_cent,
        noise_cents=noise,
        used=tuple(used),
        rejected=tuple(sorted(rejected, key=lambda r: r.line)),
        octaves=tuple(rows),
        correction=pairs,
        out_of_range=_out_of_range(pairs, voltage, bottom, top),
        worst_before=max((r.cents for r in used), key=abs),
        worst_after=max(after.values(), key=abs),
        step_cents=step.cents_low if step else None,
    )


def _out_of_range(pairs: tuple[tuple[int, float], ...], voltage: Voltage, low: int, high: int) -> tuple[int, ...]:
    slack = (voltage.high - voltage.low) / float(1 << (voltage.bits + 1)) if voltage.bits else 1e-9
    volts = {note: note_volts(voltage, note, correction_at(pairs, note)) for note in range(low, high + 1)}
    return tuple(n for n, v in volts.items() if not voltage.low - slack <= v <= voltage.high + slack)


def _octave(note: int, low: int) -> int:
    return (note - low) // 12


def _with_residuals(
    errors: _Errors, residuals: dict[int, list[float]], low: int, noise: float, rounding: float
) -> Callable[[int], float]:
    """Return the error in cents at a note: the fit, and what an octave's readings agree on beside it."""
    left: dict[int, float] = {}
    for octave, rest in residuals.items():
        # a median of n readings is uncertain by about 1.25 sigma / sqrt(n); below three times that,
        # or inside the converter's rounding, it is no property of the octave
        sure = len(rest) >= 3 and abs(median(rest)) > max(3.75 * noise / len(rest) ** 0.5, rounding)
        left[octave] = median(rest) if sure else 0.0
    last = max(left)
    return lambda note: errors(note) + left[min(max(_octave(note, low), 0), last)]


def _knots(wanted: Callable[[int], float], low: int, high: int) -> tuple[tuple[int, float], ...]:
    """Return the fewest pairs, by halving, whose straight lines stay close to a curve."""
    pairs = {low: wanted(low), high: wanted(high)}
    open_spans = [(low, high)]
    while open_spans:
        left, right = open_spans.pop()
        slope = (pairs[right] - pairs[left]) / (right - left) if right > left else 0.0
        off = [(abs(wanted(n) - pairs[left] - slope * (n - left)), n) for n in range(left + 1, right)]
        if off and max(off)[0] > _KNOT_CENTS:
            middle = max(off)[1]
            pairs[middle] = wanted(middle)
            open_spans += [(left, middle), (middle, right)]
    return tuple((note, round(pairs[note], 2)) for note in sorted(pairs))
