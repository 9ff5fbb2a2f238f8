"""What keys do in each mode."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.keyboard import MODES, KeyboardReader
from replank.line.pitch import CLASS_NAMES
from tests.control.stage import acts, notices, sets


def play(reader: KeyboardReader, *notes: int) -> list:
    made = []
    for note in notes:
        made += reader.message(bytes((0x90, note, 100)), 0)
        made += reader.message(bytes((0x80, note, 0)), 0)
    return made


def test_transpose_is_from_middle_c_and_stays():
    # note 60 is middle C (MIDI 1.0 Detailed Specification, p. 10)
    assert sets(play(KeyboardReader(), 60, 67, 48)) == [("transpose", 0), ("transpose", 7), ("transpose", -12)]


def test_transpose_beyond_two_octaves_is_clamped_and_said():
    made = play(KeyboardReader(), 127)
    assert sets(made) == [("transpose", 24)] and notices(made, "clamped")[0]["shown"] == "24"


@given(st.integers(0, 127))
def test_root_takes_the_pitch_class(note):
    assert sets(play(KeyboardReader("root"), note)) == [("root", CLASS_NAMES[note % 12])]


def test_write_gives_the_selected_step_and_moves_on_round_the_line():
    reader = KeyboardReader("write", selected=15, length=16)
    assert acts(play(reader, 60, 62, 64)) == [
        "note:15:60",
        "select:16",
        "note:16:62",
        "select:1",
        "note:1:64",
        "select:2",
    ]
    reader.selected = 7
    assert acts(play(reader, 65)) == ["note:7:65", "select:8"]


def test_catch_takes_as_many_notes_as_the_line_has():
    reader = KeyboardReader("catch", length=4)
    made = play(reader, 60, 62, 64)
    assert made == []
    (caught,) = play(reader, 65)
    assert (caught.kind, caught.value, caught.data) == ("catch", (60, 62, 64, 65), {"velocities": [100] * 4})
    assert play(reader, 70) == []


def test_a_shortened_line_catches_the_last_notes():
    reader = KeyboardReader("catch", length=8)
    play(reader, 60, 62, 64, 65)
    reader.length = 3
    assert play(reader, 67)[0].value == (64, 65, 67)


def test_off_and_other_messages_do_nothing():
    assert play(KeyboardReader("off"), 60) == []
    for mode in MODES:
        reader = KeyboardReader(mode)
        for data in (b"", b"\x90\x3c", b"\x90\x3c\x00", b"\xb0\x01\x40", b"\xf8", b"\x90\x3c\x40\x00"):
            assert reader.message(data, 0) == []


def test_modes_are_checked_and_begin_afresh():
    reader = KeyboardReader("catch", length=2)
    play(reader, 60)
    reader.set_mode("catch")
    assert play(reader, 62) == []
    with pytest.raises(ValueError, match="not one of transpose, root, write, catch, off"):
        reader.set_mode("sing")


@given(st.sampled_from(MODES), st.lists(st.integers(0, 127), max_size=20), st.integers(0, 20))
def test_saved_and_restored_it_goes_on_the_same(mode, notes, at):
    whole, part, restored = (KeyboardReader(mode, length=5) for _ in range(3))
    expected = play(whole, *notes)
    made = play(part, *notes[:at])
    restored.load(json.loads(json.dumps(part.save())))
    assert made + play(restored, *notes[at:]) == expected
