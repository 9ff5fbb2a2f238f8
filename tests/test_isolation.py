"""No test reaches a user's daemon, shows, configuration or MIDI server; this one has a user whom it must not find."""

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SETTINGS = '[tool.pytest.ini_options]\nmarkers = ["real: ports"]\naddopts = ["--import-mode=importlib"]\n'
LOOK = """
import json, os, pathlib, subprocess, sys

from replank.host import paths
from replank.host.shows.store import default_path

AT_IMPORT = str(paths.socket_path())

def replank(*words):
    command = [sys.executable, "-c", "from replank.cli.main import main; main()", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=50)

def test_look():
    places = [AT_IMPORT, paths.socket_path(), default_path(), paths.default_rig(), pathlib.Path.home()]
    places += [one["path"] for one in json.loads(replank("where", "--json").stdout).values() if "path" in one]
    answers = subprocess.run([sys.executable, "-m", "tests.jack_answers"], cwd=os.environ["CODE"], capture_output=True)
    found = {"places": [str(place) for place in places], "status": replank("status").returncode,
             "shows": replank("shows").stdout, "jack": os.environ.get("JACK_DEFAULT_SERVER"),
             "jack answers": answers.returncode == 0}
    pathlib.Path(os.environ["FOUND"]).write_text(json.dumps(found))
"""


class User:
    """Somebody with a running daemon, a kept show and a rig, in the places where the program looks for them.

    Attributes:
        calls: How often somebody called the daemon.
    """

    def __init__(self, folder: Path, jack: str) -> None:
        self.folder, self.jack, self.calls = folder, jack, 0
        self.environ = {"HOME": str(folder), "XDG_RUNTIME_DIR": str(folder / "run"), "JACK_DEFAULT_SERVER": jack}
        (folder / ".config" / "replank").mkdir(parents=True)
        (folder / ".config" / "replank" / "rig.yaml").write_text("rig: 1\n")
        (folder / "run").mkdir(mode=0o700)
        (folder / "run" / "replank").mkdir(mode=0o700)
        self._door = socket.socket(socket.AF_UNIX)
        self._door.bind(str(folder / "run" / "replank" / "default.sock"))
        self._door.listen()
        threading.Thread(target=self._answer, daemon=True).start()

    def _answer(self) -> None:
        while True:
            try:
                caller, _ = self._door.accept()
            except OSError:
                return
            self.calls += 1
            caller.close()

    def close(self) -> None:
        self._door.shutdown(socket.SHUT_RDWR)
        self._door.close()


@pytest.fixture
def user(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[User]:
    """Return a user; where the test is on real ports, with the JACK server that runs."""
    folder = tmp_path / "u"
    folder.mkdir()
    running = "jack_server" in request.fixturenames
    found = User(folder, request.getfixturevalue("jack_server") if running else "somebodys-own")
    yield found
    found.close()


def reached(user: User, tmp_path: Path, *args: str, broken: bool = False) -> list[str]:
    """Run a test for such a user, as a user would; return what of the user it reached."""
    (tmp_path / "tests").mkdir()
    for name in ("conftest.py", "isolation.py"):
        (tmp_path / "tests" / name).write_bytes((ROOT / "tests" / name).read_bytes())
    (tmp_path / "tests" / "test_it.py").write_text(LOOK)
    (tmp_path / "pyproject.toml").write_text(SETTINGS)
    if broken:
        conftest = tmp_path / "tests" / "conftest.py"
        text = conftest.read_text()
        assert text.count("\nisolate()") == 1
        conftest.write_text(text.replace("\nisolate()", "\npass"))
    users = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "REPLANK_", "PYTEST_"))}
    users |= {"PYTHONPATH": str(ROOT / "daemon"), "FOUND": str(tmp_path / "found.json"), "CODE": str(ROOT)}
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-q", *args, "tests"]
    done = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, timeout=100, check=False, env=users | user.environ
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads((tmp_path / "found.json").read_text())
    places = [f"it looks into {place}" for place in found["places"] if Path(place).is_relative_to(user.folder)]
    if user.calls:
        places.append(f"the daemon was called {user.calls} times")
    if found["jack"] == user.jack:
        places.append("it uses the MIDI server" + " and gets an answer" * found["jack answers"])
    kept = user.folder / ".local"
    return places + [f"it made {kept}"] * kept.exists()


@pytest.mark.timeout(120)
@pytest.mark.parametrize("args", [(), ("-n", "1")], ids=["alone", "worker"])
def test_a_test_reaches_nothing_of_a_user(user, tmp_path, args):
    assert reached(user, tmp_path, *args) == []


@pytest.mark.timeout(120)
def test_without_the_isolation_everything_is_reached(user, tmp_path):
    """Negative control: it is the isolation that keeps them apart."""
    found = "\n".join(reached(user, tmp_path, broken=True))
    for what in ("default.sock", "shows.db", "rig.yaml", "the daemon was called", "it uses the MIDI server"):
        assert what in found, found


@pytest.mark.real
@pytest.mark.timeout(120)
def test_a_running_server_is_not_found(jack_server, user, tmp_path):
    assert reached(user, tmp_path) == []


@pytest.mark.real
@pytest.mark.timeout(120)
def test_without_the_isolation_a_running_server_answers(jack_server, user, tmp_path):
    """Negative control."""
    assert "it uses the MIDI server and gets an answer" in reached(user, tmp_path, broken=True)
