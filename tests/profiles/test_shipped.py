"""The profiles that come with the program."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from replank.control.profiles import Profile
from replank.host.files.drawing import draw_profile
from replank.host.files.mistakes import BadFile
from replank.host.files.profiles import read_profile
from replank.host.files.yaml_reader import parse_yaml, read_yaml
from tests.control.stage import Stage, acts

FOLDER = Path(__file__).parents[2] / "profiles"
NAMES = ("eight-knobs-eight-buttons", "keyboard-modwheel", "sixteen-encoders")


def shipped(name: str) -> Profile:
    return Profile.from_plain(json.loads(json.dumps(read_profile(read_yaml(FOLDER / f"{name}.yaml")))))


def test_these_are_shipped():
    assert sorted(path.stem for path in FOLDER.glob("*.yaml")) == list(NAMES)


def test_eight_knobs_and_eight_buttons():
    profile = shipped(NAMES[0])
    assert len(profile.controls) == 16
    functions = {function for control in profile.controls for function in control.functions}
    assert {"keep", "keep_last", "mute", "join", "end", "panic"} <= functions
    stage = Stage(profile)
    pressed = acts([one for n in range(36, 44) for one in stage.send(0x90, n, 100) + stage.send(0x80, n, 0)])
    assert pressed == ["keep", "keep_last", "undo", "join", "end", "panic"]
    assert stage.values["hold"] is True and stage.values["mute"] is True


def test_the_tension_knob_moves_the_parameter_tension_alone():
    stage = Stage(shipped(NAMES[0]))
    before = dict(stage.values)
    stage.cc(109, 64, 0)
    assert stage.values == {**before, "tension": 0.0}
    stage.cc(109, 127)
    stage.wait(10)
    assert stage.values == {**before, "tension": 1.0}


def test_no_shipped_control_shares_its_parameter_or_message():
    """Nothing is declared as shared, and nothing would have to be: reading refuses what two controls do."""
    for name in NAMES:
        assert "shared:" not in (FOLDER / f"{name}.yaml").read_text(encoding="utf-8")
        assert shipped(name).controls
    text = (FOLDER / f"{NAMES[0]}.yaml").read_text(encoding="utf-8")
    two = text.replace("moves: tension}", "moves: homing}")
    assert two != text
    with pytest.raises(BadFile, match="homing"):
        read_profile(parse_yaml(two.encode(), "box.yaml"))


def test_sixteen_encoders_and_their_pushes():
    stage = Stage(shipped("sixteen-encoders"))
    made = [one for n in range(16) for one in stage.cc(102 + n, 1) + stage.send(0x90, 48 + n, 90)]
    assert acts(made) == [word for n in range(1, 17) for word in (f"pitch:{n}:+1", f"flip:{n}")]


def test_keyboard_with_mod_wheel():
    stage = Stage(shipped("keyboard-modwheel"), mutation_chance=0.5)
    stage.cc(1, 64, 0)
    assert stage.values["mutation_chance"] == 0.0
    stage.cc(64, 127)
    assert stage.values["hold"] is True
    stage.cc(64, 0)
    assert stage.values["hold"] is False
    assert acts(stage.send(0xC0, 0)) == ["piece:1"]


@pytest.mark.parametrize("name", NAMES)
def test_every_control_is_in_the_drawing_with_its_message(name):
    profile = shipped(name)
    drawing = draw_profile(profile)
    lines = drawing.splitlines()
    assert lines[0] == profile.title and max(len(line) for line in lines) <= 120
    for control in profile.controls:
        assert control.label in drawing and control.source.words in drawing
        for function in control.functions:
            assert function in drawing
    boxes = [line for line in lines if line.startswith("|")]
    assert boxes and all(line.endswith("|") for line in boxes)
