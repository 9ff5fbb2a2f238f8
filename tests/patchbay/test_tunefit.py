"""The fit finds an interface's errors, and its correction brings it within the converter's step."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from replank.control.setup import Voltage
from replank.control.voltage import resolution
from replank.host.tunefit import Fit, Reading, ScipyAbsent, fit, parse_reading, parse_readings
from tests.patchbay.interfaces import Interface, without_scipy

VOLT = Voltage(zero_note=36, low=0.0, high=5.0, bits=12)
STRANGE = Voltage(per_octave=1.2, zero_note=36, low=0.0, high=8.0, bits=12)
HERTZ = Voltage(law="hertz", hertz_per_volt=55.0, low=0.0, high=8.0, bits=16)

BOXES = [
    (Interface(VOLT, scale=0.004, offset=-0.012), range(36, 97, 3)),
    (Interface(VOLT, scale=-0.006, offset=-0.008, bow=0.006), range(36, 97, 3)),
    (Interface(STRANGE, scale=0.004, offset=-0.03, bow=0.012), range(36, 117, 4)),
    (Interface(STRANGE, scale=0.0, offset=0.0, bow=-0.01), range(38, 117, 6)),
]


def misses(make: Callable[[list[Reading], Voltage], Fit], box: Interface, notes: range, seed: int) -> list[int]:
    """Return the notes that a correction leaves off by more than the converter's step.

    Notes that would need volts outside the output range cannot be corrected; the fit has to say which.
    """
    step = resolution(box.voltage)
    assert step is not None
    found = make(box.readings(notes, 3, 0.4, seed), box.voltage)
    wanted = [n for n in range(notes[0], notes[-1] + 1) if n not in found.out_of_range]
    assert len(wanted) >= notes[-1] - notes[0] - 1
    return [n for n in wanted if abs(box.corrected(n, found.correction)) > step.cents_low]


@pytest.mark.parametrize(("box", "notes"), BOXES)
@pytest.mark.parametrize("seed", range(3))
def test_corrected_error_is_within_the_converters_step(box: Interface, notes: range, seed: int) -> None:
    assert misses(fit, box, notes, seed) == []


@pytest.mark.parametrize("box_notes", BOXES[1:3])
def test_a_broken_build_is_rejected(box_notes: tuple[Interface, range]) -> None:
    def wrong_sign(readings: list[Reading], voltage: Voltage) -> Fit:
        found = fit(readings, voltage)
        return found._replace(correction=tuple((n, -c) for n, c in found.correction))

    def straight(readings: list[Reading], voltage: Voltage) -> Fit:  # knows no curvature
        found = fit([r for r in readings if r.note in (box_notes[1][0], box_notes[1][-1])], voltage)
        return found._replace(correction=(found.correction[0], found.correction[-1]))

    assert misses(wrong_sign, *box_notes, 0)
    assert misses(straight, *box_notes, 0)


def test_scale_offset_and_curvature_are_found() -> None:
    box = Interface(STRANGE, scale=0.004, offset=-0.03, bow=0.012)
    found = fit(box.readings(range(36, 117, 4), 3, 0.4, 7), STRANGE)
    assert found.scale == pytest.approx(0.004, abs=1e-4)
    assert found.scale_cents == pytest.approx(4.8, abs=0.12)  # 0.4 % of 1200 cents
    assert found.offset_millivolts == pytest.approx(-30 + 0, abs=0.5)
    assert found.bow_cents == pytest.approx(12.0, abs=0.7)  # 12 mV at 1 mV a cent
    assert abs(found.worst_before) > 15 and abs(found.worst_after) < 2.5
    assert len(found.octaves) == 7


def test_notes_that_no_bend_can_correct_are_named() -> None:
    low = fit(Interface(VOLT, offset=0.05).readings(range(36, 97, 3), 3, 0.2, 1), VOLT)
    assert low.out_of_range == (36,)  # 0 V less 50 mV
    high = fit(Interface(VOLT, scale=-0.03).readings(range(36, 97, 3), 3, 0.2, 1), VOLT)
    assert high.out_of_range == (95, 96)  # 5 V and 4.917 V more than 3 % higher


def test_stray_readings_are_named_and_do_not_move_the_fit() -> None:
    box = Interface(VOLT, scale=0.003, offset=0.005)
    clean = box.readings(range(36, 97, 3), 2, 0.3, 5)
    dirty = [r._replace(cents=r.cents + {4: 55.0, 17: -120.0, 30: 18.0}.get(r.line, 0.0)) for r in clean]
    found = fit(dirty, VOLT)
    assert [r.line for r in found.rejected] == [4, 17, 30]
    assert found.scale == pytest.approx(0.003, abs=2e-4)
    assert fit(clean, VOLT).rejected == ()  # and no honest reading is thrown away


def test_hertz_per_volt_errors_are_found_in_volts() -> None:
    box = Interface(HERTZ, scale=0.01, offset=0.002)
    found = fit(box.readings(range(24, 70, 3), 3, 0.3, 3), HERTZ)
    assert found.scale == pytest.approx(0.01, abs=2e-3)
    assert found.offset_millivolts == pytest.approx(2.0, abs=0.6)
    left = [abs(box.corrected(n, found.correction)) for n in range(24, 70)]
    before = [abs(box.cents(n)) for n in range(24, 70)]
    assert max(left) < 1.0 < max(before)


def test_an_octave_that_is_off_by_itself_is_reported() -> None:
    box = Interface(Voltage(zero_note=36, high=5.0, bits=16), step=6.0)
    found = fit(box.readings(range(36, 97, 2), 3, 0.3, 11), box.voltage)
    assert max(abs(row.residual_cents) for row in found.octaves) > 1.0
    assert abs(found.worst_after) < abs(found.worst_before)


def test_two_notes_an_octave_apart_are_the_least() -> None:
    found = fit([Reading(36, 2.0, 1), Reading(48, 5.0, 2)], VOLT)
    assert found.scale_cents == pytest.approx(3.0, abs=1e-3)
    with pytest.raises(ValueError, match="octave apart"):
        fit([Reading(36, 2.0, 1), Reading(40, 5.0, 2)], VOLT)
    with pytest.raises(ValueError, match="octave apart"):
        fit([], VOLT)


def test_without_scipy_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    without_scipy(monkeypatch)
    with pytest.raises(ScipyAbsent, match="pip install"):
        fit([Reading(36, 2.0, 1), Reading(48, 5.0, 2)], VOLT)


def test_readings_are_read_in_cents_and_hertz() -> None:
    # 440 Hz x 2^(1/1200) is one cent above A4
    text = "note,hertz\nA4, 440.25422\n69;438\n# a pause\nC4\t0.5c\n60,-2 cents\n60,261.6256Hz\n"
    found, wrong = parse_readings(text)
    assert wrong == []
    assert [(r.note, round(r.cents, 2), r.line) for r in found] == [
        (69, 1.0, 2), (69, -7.89, 3), (60, 0.5, 5), (60, -2.0, 6), (60, 0.0, 7),
    ]  # fmt: skip
    assert parse_reading("69,442", 1, "hertz", a4=442.0).cents == pytest.approx(0.0)
    assert parse_reading("C3,1.5", 1, middle_c=3).note == 60


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("48", "not a reading"), ("48,x", "not a number"), ("48,nan", "not a number"), ("128,2", "outside 0 to 127"),
        ("H2,2", "not a note"), ("48,700", "half an octave"), ("48,0Hz", "not a pitch"), ("60,523Hz", "half an octave"),
        ("48,1,2", "not a reading"), ("48,1.2.3", "not a number"), ("48,inf", "not a number"), ("48,-", "not a number"),
        ("48,1e400", "half an octave"),
    ],
)  # fmt: skip
def test_bad_readings_are_rejected_with_their_line(line: str, word: str) -> None:
    found, wrong = parse_readings(f"36,1\n\n{line}\n60,2\n")
    assert [r.note for r in found] == [36, 60]
    assert [number for number, _ in wrong] == [3]
    assert word in wrong[0][1]
