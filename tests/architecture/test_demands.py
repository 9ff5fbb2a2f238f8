"""The run that demands real ports fails where they were not tested, and only there."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
SETTINGS = '[tool.pytest.ini_options]\nmarkers = ["real: ports"]\ntimeout = 50\naddopts = ["--import-mode=importlib"]\n'


def run(tmp_path: Path, body: str, *args: str, **environ: str) -> tuple[int, str]:
    (tmp_path / "tests").mkdir()
    for name in ("conftest.py", "isolation.py"):
        (tmp_path / "tests" / name).write_bytes((TESTS / name).read_bytes())
    (tmp_path / "tests" / "test_it.py").write_text("import pytest\n" + body)
    (tmp_path / "pyproject.toml").write_text(SETTINGS)
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-q", *args, "tests"]
    done = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "REPLANK_REQUIRE_REAL": "1", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", **environ},
    )  # fmt: skip
    return done.returncode, done.stdout


REAL = "@pytest.fixture(scope='session')\ndef jack_server(): return 'x'\n@pytest.mark.real\ndef test_r(): {}\n"
PLAIN = "def test_p(): {}\n"


@pytest.mark.parametrize(
    ("body", "code", "says"),
    [
        (REAL.format("pass") + PLAIN.format("pass"), 0, "2 passed"),
        (PLAIN.format("pass"), 1, "no test on real MIDI ports ran"),
        (REAL.format("pytest.skip('no server')"), 1, "needs real ports and was skipped"),
        (REAL.format("pass") + PLAIN.format("pytest.skip('tired')"), 1, "unexpected skip"),
        (REAL.format("pass") + PLAIN.format("pytest.skip('elsewhere: another system')"), 0, "1 passed, 1 skipped"),
        (REAL.format("assert False"), 1, "1 failed"),
    ],
)
def test_what_is_demanded(tmp_path, body, code, says):
    returned, output = run(tmp_path, body)
    assert (returned, says in output) == (code, True), output
    # the closing line stays pytest's own
    assert " in " in output.splitlines()[-1]


STUCK = """
@pytest.mark.real
@pytest.mark.timeout(3)
def test_r():
    import ctypes, pathlib
    if not (once := pathlib.Path("once")).exists():
        once.touch()
        libc, mutex = ctypes.CDLL(None), ctypes.create_string_buffer(64)
        libc.pthread_mutex_lock(mutex)
        libc.pthread_mutex_lock(mutex)  # for ever, whatever signals come
"""


def test_what_is_stuck_in_a_driver_costs_a_worker_and_is_tried_again(tmp_path):
    body = REAL.format("pass").replace("test_r", "test_first") + STUCK + PLAIN.format("pass")
    returned, output = run(tmp_path, body, "-n", "1", "--reruns", "1", PYTEST_DISABLE_PLUGIN_AUTOLOAD="")
    assert (returned, "3 passed, 1 rerun" in output) == (0, True), output


def test_nothing_is_demanded_of_a_run_by_hand(tmp_path):
    returned, _ = run(tmp_path, PLAIN.format("pytest.skip('tired')"), REPLANK_REQUIRE_REAL="0")
    assert returned == 0
