"""Scores and files, beside what other readers say of them (tests/reference)."""

from pathlib import Path

import mido
import pytest

from replank.midi.files import Score, Track, hanging, key_signature, safe_text, to_bytes, write_score
from replank.whole_file import write_whole

ON, OFF = bytes.fromhex("90 3C 40"), bytes.fromhex("80 3C 40")


def read(score: Score) -> mido.MidiFile:
    from io import BytesIO

    return mido.MidiFile(file=BytesIO(to_bytes(score)), charset="utf-8")


@pytest.mark.parametrize(
    ("events", "left"),
    [
        ([(0, ON), (5, OFF)], []),
        ([(0, ON), (5, bytes.fromhex("90 3C 00"))], []),
        ([(0, ON)], [(0, 60)]),
        ([(0, ON), (1, ON), (5, OFF)], [(0, 60)]),
        ([(0, OFF), (0, ON)], [(0, 60)]),
        ([(0, bytes.fromhex("93 3C 40")), (5, OFF)], [(3, 60)]),
        ([(0, bytes.fromhex("C0 05")), (0, bytes.fromhex("FC"))], []),
    ],
)
def test_what_hangs(events: list[tuple[int, bytes]], left: list[tuple[int, int]]):
    assert hanging(events) == left


def test_what_a_file_cannot_hold_is_left_out():
    events = [(0, ON), (0, b"\xf8"), (1, b"\xfa"), (1, b"\xf2\x04\x00"), (1, b"\xfe"), (2, OFF)]
    assert [m.type for m in read(Score(tracks=[Track("x", events)])).tracks[1]] == [
        "track_name", "note_on", "note_off", "end_of_track",
    ]  # fmt: skip


def test_system_exclusive_is_kept():
    made = read(Score(tracks=[Track("x", [(0, b"\xf0\x7d\x01\x02\xf7")])]))
    assert made.tracks[1][1].bytes() == [0xF0, 0x7D, 0x01, 0x02, 0xF7]


def test_events_of_one_tick_keep_their_order():
    events = [(10, OFF), (10, bytes.fromhex("B0 14 7F")), (10, ON), (3, ON)]
    assert [m.type for m in read(Score(tracks=[Track("x", events)])).tracks[1][1:-2]] == [
        "note_on", "note_off", "control_change", "note_on",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("score", "message"),
    [
        (Score(tracks=[Track("x", [(-1, ON)])]), "tick -1 cannot follow"),
        (Score(tracks=[Track("x", [(0, b"\x90\x3c")])]), "90 3c is not one whole MIDI message"),
        (Score(tempos=[(0, 2**24)]), "tempo"),
        (Score(meters=[(0, "3/5")]), r"denominator|power"),
        (Score(end=2**28), "cannot follow tick 0"),
    ],
)
def test_what_is_no_score_is_refused(score: Score, message: str):
    with pytest.raises(ValueError, match=message):
        to_bytes(score)


@pytest.mark.parametrize("name", ["Łódź", "夜", "Ωρίων", "first\nlight\x00", "\ud800 alone", "🔭"])
def test_names_of_any_script(name: str):
    made = read(Score(name=name, tracks=[Track(name, [])], markers=[(0, name)]))
    assert made.tracks[1].name == safe_text(name)
    assert "\n" not in safe_text(name)
    assert made.tracks[0].name == safe_text(name)


@pytest.mark.parametrize(
    ("root", "scale", "key"),
    [("D", "minor pentatonic", None), ("C", "whole tone", None), ("X", "ionian", None), ("D", "dorian", "C")],
)
def test_only_church_modes_have_a_signature(root: str, scale: str, key: str | None):
    assert key_signature(root, scale) == key


# -- never half a file ---------------------------------------------------------


def check_whole(write, folder: Path) -> None:
    place = folder / "line.mid"
    place.write_bytes(b"old")

    class Bad(Score):
        @property
        def meters(self):
            raise RuntimeError("in the middle")

        @meters.setter
        def meters(self, value):
            pass

    for score in (Bad(), Score(tracks=[Track("x", [(0, ON), (1, b"\xff\xff")])])):
        with pytest.raises((RuntimeError, ValueError)):
            write(place, score)
        assert place.read_bytes() == b"old"
        assert [p.name for p in folder.iterdir()] == ["line.mid"]
    write(place, Score(tracks=[Track("x", [(0, ON), (5, OFF)])]))
    assert place.read_bytes()[:4] == b"MThd"
    assert [p.name for p in folder.iterdir()] == ["line.mid"]


def test_a_failure_leaves_the_old_file(tmp_path: Path):
    check_whole(write_score, tmp_path)


def test_a_writer_that_opens_the_file_first_is_rejected(tmp_path: Path):
    def careless(path: Path, score: Score) -> None:
        with path.open("wb") as file:
            file.write(to_bytes(score))

    with pytest.raises(AssertionError):
        check_whole(careless, tmp_path)


def test_a_link_stays_a_link(tmp_path: Path):
    (tmp_path / "real").write_bytes(b"old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_whole(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_bytes() == b"new"


@pytest.mark.parametrize("name", ["folder", "absent/line.mid"])
def test_a_place_that_cannot_be_written(tmp_path: Path, name: str):
    (tmp_path / "folder").mkdir()
    with pytest.raises(OSError) as caught:
        write_whole(tmp_path / name, b"new")
    assert caught.value.filename == str(tmp_path / name)
    assert [p.name for p in tmp_path.iterdir()] == ["folder"]


def test_a_device_is_not_replaced():
    with pytest.raises(OSError, match="not a file"):
        write_whole("/dev/null", b"new")
