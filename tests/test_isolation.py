"""No test reaches what is the user's own: tried with a user who has a daemon, shows and a sound server."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
ASKS = """
import json, os, subprocess, sys
from replank.host import paths
def test_it():
    told = [str(one()) for one in (paths.config_dir, paths.state_dir, paths.runtime_dir)]
    told += [os.path.expanduser("~"), os.environ.get("JACK_DEFAULT_SERVER", "default")]
    child = subprocess.run([sys.executable, "-c", "import os; print(os.path.expanduser('~'))"],
                           capture_output=True, text=True, check=True)
    print("TOLD", json.dumps([*told, child.stdout.strip()]))
"""


def asked(folder: Path, *options: str) -> str:
    """Return what a test is told of its places when a user runs it whose own are in `folder`."""
    home = folder / "ada"
    theirs = {"HOME": home, "XDG_RUNTIME_DIR": home / "run", "XDG_STATE_HOME": home / "state"}
    env = {**os.environ, **{name: str(path) for name, path in theirs.items()}, "XDG_CONFIG_HOME": ""}
    env |= {"PYTHONPATH": f"{ROOT / 'daemon'}{os.pathsep}{ROOT}", "JACK_DEFAULT_SERVER": "adas-stage"}
    (home / "run").mkdir(parents=True)
    (folder / "test_asks.py").write_text(ASKS)
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-s",
        "-q",
        "-p",
        "no:cacheprovider",
        *options,
        str(folder / "test_asks.py"),
    ]
    done = subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return next(line for line in done.stdout.splitlines() if "TOLD" in line)


def test_no_test_sees_the_users_own(tmp_path: Path) -> None:
    told = asked(tmp_path, "-p", "tests.conftest")
    assert str(tmp_path / "ada") not in told and "adas-stage" not in told


def test_without_it_they_would(tmp_path: Path) -> None:
    """Broken build: nothing is isolated."""
    told = asked(tmp_path)
    assert str(tmp_path / "ada" / "run") in told and "adas-stage" in told
