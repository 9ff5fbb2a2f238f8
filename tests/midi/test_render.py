"""`replank render` as a person uses it."""

import json
from pathlib import Path

import mido
import pytest
from click.testing import CliRunner, Result

from replank.cli.main import main
from replank.midi import files

ROOT = Path(__file__).parents[2]
CONTRACT = "--cycles 64 --seed 7 -p scale=dorian -p root=D -p length=12 -p mutation_chance=1"


def render(line: str, folder: Path, *more: str) -> Result:
    words = line.split() + [word.replace("@", str(folder)) for word in more]
    return CliRunner().invoke(main, ["render", *words])


def test_the_invocation_that_scripts_rely_on(tmp_path: Path):
    done = render(CONTRACT, tmp_path, "--out", "@/line.mid")
    assert done.exit_code == 0, done.output
    made = mido.MidiFile(tmp_path / "line.mid", charset="utf-8")
    assert made.length == pytest.approx(64 * 12 * 60 / 96 / 4, abs=1e-6)
    assert "64 cycles" in done.stdout
    assert "seed 7" in done.stdout


def test_facts_as_json_and_a_picture(tmp_path: Path):
    done = render(CONTRACT, tmp_path, "--out", "@/line.mid", "--picture", "@/line.svg", "--json")
    facts = json.loads(done.stdout)
    made = mido.MidiFile(tmp_path / "line.mid", charset="utf-8")
    kinds = [m.type for track in made.tracks for m in track]
    assert facts["mutations"] == kinds.count("marker") > 10
    assert facts["notes"] == kinds.count("note_on")
    assert facts["seconds"] == 120.0
    assert (facts["cycles"], facts["seed"]) == (64, 7)
    assert (tmp_path / "line.svg").read_text().startswith("<svg ")


def test_the_same_words_give_the_same_bytes(tmp_path: Path):
    for name in ("a", "b"):
        assert render(CONTRACT, tmp_path, "--out", f"@/{name}", "--picture", f"@/{name}.svg").exit_code == 0
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


def test_a_seed_that_was_not_given_is_said_and_gives_the_same_again(tmp_path: Path):
    first = json.loads(render("--cycles 9 --json", tmp_path, "--out", "@/a").stdout)
    render(f"--cycles 9 --seed {first['seed']}", tmp_path, "--out", "@/b")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    assert first["seed"] > 0


@pytest.mark.parametrize("tempo", [["--tempo", "120"], ["-p", "tempo=120"]])
def test_tempo_by_either_name(tmp_path: Path, tempo: list[str]):
    done = render("--cycles 2 --seed 1 --json", tmp_path, "--out", "@/line.mid", *tempo)
    assert json.loads(done.stdout)["seconds"] == 4.0
    conductor = mido.MidiFile(tmp_path / "line.mid").tracks[0]
    assert [m.tempo for m in conductor if m.type == "set_tempo"] == [500_000]


def test_meter_key_and_names_of_a_rig(tmp_path: Path):
    rig = "rig: 1\nvoices:\n  - name: Ωρίων 夜\n    channel: 3\n"
    (tmp_path / "rig.yaml").write_text(rig, encoding="utf-8")
    words = ["-p", "meter=7/8", "-p", "root=A", "-p", "scale=aeolian", "--rig", "@/rig.yaml", "--out", "@/line.mid"]
    assert render("--cycles 3 --seed 1", tmp_path, *words).exit_code == 0
    made = mido.MidiFile(tmp_path / "line.mid", charset="utf-8")
    assert made.tracks[1].name == "Ωρίων 夜"
    assert {m.channel for m in made.tracks[1] if m.type == "note_on"} == {2}
    heads = {m.type: m for m in made.tracks[0]}
    assert (heads["time_signature"].numerator, heads["time_signature"].denominator) == (7, 8)
    assert heads["key_signature"].key == "Am"


def test_the_rig_of_the_open_night(tmp_path: Path):
    rig = str(ROOT / "examples" / "observatory.rig.yaml")
    assert render("--cycles 4 --seed 1", tmp_path, "--rig", rig, "--out", "@/line.mid").exit_code == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--cycles", "0"], "'--cycles': 0 is outside 1 to 100000"),
        (["--cycles", "100001"], "'--cycles': 100001 is outside"),
        (["--tempo", "19"], "'--tempo': 19 is outside 20 to 400"),
        (["--tempo", "nan"], "'nan' is not a number"),
        (["--seed", "-1"], "'--seed': -1 is outside"),
        (["-p", "lenght=12"], "there is no parameter 'lenght' (nearest: length)"),
        (["-p", "length=65"], "-p length=65: length: 65 is outside 1 to 64"),
        (["-p", "scale=dorain"], "nearest: dorian"),
        (["-p", "length"], "write NAME=VALUE"),
        (["-p", "length=3", "-p", "length=4"], "length is given twice"),
        (["--tempo", "96", "-p", "tempo=96"], "are the same"),
        (["--seed", "9", "-p", "seed=9"], "are the same"),
        (["--rig", "@/absent.yaml"], "absent.yaml"),
        (["--rig", "@/bad.yaml"], "bad.yaml:3:"),
        (["--out", "@/absent/line.mid"], "there is no folder"),
        (["--out", "@"], "it is not a file"),
        (["--picture", "@/line.mid"], "need two names"),
        (["--cycles", "100000", "-p", "division=8bars", "-p", "length=64"], "hours of music"),
        (["-p", "meter=1/32", "-p", "division=1/2"], "'1/2' is 48 clocks; a step lasts 1 clock to 8 bars"),
    ],
    ids=lambda words: " ".join(words) if isinstance(words, list) else "",
)  # fmt: skip
def test_wrong_input_is_one_line_and_no_file(tmp_path: Path, words: list[str], says: str):
    (tmp_path / "bad.yaml").write_text("rig: 1\nvoices:\n  - nam: x\n")
    before = sorted(p.name for p in tmp_path.iterdir())
    more = ["--out", "@/line.mid"] if "--out" not in words else []
    done = render("", tmp_path, *words, *more)
    assert done.exit_code == 2, done.output
    assert says in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert done.stdout == ""
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_disk_that_fills_leaves_the_old_file_and_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def full(path: Path, data: bytes) -> None:
        raise OSError(28, "No space left on device", str(path))

    (tmp_path / "line.mid").write_bytes(b"old")
    monkeypatch.setattr(files, "write_whole", full)
    done = render("--cycles 2 --seed 1", tmp_path, "--out", "@/line.mid")
    assert (done.exit_code, done.stderr) == (
        2, f"replank: cannot write {tmp_path}/line.mid: No space left on device\n",
    )  # fmt: skip
    assert (tmp_path / "line.mid").read_bytes() == b"old"
