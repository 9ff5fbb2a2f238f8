"""Editing a profile's text: what was not learnt stays character for character."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.host.files.mistakes import BadFile
from replank.host.files.profile_editing import Learnt, ProfileFile, written
from replank.host.files.yaml_reader import parse_yaml

GATE = {"label": "gate", "sends": "cc 110", "channel": 5, "moves": "gate"}
SHIPPED = Path(__file__).parents[2] / "profiles"


def edited(tmp_path: Path, text: str, *entries: dict) -> str:
    path = tmp_path / "box.yaml"
    path.write_bytes(text.encode())
    file = ProfileFile(path)
    for entry in entries:
        file.add(Learnt(entry, "heard: new"))
    file.save()
    return path.read_bytes().decode()


def test_an_entry_in_braces_changes_in_place(tmp_path):
    text = (
        "profile: 1\ncontrols:\n  # heard: old\n"
        "  - {label: 'my gate', sends: cc 3/35, relative: offset-64, moves: gate, from: 0.9}  # red\n  # b\n"
    ).replace("cc 3/35", "cc 3")
    assert edited(tmp_path, text, GATE) == (
        "profile: 1\ncontrols:\n  # heard: new\n"
        "  - {label: 'my gate', sends: cc 110, channel: 5, moves: gate, from: 0.9}  # red\n  # b\n"
    )


def test_an_entry_on_lines_changes_in_place(tmp_path):
    text = (
        "profile: 1\ncontrols:\n- label: my gate # left\n  sends: cc 3 # was red\n  latching: no\n"
        "  # mine\n  moves: gate\n  from: 0.9\n\n# end\n"
    )
    assert edited(tmp_path, text, GATE) == (
        "profile: 1\ncontrols:\n- label: my gate # left\n  sends: cc 110 # was red\n  channel: 5\n"
        "  # mine\n  moves: gate\n  from: 0.9\n\n# end\n"
    )


def test_a_knob_that_became_a_button_changes_its_key(tmp_path):
    text = "profile: 1\ncontrols:\n  - {sends: cc 3, moves: mute}\n"
    entry = {"label": "mute", "sends": "note 36", "channel": 1, "toggles": "mute"}
    assert edited(tmp_path, text, entry) == (
        "profile: 1\ncontrols:\n  - {sends: note 36, label: mute, channel: 1, toggles: mute}\n"
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("profile: 1\ncontrols:\n  - {sends: cc 3, moves: swing}\n", "  # heard: new\n  - {label: gate"),
        ("profile: 1\ncontrols:\n  - {sends: cc 3, moves: swing}", "\n  # heard: new\n  - {label: gate"),
        (
            "profile: 1\ncontrols:\n- sends: cc 3\n  moves: swing\n\ntitle: x\n",
            "  moves: swing\n# heard: new\n- {label: gate",
        ),
        ("profile: 1\r\ncontrols:\r\n  - {sends: cc 3, moves: swing}\r\n", "  # heard: new\r\n  - {label: gate"),
        (
            "profile: 1\ncontrols: [] # none\nsteps: [{pushes: note 48}]\n",
            "controls:  # none\n  # heard: new\n  - {label: gate",
        ),
        ("profile: 1\nsteps: [{pushes: note 48}]", "\n\ncontrols:\n  # heard: new\n  - {label: gate"),
    ],
)
def test_a_new_entry_comes_last_and_nothing_else_changes(tmp_path, text, expected):
    made = edited(tmp_path, text, GATE)
    assert expected in made
    kept = [line for line in text.splitlines() if not line.startswith("controls: []")]
    assert [line for line in kept if line not in made.splitlines()] == []


@pytest.mark.parametrize("name", ["eight-knobs-eight-buttons", "keyboard-modwheel", "sixteen-encoders"])
def test_shipped_profiles_keep_every_line(tmp_path, name):
    text = (SHIPPED / f"{name}.yaml").read_text()
    entry = {"label": "reroll", "sends": "cc 119", "channel": 16, "moves": "reroll"}
    made = edited(tmp_path, text, entry).splitlines()
    assert [line for line in made if line not in text.splitlines()][-2:] == [
        "  # heard: new",
        "  - {label: reroll, sends: cc 119, channel: 16, moves: reroll}",
    ]
    assert [line for line in text.splitlines() if line not in made] == []


def test_controls_in_brackets_are_left_to_a_person(tmp_path):
    with pytest.raises(BadFile, match="change it by hand"):
        edited(tmp_path, "profile: 1\ncontrols: [{sends: cc 3, moves: swing}]\n", GATE)


def test_what_does_not_fit_changes_nothing(tmp_path):
    path = tmp_path / "box.yaml"
    path.write_text("profile: 1\ncontrols:\n  - {sends: cc 110, moves: swing}\n")
    file = ProfileFile(path)
    before = file.text
    with pytest.raises(BadFile, match="serves two controls"):
        file.add(Learnt(GATE, "heard: new"))
    assert file.text == before


@given(st.text(max_size=30))
def test_every_text_is_read_back_as_it_was_written(text):
    shown = "".join(char if char.isprintable() else " " for char in text)
    top = parse_yaml(f"a: {written(text)}\nb: [{written(text)}]\nc: {{d: {written(text)}}}\n".encode(), "x")
    node = top.pairs["a"][1]
    assert node.text == shown or (not shown.strip() and not node.text.strip())
