"""`replank tune` beside a running daemon: notes are asked for, struck on real ports, read, and let go."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from replank.control.setup import Voltage
from replank.host.files import load_rig
from tests.patchbay.interfaces import Interface
from tests.real.daemon import COMMAND, Daemon
from tests.real.peer import START, Peer

pytestmark = pytest.mark.real

RIG = """\
rig: 1
outputs:
  - {name: out, connect: [cabinet]}
voices:
  - name: line
    bend_range: 2
    tuning: {C2: -10, C7: -10}
    range: C2 to C7
    voltage: {zero_note: C2, range: -1 to 6, bits: 16}
"""
BOX = Interface(Voltage(zero_note=36, low=-1.0, high=6.0, bits=16), scale=0.002, offset=0.004)


def tune(daemon: Daemon, rig: Path, typed: str) -> subprocess.CompletedProcess[str]:
    command = [*COMMAND, "tune", "--rig", str(rig), "--store", "--instance", daemon.instance]
    return subprocess.run(
        command, input=typed, capture_output=True, text=True, env=daemon.env, cwd=daemon.folder, timeout=60, check=False
    )


def test_octave_by_octave(tmp_path: Path, play: Callable[..., Daemon], peer: Callable[..., Peer]) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG)
    cabinet = peer("cabinet")
    daemon = play("--rig", str(rig))
    assert Peer.until(lambda: bool(cabinet.hears()), 15)
    assert "nothing was played" in tune(daemon, rig, "n\n").stderr
    assert cabinet.notes_on() == []  # no tone without a yes
    old = load_rig(rig).voices[0].tuning
    shown = [BOX.corrected(note, old) for note in range(36, 97, 12)]  # what a tuner shows: the correction is at work
    run = tune(daemon, rig, "y\n" + "".join(f"{cents:.2f}\n" for cents in shown))
    assert run.returncode == 0, run.stderr
    assert cabinet.notes_on() == [36, 48, 60, 72, 84, 96]
    assert Peer.until(lambda: not cabinet.hanging(), 5)
    # the readings hold the old correction; the new one is made for the bare interface
    new = load_rig(rig).voices[0].tuning
    left = [abs(BOX.corrected(note, new)) for note in range(36, 97)]
    assert new != old and max(left) < 0.5 < max(abs(BOX.corrected(note, old)) for note in range(36, 97))
    cabinet.patch(clock=daemon.port["clock"])
    cabinet.clocks(20_000, 120.0, first=(START,), wait=False)
    assert Peer.until(lambda: daemon.state()["performer"]["transport"]["running"])
    refused = tune(daemon, rig, "y\n")
    cabinet.stop_clocks()
    assert refused.returncode == 1 and "transport runs" in refused.stderr
