"""`replank soundcheck` beside a running daemon, with a clock, a box of knobs and a receiver on real ports."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.real.daemon import Daemon
from tests.real.peer import START, STOP, Peer

pytestmark = pytest.mark.real

RIG = """\
rig: 1
inputs:
  - {name: clock, role: clock, connect: [stage]}
  - {name: knobs, role: knobs, connect: [box], profile: two-knobs}
outputs:
  - name: out
    connect: [stage]
    din: true
voices:
  - name: line
    bend_range: 2
    voltage: {volts_per_octave: 1.2, zero_note: C2, range: 0 to 8, bits: 12}
"""
SET = """\
set: 1
pieces:
  - name: Long Exposure
    mutation_chance: 0.3
"""


@pytest.fixture
def stage(tmp_path: Path, play: Callable[..., Daemon], peer: Callable[..., Peer]) -> tuple[Daemon, Peer, Peer]:
    """Return a daemon with everything patched to it: the stage's clock and receiver, and a box."""
    rig, pieces = tmp_path / "rig.yaml", tmp_path / "set.yaml"
    rig.write_text(RIG)
    pieces.write_text(SET)
    (tmp_path / "two-knobs.yaml").write_text(PROFILE)
    sender, box = peer("stage"), peer("box")
    daemon = play("--rig", str(rig), "--set", str(pieces))
    patched = lambda: all(row["peers"] for row in daemon.state()["host"]["patches"].values())  # noqa: E731
    assert Peer.until(patched, 15), daemon.state()["host"]["patches"]
    return daemon, sender, box


PROFILE = """\
profile: 1
title: two knobs
about: What a piece needs, and one more.
channel: any
controls:
  - {label: left, sends: cc 20, moves: mutation_chance}
  - {label: right, sends: cc 21, moves: gate}
"""


@contextmanager
def busy(sender: Peer, box: Peer | None) -> Iterator[None]:
    """Let the clock run, with Start and Stop, and move a knob, until it is over."""
    ending = threading.Event()

    def go() -> None:
        sender.clocks(20_000, 120.0, wait=False)
        while not ending.wait(0.7):
            sender.send(START)
            if box is not None:
                for value in range(40, 90, 5):
                    box.send(bytes((0xB0, 20, value)))
            if ending.wait(0.7):
                break
            sender.send(STOP)

    thread = threading.Thread(target=go)
    thread.start()
    time.sleep(2.0)
    try:
        yield
    finally:
        ending.set()
        thread.join(10)
        sender.stop_clocks()
        sender.send(STOP)


def check(daemon: Daemon, *words: str) -> tuple[int, dict[str, dict[str, Any]]]:
    """Return exit code and lines by what they are about (the last of each)."""
    run = daemon.run("soundcheck", "--instance", daemon.instance, "--json", *words)
    assert run.returncode in (0, 1), run.stderr
    plain = json.loads(run.stdout)
    assert plain["ok"] == (run.returncode == 0) == (plain["failed"] == 0)
    return run.returncode, {line["what"]: line for line in plain["lines"]}


def test_everything_works(stage: tuple[Daemon, Peer, Peer]) -> None:
    daemon, sender, box = stage
    with busy(sender, box):
        _, lines = check(daemon, "--seconds", "4", "--no-notes")
    # timing is the machine's: not judged here, only that it was measured
    for what in ("clock", "transport", "control mutation_chance", "period", "disk"):
        assert lines[what]["state"] == "pass", lines[what]
    assert lines["clock"]["basis"] == lines["clock jitter"]["basis"] == "measured"
    assert "BPM" in lines["clock"]["text"] and "p99" in lines["clock jitter"]["text"]
    assert lines["other controls"]["text"] == "gate (right)"
    assert lines["tick to note"]["basis"] == "measured"
    ports = [line for what, line in lines.items() if what.startswith("port ")]
    assert len(ports) == 3 and all(line["state"] == "pass" for line in ports)
    assert lines["wire out"]["basis"] in ("computed from the rig", "published")
    assert lines["volts line"]["basis"] == "computed from the rig"
    assert lines["test notes"]["state"] == "not measured"


def test_silence_fails_with_advice(stage: tuple[Daemon, Peer, Peer]) -> None:
    # the negative control of the test above: the same stage, nobody plays
    daemon, _, _ = stage
    code, lines = check(daemon, "--seconds", "1", "--no-notes")
    assert code == 1
    for what in ("clock", "transport", "control mutation_chance"):
        assert lines[what]["state"] == "fail" and lines[what]["advice"], lines[what]
    assert "clock jitter" not in lines  # nothing is said of what was not there


def test_notes_are_played_low_to_high_quietest_first_and_released(stage: tuple[Daemon, Peer, Peer]) -> None:
    daemon, sender, _ = stage
    run = daemon.run("soundcheck", "--instance", daemon.instance, "--json", "--seconds", "1", "--yes")
    lines = [line for line in json.loads(run.stdout)["lines"] if line["what"].startswith("note ")]
    assert [line["state"] for line in lines] == ["pass"] * 3
    struck = [(data[1], data[2]) for _, data in sender.received if data[0] == 0x90]
    assert struck == sorted(struck) and struck[0][1] < struck[1][1] < struck[2][1] <= 64
    assert struck[0][0] == 48 and struck[-1][0] == 67  # the register: C3 and 19 semitones up
    assert Peer.until(lambda: not sender.hanging(), 5)
    # announced before anything sounds, with a word about levels, and not in the JSON
    assert run.stderr.index("headphones") < run.stderr.index("next: line, C3, velocity 16")


def test_notes_are_refused_while_transport_runs(stage: tuple[Daemon, Peer, Peer]) -> None:
    daemon, sender, _ = stage
    sender.clocks(20_000, 120.0, first=(START,), wait=False)
    assert Peer.until(lambda: daemon.state()["performer"]["transport"]["running"])
    run = daemon.run("soundcheck", "--instance", daemon.instance, "--json", "--seconds", "1")
    lines = {line["what"]: line for line in json.loads(run.stdout)["lines"]}
    assert lines["test notes"]["state"] == "not measured" and "--yes" in lines["test notes"]["text"]
    sender.stop_clocks()


def test_a_cable_that_is_out_is_found(stage: tuple[Daemon, Peer, Peer]) -> None:
    daemon, sender, box = stage
    box.close()
    box.close = lambda: None  # type: ignore[method-assign]
    assert Peer.until(lambda: not all(r["peers"] for r in daemon.state()["host"]["patches"].values()), 10)
    code, lines = check(daemon, "--seconds", "1", "--no-notes")
    out = next(line for what, line in lines.items() if what.startswith("port ") and "knobs" in what)
    assert code == 1 and out["state"] == "fail" and "box" in out["text"]
    assert sender.name  # the others are still there
    assert (
        next(line for what, line in lines.items() if what.startswith("port ") and what.endswith("out"))["state"]
        == "pass"
    )


def test_without_a_daemon_exit_code_3(play: Callable[..., Daemon]) -> None:
    daemon = play()
    run = daemon.run("soundcheck", "--instance", "nobody")
    assert run.returncode == 3
    assert len(run.stderr.strip().splitlines()) == 1 and "replank play" in run.stderr
