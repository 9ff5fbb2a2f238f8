"""Disks that are full, read-only or hold nonsense: the line plays on, says what is not kept, and keeps again."""

import contextlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import click
import mido
import pytest
import yaml

import packaging
import replank
from tests.faults.flipping import flip_value, rewrite
from tests.faults.stage import PATIENCE, Peer, survived
from tests.real.daemon import COMMAND, Daemon

pytestmark = [pytest.mark.timeout(600)]


def disk(daemon) -> str:
    return daemon.state()["host"]["disk"]["state"]


def replayed(daemon, folder: Path) -> dict:
    """Perform the last show again and compare."""
    done = daemon.run("replay", "last", "--check", "--json", "--state-dir", str(folder))
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


@pytest.mark.real
def test_full_disk(playing, stage, tmp_path):
    """A small file system of its own where that is allowed; else a bound on the database's pages."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("elsewhere: mounting a file system needs rights that this user has not")
    try:
        daemon = playing("--state-dir", str(place))
        trial = stage(daemon)
        trial.begin()
        trial.fault()
        ballast = place / "ballast"
        with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(4096))
        trial.clock.storm([b"\xb0\x07\x40"] * 9000, 3000)  # until what was set aside is used up
        assert Peer.until(lambda: disk(daemon) == "failing", PATIENCE), daemon.state()["host"]["disk"]
        trial.settle()
        trial.hear(8)
        ballast.unlink()
        assert Peer.until(lambda: disk(daemon) == "ok", PATIENCE)
        survived(trial)
        assert daemon.stop() == 0
        report = replayed(daemon, place)
        assert report["same"] and report["notes"] > 8 and report["gaps"] == 0
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def damaged(path: Path, how: str) -> None:
    data = path.read_bytes()
    if how == "noise":
        path.write_bytes(b"\x00\xffnothing of a database" * 400)
    elif how == "cut":
        path.write_bytes(data[: len(data) // 3])
    else:
        middle = len(data) // 2
        path.write_bytes(data[:middle] + bytes(4096) + data[middle + 4096 :])


@pytest.mark.real
def test_damaged_databases_at_the_start_and_while_playing(playing, stage):
    """Set aside, never deleted; the line goes on, and a new one is kept."""
    daemon = playing()
    folder = daemon.folder / "state" / "replank"
    path = next(folder.glob("*.db"))
    trial = stage(daemon)
    trial.begin()
    trial.fault()
    os.truncate(path, 5000)
    trial.hear(8)
    survived(trial)
    daemon.stop()
    for how in ("noise", "cut"):
        before = set(folder.iterdir())
        damaged(path, how)
        kept = path.read_bytes()
        daemon.start()
        assert Peer.until(lambda: disk(daemon) == "ok", PATIENCE), daemon.state()["host"]["disk"]
        aside = [one for one in set(folder.iterdir()) - before if one.is_file() and one.read_bytes() == kept]
        assert aside, sorted(folder.iterdir())
        assert daemon.state()["host"]["playing"]
        daemon.stop()


def usable(python: str, as_other: list[str], env: dict, folder: Path) -> bool:
    """Tell whether another user can run this interpreter, again from itself too."""
    script = "import os, sys, click, replank.keeper.keeping\n"
    script += "sys.exit(sys.version_info < (3, 11) or not os.access(sys.executable, os.X_OK))"
    command = [*as_other, python, "-c", script]
    return subprocess.run(command, env=env, cwd=folder, capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(os.getuid() != 0 or shutil.which("setpriv") is None, reason="elsewhere: needs another user")
def test_read_only_folder_as_another_user(tmp_path):
    """A whole daemon of a user who may not write its state folder: it plays, and says that nothing is kept."""
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == 0 and folder.is_relative_to("/tmp") and folder != Path("/tmp"):
            folder.chmod(0o755)
    run, state = tmp_path / "run", tmp_path / "state"
    for folder in (run, state):
        folder.mkdir()
        os.chown(folder, 65534, 65534)
    state.chmod(0o500)
    run.chmod(0o700)
    code = tmp_path / "code"  # this environment and this folder may be closed to others
    for package in (replank, click, yaml, mido, packaging):
        there = Path(package.__file__).parent
        shutil.copytree(there, code / there.name, ignore=shutil.ignore_patterns("__pycache__"))
    env = {**os.environ, "XDG_RUNTIME_DIR": str(run), "HOME": str(run), "PYTHONPATH": str(code)}
    del env["XDG_CONFIG_HOME"]  # this one's own
    ask = (
        "import json, sys, time\nfrom pathlib import Path\nfrom replank.host.client import Client\n"
        "with Client(Path(sys.argv[1]), 100) as client:\n"
        "    client.ask('say', words=['start'])\n"
        "    for _ in range(600):\n"
        "        state = client.ask('state')['state']\n"
        "        if state['performer']['counts']['notes'] > 8 and state['host']['disk']['state'] != 'starting':\n"
        "            break\n"
        "        time.sleep(0.1)\n"
        "    print(json.dumps([state['performer']['counts']['notes'], state['host']['disk']]))\n"
    )
    as_other = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
    python = next((one for one in (sys.executable, "/usr/bin/python3") if usable(one, as_other, env, run)), "")
    if not python:
        pytest.skip("elsewhere: another user may not read any interpreter of 3.11 or newer here")
    command = [*as_other, python, *COMMAND[1:], "play", "--json", "--api", "none", "--clock", "internal",
               "--tempo", "400", "--state-dir", str(state), "--instance", "other"]  # fmt: skip
    made = subprocess.Popen(command, env=env, cwd=run, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        ready = made.stdout.readline()
        assert ready, made.stderr.read().decode()
        asked = subprocess.run(
            [*as_other, python, "-c", ask, str(run / "replank" / "other.sock")],
            env=env, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        assert asked.returncode == 0, asked.stderr
        notes, health = json.loads(asked.stdout)
        assert notes > 8
        assert health["state"] == "failing", health
    finally:
        made.terminate()
        made.communicate()


def test_flipped_input_is_caught(tmp_path):
    """One recorded value has a bit flipped: the check says where the show differs from what was sent."""
    daemon = Daemon("--api", "none", "--clock", "internal", "--tempo", "400", "-p", "rest_chance=0", "--seed", "7")
    folder = daemon.folder / "state" / "replank"
    try:
        daemon.say("start")
        daemon.say("length=5", "redraw@now")
        assert Peer.until(lambda: daemon.state()["performer"]["counts"]["notes"] > 12, PATIENCE)
        assert daemon.stop() == 0
        report = replayed(daemon, folder)
        assert report["same"] and report["notes"] > 12
        rewrite(next(folder.glob("*.db")), "inputs", flip_value)
        report = replayed(daemon, folder)
        assert not report["same"] and report["differences"] > 0
    finally:
        daemon.clean()
