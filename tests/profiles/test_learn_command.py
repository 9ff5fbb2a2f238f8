"""`replank learn`: recorded streams, edited files, refusals, and a box on a real port."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from replank.cli.learn import command
from replank.control.profiles import Profile
from replank.host.files.profiles import read_profile
from replank.host.files.yaml_reader import read_yaml
from tests.control import streams
from tests.control.stage import Stage, acts, sets


def run(*args: object, typed: str = "") -> Result:
    return CliRunner().invoke(command, [str(arg) for arg in args], input=typed)


def recorded(path: Path, **functions: list[bytes]) -> Path:
    lines = []
    for function, messages in functions.items():
        lines.append(f"function: {function.replace('__', '=').replace('_star', ':*')}")
        lines += [data.hex(" ") for data in messages]
    path.write_text("\n".join(lines) + "\n")
    return path


def box_stream(path: Path) -> Path:
    dice = random.Random(5)
    return recorded(
        path,
        homing=streams.knob_7(dice, 1, 20),
        gate=streams.knob_14(dice, 1, 3),
        swing=streams.parameter(dice, 2, 148, registered=False, fine=True, again=True),
        leap=streams.encoder(dice, 1, 30, "sign-magnitude-reversed"),
        rotate_star=streams.encoder(dice, 1, 31, "offset-64"),
        mute=streams.pressed(b"\x90\x24\x7f", b"\x80\x24\x00"),
        keep_last=streams.pressed(b"\xb0\x50\x7f", b"\xb0\x50\x00", latching=True),
        scale__dorian=streams.pressed(b"\x90\x25\x7f", b"\x90\x25\x00"),
    )


def learnt(path: Path) -> Profile:
    return Profile.from_plain(read_profile(read_yaml(path)))


def test_a_recorded_stream_becomes_a_profile_that_plays(tmp_path):
    made = run(tmp_path / "box.yaml", "--from", box_stream(tmp_path / "stream.txt"), "--title", "no")
    assert made.exit_code == 0, made.output
    assert "swing: heard: a knob of 14 bits, nrpn 1/20 channel 2" in made.output
    assert "8 controls written" in made.output
    stage = Stage(learnt(tmp_path / "box.yaml"), leap=3)
    stage.cc(20, 0, 127)
    assert stage.values["homing"] == 1.0
    for number, value in ((3, 0), (35, 0), (3, 127), (35, 127)):
        stage.cc(number, value)
    assert stage.values["gate"] == 1.0
    stage.cc(30, 65, 65, 1, after_ms=100)
    assert stage.values["leap"] == 4
    assert acts(stage.cc(31, 65)) == ["rotate:+1"]
    assert sets(stage.send(0x90, 36, 1)) == [("mute", True)]
    assert acts(stage.cc(80, 127, 0)) == ["keep_last", "keep_last"]
    assert sets(stage.send(0x90, 37, 1)) == [("scale", "dorian")]


def test_comments_ranges_and_order_of_an_edited_file_survive(tmp_path):
    path = tmp_path / "box.yaml"
    run(path, "--from", box_stream(tmp_path / "stream.txt"))
    text = path.read_text()
    edited = text.replace("controls:", "# mine: the big box\ncontrols:  # from left to right")
    edited = edited.replace("moves: gate}", "moves: gate, from: 0.9, to: 0.1}  # the red one")
    path.write_text(edited)
    again = recorded(
        tmp_path / "again.txt",
        gate=streams.knob_7(random.Random(2), 5, 110),
        reroll=streams.knob_7(random.Random(3), 5, 111),
    )
    made = run(path, "--from", again)
    assert made.exit_code == 0, made.output
    assert "gate had a control already" in made.output
    before, after = edited.splitlines(), path.read_text().splitlines()
    changed = [n for n, line in enumerate(before) if line != after[n]]
    assert len(changed) == 2  # the control and the comment above it that says what was heard
    gate = next(line for line in after if "moves: gate" in line)
    assert "from: 0.9, to: 0.1" in gate and gate.endswith("# the red one") and "cc 110, channel: 5" in gate
    assert "# heard: a knob of 7 bits, cc 110 channel 5" in path.read_text()
    assert [line for line in after[len(before) :] if "moves: reroll" in line]
    assert any("# mine: the big box" in line for line in after) and any(
        line.endswith("# from left to right") for line in after
    )


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("function: gaet\nb0 10 00", "stream.txt:1: there is no function 'gaet' (nearest: gate)"),
        ("function: gate\nxyz", "stream.txt:2: 'xyz' is no message in hexadecimal"),
        ("b0 10 00", "stream.txt:1: messages stand below a line"),
        ("# nothing", "there is no line 'function: NAME'"),
        ("function: gate\n", "stream.txt:1: gate: no control was heard"),
        ("function: keep\nb0 10 01\nb0 10 02\nb0 10 05\nb0 10 08", "stream.txt:1: keep: keep is for a button"),
    ],
)
def test_a_bad_stream_is_refused_and_nothing_is_written(tmp_path, text, what):
    (tmp_path / "stream.txt").write_text(text)
    made = run(tmp_path / "box.yaml", "--from", tmp_path / "stream.txt")
    assert made.exit_code == 2 and what in made.output, made.output
    assert not (tmp_path / "box.yaml").exists()


def test_a_control_that_would_do_two_things_is_refused_and_the_file_stays(tmp_path):
    path = tmp_path / "box.yaml"
    run(path, "--from", recorded(tmp_path / "one.txt", gate=streams.knob_7(random.Random(1), 1, 20)))
    before = path.read_bytes()
    made = run(path, "--from", recorded(tmp_path / "two.txt", homing=streams.knob_7(random.Random(1), 1, 20)))
    assert made.exit_code == 2 and "serves two controls" in made.output and path.read_bytes() == before


def test_a_bad_profile_is_not_edited(tmp_path):
    path = tmp_path / "box.yaml"
    path.write_text("profile: 1\ncontrols:\n  - {sends: cc 20, moves: gaet}\n")
    made = run(path, "--from", box_stream(tmp_path / "stream.txt"))
    assert made.exit_code == 2 and f"{path}:3:" in made.output
    assert "gaet" in path.read_text()


def test_a_port_or_a_stream_must_be_named(tmp_path):
    made = run(tmp_path / "box.yaml")
    assert made.exit_code == 2 and "--port" in made.output


# -- real ports -----------------------------------------------------------------------------------

_BOX = """
import sys, time, rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="knobbly")
out.open_virtual_port("out")
print("ready", flush=True)
for line in sys.stdin:
    data = bytes.fromhex(line)
    if data:
        out.send_message(list(data))
        time.sleep(0.004)
"""


@pytest.mark.real
def test_a_box_on_a_real_port_is_learnt_while_a_person_answers(tmp_path):
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "daemon"), "PYTHONUNBUFFERED": "1"}
    box = subprocess.Popen([sys.executable, "-c", _BOX], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    learn = None
    try:
        assert box.stdout.readline() == "ready\n"
        code = "from replank.cli.main import main; main()"
        learn = subprocess.Popen(
            [sys.executable, "-c", code, "learn", str(tmp_path / "box.yaml"), "--port", "knobbly", "--api", "jack"]
            + ["-f", "homing", "-f", "leap", "-f", "mute", "--yes"],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, text=True, env=env,
        )  # fmt: skip
        dice = random.Random(4)
        turns = {
            "homing": streams.knob_14(dice, 1, 7),
            "leap": streams.encoder(dice, 1, 30, "twos-complement"),
            "mute": streams.pressed(b"\x90\x24\x7f", b"\x80\x24\x00"),
        }
        said = []
        watchdog = threading.Timer(40, learn.kill)
        watchdog.start()
        for line in learn.stdout:
            said.append(line)
            for function, messages in turns.items():
                if line.startswith(f"{function}: turn"):
                    time.sleep(0.05)
                    box.stdin.write("".join(data.hex() + "\n" for data in messages))
                    box.stdin.flush()
        watchdog.cancel()
        assert learn.wait(10) == 0, "".join(said)
        assert "3 controls written" in "".join(said)
    finally:
        for process in (box, learn):
            if process is not None:
                process.kill()
                process.wait()
                for pipe in (process.stdin, process.stdout):
                    if pipe is not None:
                        pipe.close()
    assert {function for control in learnt(tmp_path / "box.yaml").controls for function in control.functions} == set(
        turns
    )


@pytest.mark.real
def test_a_port_that_is_not_there_is_said_with_those_that_are(tmp_path):
    made = run(tmp_path / "box.yaml", "--port", "no such box", "--api", "jack")
    assert made.exit_code == 3 and "no port fits 'no such box'" in made.output, made.output
