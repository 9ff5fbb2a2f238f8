"""Rig, set, piece and parameters come to the same setup for every command that is told them."""

import json
import re

import mido
import pytest
from click.testing import CliRunner, Result

from replank.cli.exits import Fail
from replank.cli.main import main
from replank.cli.options import prepare
from replank.cli.play import host_facts
from replank.control.parameters import DEFAULTS
from replank.control.setup import Setup
from replank.host.prepare import load_setup
from replank.performer import Performer
from tests.files.helpers import ROOT

RIG = "rig: 1\nscales: {slow fifths: [0, 204, 702]}\nvalues: {gate: 0.9, tempo: 80}\nvoices:\n  - name: dome\n"
SET = """\
set: 1
values: {rest_chance: 0}
pieces:
  - {name: First Light, minutes: 0.25, tempo: 96, seed: 5, length: 12, root: D}
  - {name: Meridian, scale: dorian, line: D3:pin F3 . A3, half_life_bars: 40}
  - {name: Long Exposure, minutes: 0.2, hold: on, division: 1/8}
"""


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "set.yaml").write_text(SET)
    (tmp_path / "rigged.yaml").write_text(SET.replace("dorian", "slow fifths"))
    for name in ("RUNTIME_DIR", "STATE_HOME", "CONFIG_HOME"):
        monkeypatch.setenv(f"XDG_{name}", str(tmp_path / name))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(line: str) -> Result:
    return CliRunner().invoke(main, line.split())


BOTH = ("rig.yaml", "set.yaml")


def test_what_wins_is_the_command_line_then_the_piece_then_the_set_then_the_rig():
    made = prepare(*BOTH, ["length=9"])
    names = ("length", "tempo", "gate", "rest_chance", "homing")
    assert [[made.values(n)[name] for name in names] for n in (1, 2, 3, 0)] == [
        [9, 96.0, 0.9, 0.0, DEFAULTS["homing"]],
        [9, 80.0, 0.9, 0.0, DEFAULTS["homing"]],
        [9, 80.0, 0.9, 0.0, DEFAULTS["homing"]],
        [9, 80.0, 0.9, DEFAULTS["rest_chance"], DEFAULTS["homing"]],
    ]  # fmt: skip
    assert (made.values(1)["seed"], made.values(2)["seed"], made.values(3)["hold"]) == (5, 0, True)
    other = prepare(*BOTH, ["seed=9", "hold=off"])
    assert [(other.values(n)["seed"], other.values(n)["hold"]) for n in (1, 2, 3)] == [(9, False)] * 3


def test_play_and_its_host_prepare_what_render_and_forecast_do(folder):
    words = ("length=9", "scale=slow fifths", "hold=on", "seed=3")
    facts = host_facts(api="none", rig=folder / "rig.yaml", set_file=folder / "set.yaml", words=words, tempo=120.0,
                       clock="internal")  # fmt: skip
    facts = json.loads(json.dumps(facts))  # as it goes to the host
    assert load_setup(facts) == prepare(*BOTH, words, tempo=120.0, clock="internal").setup
    practice = host_facts(api="none", set_file=folder / "set.yaml", clock="practice")
    assert practice["practice"]["tempo"] == 96.0, "that of the first piece"


@pytest.mark.parametrize(("piece", "numbers"), [(None, (1, 2, 3)), ("2", (2,)), ("Meridian", (2,)), ("meridian", (2,))])
def test_pieces_by_name_or_number(piece, numbers):
    assert prepare(*BOTH, piece=piece).pieces == numbers


def test_a_whole_set_is_rendered_for_its_planned_minutes():
    facts = json.loads(run("render --rig rig.yaml --set set.yaml --minutes 0.1 --seed 7 --out e.mid --json").stdout)
    # without a tempo of its own a piece goes on at 96 BPM: bars of 2.5 s, 6 for 15 s, 3 for 6 s, 5 for 12 s
    assert facts["seconds"] == 14 * 2.5
    made = mido.MidiFile("e.mid", charset="utf-8")
    assert made.length == pytest.approx(35, abs=1e-3)
    assert made.tracks[1].name == "dome"
    markers = [m.text for m in made.tracks[0] if m.type == "marker" and m.text.startswith("piece")]
    assert markers == ["piece 2: Meridian, as prepared", "piece 3: Long Exposure, as prepared"]


def test_one_piece_for_given_minutes_or_its_own(folder):
    for more, seconds in (("", 15.0), (" --minutes 0.5", 30.0), (" --tempo 120", 16.0), (" -p tempo=120", 16.0)):
        done = run(f"render --set set.yaml --piece 1 --seed 7 --out x.mid --json{more}")
        assert json.loads(done.stdout)["seconds"] == seconds, done.output
    assert json.loads(run("render --minutes 0.1 --seed 7 --out x.mid --json").stdout)["seconds"] == 7.5
    # a piece's own seed holds whatever the show's is, and -p holds before both
    files = []
    for more in ("--seed 1", "--seed 2", "-p seed=9"):
        assert run(f"render --set set.yaml --piece 1 --out x.mid {more}").exit_code == 0
        files.append([m.bytes() for m in mido.MidiFile("x.mid") if m.type == "note_on"])
    assert files[0] == files[1] != files[2]


def test_the_open_night_can_be_rendered_and_foretold(folder):
    both = f"--rig {ROOT}/examples/observatory.rig.yaml --set {ROOT}/examples/open-night.set.yaml"
    done = run(f"render {both} --piece Occultation --minutes 0.5 --seed 3 --out x.mid --picture x.svg")
    assert done.exit_code == 0, done.output
    assert "Occultation" in (folder / "x.svg").read_text()
    done = run(f"forecast {both}")
    assert done.exit_code == 0, done.output
    assert [line for line in done.output.splitlines() if line.startswith("piece")] == [
        "piece 1: First Light", "piece 2: Meridian",
        "piece 3: Long Exposure; it begins held until its plan lets it go", "piece 4: Occultation",
    ]  # fmt: skip


def test_a_forecast_is_of_the_piece_as_prepared():
    rows = json.loads(run("forecast --rig rig.yaml --set set.yaml --json").stdout)["pieces"]
    assert [(row["number"], row["name"], row["held"]) for row in rows] == [
        (1, "First Light", False), (2, "Meridian", False), (3, "Long Exposure", True),
    ]  # fmt: skip
    # of the written line one step is pinned, and one always rests
    assert [row["computed"]["at_first"]["steps"] for row in rows] == [12, 2, 16]
    assert rows[2]["computed"]["at_first"]["cycles"] is not None
    one = json.loads(run("forecast --set set.yaml --piece 1 --minutes 7 --bars 8 --json").stdout)["pieces"][0]
    assert list(one["computed"]["at_first"]["untouched"]) == ["8"]
    assert list(one["counted"]["itself_after_minutes"]) == ["1", "2", "5", "7"]
    # -p holds before the piece: the same as of a line with these values
    given = json.loads(run("forecast --set set.yaml --piece 1 -p length=7 -p homing=0 --json").stdout)["pieces"][0]
    plain = json.loads(
        run("forecast -p length=7 -p homing=0 -p tempo=96 -p rest_chance=0 --seed 5 --minutes 0.25 --json").stdout
    )
    assert given["computed"] == plain["computed"]
    assert given["counted"] == plain["counted"], "the same seed, so the very same evening"
    held = run("forecast --set set.yaml --piece 3 -p hold=on").output
    assert "still itself" in held
    assert held.count("never") == 2
    assert "100%" in held


def test_a_piece_that_its_plan_lets_go_is_counted_as_it_will_be(folder):
    (folder / "set.yaml").write_text(
        "set: 1\npieces:\n  - {name: x, hold: on, minutes: 2, seed: 3, plan: [{at: 25, do: hold=off}]}\n"
    )
    done = run("forecast --set set.yaml")
    assert done.output.startswith("piece 1: x; it begins held until its plan lets it go\n")
    row = json.loads(run("forecast --set set.yaml --json").stdout)["pieces"][0]
    # 24 bars of 2.5 s are a minute (arithmetic)
    assert row["counted"]["itself_after_minutes"]["1"]["mean"] == 1.0
    assert row["counted"]["first_audible_change_minutes"]["least"] >= 1.0
    assert row["held"]
    assert row["computed"]["in_the_long_run"]["cycles"] is not None, "computed as though let go"


def test_a_forecast_says_first_what_is_still_itself():
    done = run("forecast --set set.yaml --piece 1 --minutes 3")
    shares = 3 * r" +\d{1,3}%"
    for line, pattern in zip(
        done.output.splitlines(),
        [
            "piece 1: First Light",
            "  after                     1 min        2 min        3 min",
            f"  still itself{shares}   counted, the evening of seed 5",
            r"  audible changes   \d+\.\d a minute, the first after \d+ s   counted",
        ],
        strict=False,
    ):
        assert re.fullmatch(pattern, line), line
    order = ["still itself", "audible changes", "from the beginning", "in the long run"]
    places = [done.output.index(words) for words in order]
    assert places == sorted(places)
    assert "computed; nothing changes in the first 4 cycles" in done.output


def test_a_forecast_counts_several_evenings_where_no_seed_says_which():
    several = json.loads(run("forecast --minutes 1 --evenings 3 --json").stdout)["counted"]
    single = [json.loads(run(f"forecast --minutes 1 --seed {n} --json").stdout)["counted"] for n in (1, 2, 3)]
    shares = [one["itself_after_minutes"]["1"]["mean"] for one in single]
    assert several["itself_after_minutes"]["1"] == {
        "mean": pytest.approx(sum(shares) / 3), "least": min(shares), "most": max(shares),
    }  # fmt: skip
    only = run("forecast --evenings 0")
    assert "counted" not in only.output
    assert "still itself" not in only.output
    assert json.loads(run("forecast --evenings 0 --json").stdout)["counted"] is None


def test_status_says_the_same_in_the_long_run():
    cases: list[dict[str, float]] = [{}, {"tension": 0.8}, {"tension": 0.1, "length": 12}]
    for values in cases:
        words = "".join(f" -p {name}={value}" for name, value in values.items())
        said = json.loads(run(f"forecast --seed 7 --minutes 0.5{words} --json").stdout)
        row = said["computed"]["in_the_long_run"]
        shown = Performer(Setup(values=values), 7).view()["half_life"]
        assert (shown["cycles"], shown["bars"], shown["rate"]) == (row["cycles"], row["bars"], row["rate"])
    # negative control: a forecast that overlooks what tension does to mutation and homing
    calm = json.loads(run("forecast --seed 7 --minutes 0.5 --json").stdout)["computed"]["in_the_long_run"]
    assert calm["cycles"] != row["cycles"]


def test_a_prepared_half_life_is_counted_from_the_beginning(folder):
    """Written lines have no twins: computed and counted agree; 64 evenings of 12 steps, a standard error of 4 %."""
    (folder / "set.yaml").write_text(
        "set: 1\npieces:\n  - {name: x, minutes: 4, line: D3 F3 A3 . C4 D4 A3 G3 F3 . G3 A3, half_life_bars: 30}\n"
    )
    row = json.loads(run("forecast --set set.yaml --evenings 64 --json").stdout)["pieces"][0]
    assert row["computed"]["from_the_beginning"]["bars"] == pytest.approx(30, rel=0.03), "but for the accents of each"
    assert row["computed"]["from_the_beginning"]["steps"] == 10, "rests that are forced never change"
    assert row["counted"]["half_life"]["bars"] == pytest.approx(30, rel=0.15)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("render --set set.yaml", "piece 2, Meridian, plans no minutes; say how long: --minutes N"),
        ("render --set set.yaml --piece Meridian", "piece 2, Meridian, plans no minutes"),
        ("render --set set.yaml --piece 4", "--piece 4: there is no piece 4: 1 to 3"),
        ("render --set set.yaml --piece Meridain", "nearest: Meridian"),
        ("render --piece 1", "name the set that it is in: --set FILE"),
        ("forecast --piece 1", "name the set that it is in: --set FILE"),
        ("forecast --set set.yaml --piece 0", "there is no piece 0: 1 to 3"),
        ("render --set set.yaml --cycles 3 --minutes 1", "--cycles 3: a set says how long; leave --cycles out"),
        ("render --cycles 3 --minutes 1", "--cycles 3: --minutes says how long; leave --cycles out"),
        ("render --minutes 0", "0 is outside 0.05 to 600"),
        ("render --minutes 601", "601 is outside 0.05 to 600"),
        ("forecast --minutes nan", "'nan' is not a number"),
        ("render --set rig.yaml --minutes 1", "rig.yaml:1:1: a set says so with 'set: 1'"),
        ("render --set none.yaml", "none.yaml"),
        ("forecast --set set.yaml --rig set.yaml", "set.yaml:1:1"),
        ("forecast --rig rig.yaml -p scale=slow-fourths", "there is no scale"),
        ("forecast --set rigged.yaml", "there is no scale 'slow fifths'"),
        ("render --set rigged.yaml --minutes 1", "there is no scale 'slow fifths'"),
        ("render --rig rig.yaml --set set.yaml --seed 1 -p seed=2 --minutes 1", "--seed and -p seed= are the same"),
        ("render --rig rig.yaml --set set.yaml --minutes 1 -p division=768c -p meter=1/32", "piece 1: '768c' is 768"),
        ("forecast --rig rig.yaml --set set.yaml -p division=768c -p meter=1/32", "piece 1: '768c' is 768 clocks"),
        ("play --set rigged.yaml --api none", "there is no scale 'slow fifths'"),
        ("render -p gate+=0.1", "-p gate+=0.1: nothing plays yet that could be moved; write NAME=VALUE"),
        ("forecast -p length=+1", "length=1 sets it"),
        ("play --api none -p redraw", "-p redraw: write NAME=VALUE"),
        ("demo --headless -p length=1_2", "-p length=1_2: length: '1_2' is not a whole number; write the digits only"),
    ],
)
def test_wrong_input_is_said_and_nothing_is_written(folder, line, said):
    before = sorted(path.name for path in folder.iterdir())
    done = run(line + (" --out x.mid" if line.startswith("render") else ""))
    assert (done.exit_code, done.stdout) == (2, ""), done.output
    assert said in done.stderr
    assert "Traceback" not in done.output
    assert sorted(path.name for path in folder.iterdir()) == before


def test_what_is_allowed_is_told_on_standard_error(folder):
    (folder / "set.yaml").write_text("set: 1\npieces:\n  - {name: one, minutes: 0.1, plan: [{at: 99, do: redraw}]}\n")
    for line in ("render --set set.yaml --out x.mid --json", "forecast --set set.yaml --json"):
        done = run(line)
        assert json.loads(done.stdout)
        assert "set.yaml:3:43: plan: bar 99 never comes" in done.stderr


def test_a_builder_that_forgets_the_pieces_is_found_out(monkeypatch):
    """Negative control: -p that reaches the rig's values alone, as it was."""
    from dataclasses import replace

    from replank.cli import options

    monkeypatch.setattr(options, "with_values", lambda setup, given: replace(setup, values=setup.values | given))
    assert prepare(*BOTH, ["length=9"]).values(1)["length"] == 12
    with pytest.raises(Fail):
        prepare(*BOTH, ["length=99"])
