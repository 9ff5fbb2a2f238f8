"""What is typed wrong: one line that says what and where, and an exit code by the convention."""

import pytest
from click.testing import CliRunner

from replank.cli.listing import listing
from replank.cli.main import COMMANDS, main
from replank.control.actions import ACTIONS, usage
from replank.control.parameters import PARAMETERS

WRONG, ABSENT = 2, 3


@pytest.fixture(autouse=True)
def nobody_plays(monkeypatch, tmp_path):
    for name in ("RUNTIME_DIR", "STATE_HOME", "CONFIG_HOME"):
        monkeypatch.setenv(f"XDG_{name}", str(tmp_path / name))
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-started-this-one")
    monkeypatch.chdir(tmp_path)


def run(*words):
    return CliRunner().invoke(main, list(words))


@pytest.mark.parametrize("name", COMMANDS)
def test_help_has_each_example_on_a_line(name):
    done = run(name, "--help")
    assert done.exit_code == 0
    assert "\\b" not in done.output, "a raw docstring shows the mark that keeps lines apart"
    examples = [line.strip() for line in done.output.splitlines() if line.strip().startswith(f"replank {name}")]
    assert examples
    assert all(line.count("replank ") == 1 for line in examples)
    assert "range" not in done.output.lower().replace("ranges", "")
    assert "<=x" not in done.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("play --tempo 5", "5 is outside 20 to 400"),
        ("play --tempo nan", "'nan' is not a number"),
        ("play --tempo inf", "inf is outside 20 to 400"),
        ("play --seed x", "'x' is not a whole number"),
        ("play --seed 1.5", "'1.5' is not a whole number"),
        ("play --seed -1", "-1 is outside 0 to 9223372036854775807"),
        ("play --api none --drift 90%", "write 0% to 50%"),
        ("play --api none --dropout 1/hour", "write 0/min to 10/min"),
        ("play --api none --drift 3%", "--drift belongs to the practice clock"),
        ("play --clock internal --api none --dropout 1/min", "--dropout belongs to the practice clock"),
        ("play --api none --state-dir file/below", "state folder"),
        ("render --seed 99999999999999999999 --out x.mid", "outside 0 to 9223372036854775807"),
        ("replay last --wait -1", "-1 is outside 0 to 600"),
        ("export last --cycle 0", "0 is below 1"),
        ("demo --seconds 2", "2 is outside 5 to 3600"),
        ("demo --headless --out nowhere/x.mid", "there is no folder"),
        ("learn nowhere/x.yaml --port box", "there is no folder"),
        ("init file", "there is a file where a folder should be"),
        ("send --instance a/b redraw", "cannot name an instance"),
    ],
)
def test_wrong_input_is_one_line(tmp_path, words, said):
    (tmp_path / "file").write_text("")
    done = run(*words.split())
    assert said in done.output
    assert (done.exit_code, len(done.output.splitlines())) == (WRONG, 1)
    assert sorted(path.name for path in tmp_path.glob("*.*")) == [], "nothing half-written"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("status", "start one: replank play\n"),
        ("send redraw --instance rehearsal", "start one: replank play --instance rehearsal\n"),
        ("soundcheck --json", "start one: replank play\n"),
        ("watch", "the dashboard needs a terminal"),
        ("ports --api jack", "no JACK server 'nobody-started-this-one' answers"),
        ("shows", "no show has been recorded yet"),
    ],
)
def test_what_is_absent_is_one_line_with_what_to_do(words, said):
    done = run(*words.split())
    assert said in done.output
    assert (done.exit_code, len(done.output.splitlines())) == (ABSENT, 1)


@pytest.mark.parametrize("columns", [40, 80, 200])
def test_the_listing_has_everything_and_fits(columns):
    text = listing(columns)
    for name in PARAMETERS:
        assert f"\n  {name} " in text
    for row in ACTIONS.values():
        assert f"\n  {usage(row)}" in text
    assert "whole tone" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= max(columns, 80)


def test_send_lists_where_nobody_plays():
    done = run("send", "--list")
    assert done.exit_code == 0
    assert "mutation_chance" in done.output
