"""What the repository must not hold, and what it must."""

import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HOME = re.compile(rb"(?<![\w.])/(?:root|work|Users|home)/\w+")
"""Paths of one machine; a reader's own are written with ~ or XDG variables."""
ALLOWED_HOME = {b"/home/ada"}
"""A made-up person in tests."""


def tracked() -> list[Path]:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listed.returncode:
        pytest.skip("elsewhere: not a git checkout")
    return [ROOT / name for name in os.fsdecode(listed.stdout).split("\0") if name and (ROOT / name).is_file()]


def machine_paths(text: bytes) -> set[bytes]:
    return set(HOME.findall(text)) - ALLOWED_HOME


def test_no_path_of_one_machine():
    found = {str(path.relative_to(ROOT)): hit for path in tracked() if (hit := machine_paths(path.read_bytes()))}
    found.pop("tests/architecture/test_tree.py", None)
    assert found == {}


def test_such_a_path_would_be_noticed():
    assert machine_paths(b"see /home/bob/replank") == {b"/home/bob"}
    assert not machine_paths(b"~/.config/replank and /home/ada/.config, tests/home/x, https://example.org/home/x")


def test_the_profiles_are_a_link_that_git_knows():
    link = ROOT / "daemon" / "replank" / "profiles"
    assert link.is_symlink()
    assert os.readlink(link) == "../../profiles"


def test_scripts_can_be_run_and_stop_at_errors():
    for name in ("scripts/test", "scripts/verify", "scripts/demo", ".ci/run"):
        path = ROOT / name
        assert os.access(path, os.X_OK), name
    for name in ("scripts/test", "scripts/verify", "scripts/demo"):
        assert "set -euo pipefail" in (ROOT / name).read_text()


def test_pytest_is_strict():
    options = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["pytest"]["ini_options"]
    assert {"--strict-markers", "--strict-config"} <= set(options["addopts"])
    assert options["timeout"] == 60
    assert "error:::replank" in options["filterwarnings"]
