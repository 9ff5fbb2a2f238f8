"""`replank watch` from the command line."""

import sys

import pytest
from click.testing import CliRunner

from replank.cli import watch
from replank.cli.main import main


def test_help_has_examples():
    result = CliRunner().invoke(main, ["watch", "--help"])
    assert result.exit_code == 0
    assert "replank watch --instance rehearsal" in result.output and "never stops" in result.output


@pytest.mark.parametrize("name", ["", "../up", "a b", "x" * 40])
def test_a_wrong_instance_is_one_line(name):
    result = CliRunner().invoke(main, ["watch", "--instance", name])
    assert result.exit_code == 2
    assert "cannot name an instance" in result.output
    assert len(result.output.strip().splitlines()) == 1


def test_what_is_given_reaches_the_app(monkeypatch, tmp_path):
    made = []

    class Recorded:
        def __init__(self, socket, **options):
            made.append((socket(), options))

        def run(self):
            return "The line plays on."

    import replank.dashboard.app

    monkeypatch.setattr(replank.dashboard.app, "Watch", Recorded)
    monkeypatch.setattr(watch, "has_terminal", lambda: True)
    path = tmp_path / "x.sock"
    result = CliRunner().invoke(main, ["watch", "--socket", str(path), "--fps", "10", "--calm", "--light"])
    assert result.output == "The line plays on.\n"
    assert made == [(path, {"fps": 10, "calm": True, "light": True})]


def test_the_command_itself_does_not_load_the_dashboard():
    """Help and mistakes are quick: Textual is loaded when a dashboard opens."""
    import subprocess

    code = "import sys; import replank.cli.watch; print('textual' in sys.modules)"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=_path())
    assert found.stdout.strip() == "False"
    assert watch.command.name in ("command", "watch")


def _path():
    import os
    from pathlib import Path

    return {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2] / "daemon")}
