"""What needs no MIDI port works where the MIDI libraries are not installed or cannot be loaded."""

import os
import subprocess
import sys
from pathlib import Path

from replank.cli.main import COMMANDS

# A name that is None in sys.modules cannot be imported (Python language reference, 5.3.1).
WITHOUT = """
import sys
for name in ("rtmidi", "rtmidi._rtmidi", "jack", "alsa_midi"):
    sys.modules[name] = None
from replank.cli.main import COMMANDS, main
if sys.argv[1:] == ["every command"]:
    for name in COMMANDS:
        main([name, "--help"], standalone_mode=False)
else:
    main()
"""
SOURCE = str(Path(__file__).parents[2] / "daemon")


def run(folder, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WITHOUT, *words], cwd=folder, env={**os.environ, "PYTHONPATH": SOURCE},
        capture_output=True, text=True, check=False, timeout=50,
    )  # fmt: skip


def test_a_show_is_prepared_and_rendered(tmp_path):
    for words in (
        ("init", "tonight"),
        ("check", "tonight"),
        ("where",),
        ("forecast", "-p", "mutation_chance=0.3"),
        ("render", "--cycles", "4", "--seed", "7", "--rig", "tonight/rig.yaml", "--out", "line.mid"),
    ):
        done = run(tmp_path, *words)
        assert done.returncode == 0, (words, done.stderr)
    assert (tmp_path / "line.mid").read_bytes().startswith(b"MThd")


def test_every_command_explains_itself(tmp_path):
    done = run(tmp_path, "every command")
    assert done.returncode == 0, done.stderr
    assert [name for name in COMMANDS if f"replank {name}" not in done.stdout] == []


def test_the_libraries_are_really_out_of_reach(tmp_path):
    """Negative control: what opens ports fails, in one clear line and not with a traceback."""
    done = run(tmp_path, "ports")
    assert done.returncode == 3, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
