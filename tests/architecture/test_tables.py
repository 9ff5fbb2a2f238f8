"""Facts are declared once, and what is made from them is fresh."""

import importlib
import subprocess
import sys
from pathlib import Path

import pytest

from replank.cli.main import COMMANDS
from replank.control.actions import ACTIONS, DUES, check_due, split_action, usage, written
from replank.control.notices import NOTICES, words
from replank.control.parameters import DEFAULTS, PARAMETERS, check, parse, place, position, show
from replank.host.files.sets import PIECE_KEYS
from replank.line.kinds import KINDS as LINE_KINDS

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("name", PARAMETERS)
def test_a_parameter_says_all_about_itself(name):
    row = PARAMETERS[name]
    assert row.name == name
    assert check(name, row.default) == row.default
    assert row.due in ("now", "step", "cycle", "bar", "boundary")
    assert row.kept in ("snapshot", "piece", "rig", "none")
    assert row.help.endswith(".")
    assert row.help[0].isupper()
    # what is shown can be typed, what a knob gives is allowed, and a list's own values are in the list
    assert parse(name, show(name, row.default)) == row.default
    if row.kind != "seed":
        for at in (0.0, 0.3, 1.0):
            assert check(name, place(name, at)) == place(name, at)
        assert 0 <= position(name, row.default) <= 1
    for word in row.choices:
        assert parse(name, word) is not None


def test_weights_are_those_of_the_lines_kinds():
    assert [name.removeprefix("weight_") for name in PARAMETERS if name.startswith("weight_")] == list(LINE_KINDS)


def test_what_pieces_keep_pieces_can_say():
    kept = {name for name, row in PARAMETERS.items() if row.kept in ("snapshot", "piece")}
    assert kept - {key.name for key in PIECE_KEYS} == set()


@pytest.mark.parametrize("name", ACTIONS)
def test_an_action_says_all_about_itself(name):
    row = ACTIONS[name]
    assert row.help.endswith(".")
    assert check_due(row.due) in DUES
    args = tuple("gate" if word == "parameter" else "1" for word in row.takes if not word.startswith("["))
    assert split_action(f"{written(name, args)}@bar") == (name, args, "bar")
    assert name == "adjust" or usage(row).split(":")[0].split("[")[0] == name


def test_actions_and_parameters_share_only_the_names_of_switches():
    # `hold` and `mute` are both: the action turns the parameter
    shared = set(ACTIONS) & set(PARAMETERS)
    assert all(PARAMETERS[name].kind == "bool" for name in shared)


@pytest.mark.parametrize("kind", NOTICES)
def test_a_notice_speaks_of_its_own_fields(kind):
    row = NOTICES[kind]
    said = words(kind, {name: f"<{name}>" for name in row.fields})
    assert "?" not in said
    assert row.level in ("step", "event", "warn", "error")


def test_defaults_are_the_tables():
    assert {name: row.default for name, row in PARAMETERS.items()} == DEFAULTS


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_of_the_table_is_there_and_helps(name):
    command = importlib.import_module(COMMANDS[name][0]).command
    assert command.help
    assert f"replank {name}" in command.help, "its help has an example"


def stale() -> int:
    made = subprocess.run([sys.executable, ROOT / "scripts" / "reference", "--check"], capture_output=True, check=False)
    return made.returncode


def test_the_reference_is_fresh():
    assert stale() == 0, "run scripts/reference"


def test_a_stale_reference_is_noticed(tmp_path):
    """Negative control: the same script beside pages that say something else."""
    for folder in ("daemon", "docs", "scripts"):
        (tmp_path / folder).mkdir()
    (tmp_path / "scripts" / "reference").write_bytes((ROOT / "scripts" / "reference").read_bytes())
    (tmp_path / "daemon" / "replank").symlink_to(ROOT / "daemon" / "replank")
    for page in ("files.head.md", "files.md", "reference.md"):
        (tmp_path / "docs" / page).write_bytes((ROOT / "docs" / page).read_bytes())
    command = [sys.executable, tmp_path / "scripts" / "reference", "--check"]
    assert subprocess.run(command, capture_output=True, check=False).returncode == 0
    page = tmp_path / "docs" / "reference.md"
    page.write_text(page.read_text().replace("| `length` | 1 to 64", "| `length` | 1 to 32"))
    assert subprocess.run(command, capture_output=True, check=False).returncode == 1
