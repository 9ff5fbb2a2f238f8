"""The demo on a machine with no MIDI system, and with one."""

import os
import signal
import subprocess
import time

import mido
import pytest

from tests.real.daemon import COMMAND, ROOT
from tests.real.ending import end_all

STEADY = ("--dropout", "0/min")
pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]


@pytest.fixture(autouse=True)
def nothing_is_left(tmp_path):
    yield
    end_all(tmp_path)


def demo(folder, *args, **environ):
    """At 400 BPM a cycle is 0.6 s."""
    env = {**os.environ, "PYTHONPATH": str(ROOT / "daemon"), "XDG_CONFIG_HOME": str(folder), **environ}
    return subprocess.run(
        [*COMMAND, "demo", "--headless", "--seconds", "5", "--seed", "5", "--tempo", "400", *STEADY, *args],
        capture_output=True, text=True, env=env, cwd=folder, timeout=100, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("api", ["none", "auto"])
def test_demo_shows_cycles_and_writes_a_file(tmp_path, api):
    done = demo(tmp_path, "--api", api)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert ("ports: clock" in lines[0]) == (api == "auto")
    assert sum(line.startswith("cycle") for line in lines) >= 4
    assert any(line.startswith("    cycle") and "· step" in line for line in lines), "nothing changed"
    assert "\x1b" not in done.stdout  # no colour where nobody looks
    assert lines[-1].startswith("Next:")
    file = mido.MidiFile(tmp_path / "replank-demo.mid")
    notes = [m for track in file.tracks for m in track if m.type == "note_on" and m.velocity]
    offs = [
        m for track in file.tracks for m in track if m.type == "note_off" or (m.type == "note_on" and not m.velocity)
    ]
    assert len(notes) == len(offs) > 50
    assert f"{len(notes)} notes" in done.stdout


def test_demo_keeps_an_earlier_file(tmp_path):
    (tmp_path / "replank-demo.mid").write_bytes(b"mine")
    assert demo(tmp_path, "--api", "none").returncode == 0
    assert (tmp_path / "replank-demo.mid").read_bytes() == b"mine"
    assert (tmp_path / "replank-demo-2.mid").exists()


def test_demo_ends_on_ctrl_c_with_its_file(tmp_path):
    env = {**os.environ, "PYTHONPATH": str(ROOT / "daemon"), "XDG_CONFIG_HOME": str(tmp_path)}
    running = subprocess.Popen(
        [*COMMAND, "demo", "--headless", "--api", "none", "--seconds", "600", "--tempo", "240"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env, cwd=tmp_path,
    )  # fmt: skip
    for line in running.stdout:
        if line.startswith("cycle   2"):
            break
    time.sleep(0.2)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=60)
    assert running.returncode == 0, err
    assert "Next:" in out
    assert (tmp_path / "replank-demo.mid").exists()
