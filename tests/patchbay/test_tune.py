"""`replank tune` from a person's side: files, prompts, exit codes, and the rig that it writes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from replank.cli.main import main
from replank.control.setup import Voltage
from replank.host.files import load_rig
from replank.host.tunestore import store_tuning
from tests.patchbay.interfaces import Interface, without_scipy

STRANGE = Voltage(per_octave=1.2, zero_note=36, low=0.0, high=8.0, bits=12)
BOX = Interface(STRANGE, scale=0.004, offset=-0.03, bow=0.012)
RIG = """\
# the observatory's cabinet
rig: 1
outputs:
  - name: out
    din: true
voices:
  - name: line      # the strange interface
    bend_range: 2
    voltage:
      volts_per_octave: 1.2
      zero_note: C2
      range: 0 to 8
      bits: 12
  - {name: bass, channel: 2}
"""


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    return path


@pytest.fixture
def readings(tmp_path: Path) -> Path:
    path = tmp_path / "readings.csv"
    rows = [f"{r.note},{r.cents:.2f}" for r in BOX.readings(range(36, 117, 4), 2, 0.3, 3)]
    path.write_text("note,cents\n" + "\n".join(rows) + "\n")
    return path


def tune(*words: object, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, ["tune", *map(str, words)], input=typed)


def test_reports_what_to_trim_in_cents_and_millivolts(rig: Path, readings: Path) -> None:
    run = tune("--rig", rig, "--readings", readings)
    assert run.exit_code == 0, run.output
    assert "Trim: turn the scale (volts per octave) down by 0.395%" in run.output
    assert "mV" in run.output and "turn the offset up" in run.output
    assert "(measured)" in run.output and "tuning: {C2: " in run.output
    assert "1.95 cents" in run.output  # the converter's step


def test_stores_a_correction_that_the_rig_reads_back(rig: Path, readings: Path) -> None:
    run = tune("--rig", rig, "--readings", readings, "--store")
    assert run.exit_code == 0, run.output
    voice = load_rig(rig).voices[0]
    within = [n for n in range(37, 116) if abs(BOX.corrected(n, voice.tuning)) <= 1.953125]
    assert within == list(range(37, 116))
    assert max(abs(BOX.cents(n)) for n in range(37, 116)) > 15  # what it was without
    # everything else is as it was, comments too, and the old file is kept
    assert [line for line in rig.read_text().splitlines() if "tuning" not in line] == RIG.splitlines()
    assert "changes nothing yet" not in run.output
    assert rig.with_name("rig.yaml.before-tune").read_text() == RIG


def test_a_correction_without_a_bend_range_says_that_it_does_nothing(tmp_path: Path, readings: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text("rig: 1\nvoices:\n  - voltage: {volts_per_octave: 1.2, range: 0 to 8}\n    name: line\n")
    run = tune("--rig", path, "--readings", readings, "--store")
    assert run.exit_code == 0, run.output
    assert "give the voice its bend_range" in run.output
    assert load_rig(path).voices[0].tuning


def test_storing_again_replaces_the_line(rig: Path) -> None:
    first, second = ((36, 1.5), (60, -2.0)), ((36, 0.25),)
    store_tuning(rig, 0, first)
    store_tuning(rig, 1, first)  # written in braces, on one line
    assert [voice.tuning for voice in load_rig(rig).voices] == [first, first]
    store_tuning(rig, 0, second)
    assert [voice.tuning for voice in load_rig(rig).voices] == [second, first]
    with pytest.raises(ValueError, match="by hand"):
        store_tuning(rig, 1, second)
    assert load_rig(rig).voices[1].tuning == first


def test_a_rig_without_voices_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text("rig: 1\n")
    with pytest.raises(ValueError, match="by hand"):
        store_tuning(path, 0, ((36, 1.0),))
    assert path.read_text() == "rig: 1\n"


def test_every_bad_line_is_named(rig: Path, tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text("36,1\n48,x\n60,2\n200,1\n")
    run = tune("--rig", rig, "--readings", path, "--store")
    assert run.exit_code == 2
    assert f"{path}:2: 'x' is not a number" in run.output and f"{path}:4: " in run.output
    assert rig.read_text() == RIG  # nothing is stored from a file that has mistakes


def test_stray_readings_are_named_by_their_line(rig: Path, readings: Path) -> None:
    text = readings.read_text().splitlines()
    text[8] = text[8].split(",")[0] + ",95"
    readings.write_text("\n".join(text))
    run = tune("--rig", rig, "--readings", readings)
    assert run.exit_code == 0 and "reading 9 not believed" in run.output


@pytest.mark.parametrize(("text", "word"), [("36,1\n40,2\n", "octave apart"), ("", "octave apart")])
def test_too_little_is_refused(rig: Path, tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "r.csv"
    path.write_text(text)
    run = tune("--rig", rig, "--readings", path)
    assert run.exit_code == 2 and word in run.output


def test_missing_files_and_voices_are_one_line(rig: Path, tmp_path: Path, readings: Path) -> None:
    for words in (("--rig", rig, "--readings", tmp_path / "none.csv"), ("--rig", rig, "--voice", "lute"),
                  ("--rig", tmp_path / "none.yaml", "--readings", readings)):  # fmt: skip
        run = tune(*words)
        assert run.exit_code == 2, run.output
        assert len(run.output.strip().splitlines()) == 1


def test_without_scipy_exit_code_3(rig: Path, readings: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without_scipy(monkeypatch)
    run = tune("--rig", rig, "--readings", readings)
    assert run.exit_code == 3
    assert run.output.strip() == "replank: fitting needs SciPy, in replank's environment: pip install scipy"


def test_typed_readings_after_a_caution(rig: Path) -> None:
    notes = range(36, 117, 12)
    typed = "y\n" + "".join(f"{'oops' if n == 48 else ''}\n" * (n == 48) + f"{BOX.cents(n):.1f}\n" for n in notes)
    run = tune("--rig", rig, "--no-play", typed=typed)
    assert run.exit_code == 0, run.output
    assert run.output.index("headphones off") < run.output.index("C2 (65.41 Hz)")
    assert "its manual decides" in run.output
    assert "not taken: 'oops' is not a number" in run.output
    assert "7 readings (measured)" in run.output


def test_no_tone_without_a_yes(rig: Path) -> None:
    run = tune("--rig", rig, "--no-play", typed="n\n")
    assert run.exit_code == 1 and "C2 (65" not in run.output


def test_json_has_the_numbers(rig: Path, readings: Path) -> None:
    plain = json.loads(tune("--rig", rig, "--readings", readings, "--json").output)
    assert plain["scale"] == pytest.approx(0.004, abs=2e-4)
    assert plain["step_cents"] == pytest.approx(1.953125)
    assert len(plain["correction"]) > 2


def test_readings_made_over_a_correction_are_taken_back(rig: Path, tmp_path: Path) -> None:
    old = ((36, 10.0), (116, 10.0))
    store_tuning(rig, 0, old)
    path = tmp_path / "r.csv"
    path.write_text("\n".join(f"{n},{BOX.corrected(n, old):.2f}" for n in range(36, 117, 4)))
    over = json.loads(tune("--rig", rig, "--readings", path, "--json", "--over-correction").output)
    flat = json.loads(tune("--rig", rig, "--readings", path, "--json").output)
    assert over["offset_millivolts"] == pytest.approx(-30, abs=3)
    assert flat["offset_millivolts"] == pytest.approx(-20, abs=3)  # what it would be without the option
