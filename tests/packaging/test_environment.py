"""The scripts choose an interpreter that works, not one that is only named."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
BROKEN = "#!/bin/sh\nexit 127\n"


def chosen(folder: Path, **environ: str) -> subprocess.CompletedProcess[str]:
    command = ["bash", "-c", f". {ROOT}/scripts/environment.sh; choose_python"]
    env = {"PATH": f"{folder}:/usr/bin:/bin", "HOME": str(folder), **environ}
    return subprocess.run(command, env=env, capture_output=True, text=True, check=False)


def offer(folder: Path, name: str, works: bool) -> None:
    path = folder / name
    if works:
        path.symlink_to(sys.executable)
    else:
        path.write_text(BROKEN)
        path.chmod(0o755)


def test_a_name_that_does_not_run_is_passed_over(tmp_path):
    offer(tmp_path, "python3.12", works=False)
    offer(tmp_path, "python3.11", works=True)
    assert chosen(tmp_path).stdout.strip() == "python3.11"


def test_what_a_person_names_comes_first(tmp_path):
    offer(tmp_path, "python3.12", works=True)
    offer(tmp_path, "mine", works=True)
    assert chosen(tmp_path, REPLANK_PYTHON="mine").stdout.strip() == "mine"
    offer(tmp_path, "old", works=False)
    assert chosen(tmp_path, REPLANK_PYTHON="old").stdout.strip() == "python3.12"


def test_none_is_said_by_failing(tmp_path):
    for name in ("python3.12", "python3.11", "python3", "python"):
        offer(tmp_path, name, works=False)
    assert chosen(tmp_path).returncode == 1
