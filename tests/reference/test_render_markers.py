"""A rendered file, judged from outside: what the markers say is what the notes do.

Notes and controllers are read by symusic, markers by it and by music21's raw
reader (which alone keeps the order of those at one tick), hanging notes and
the end of the tracks by the latter, note names by music21's `Pitch` (note 60
is C4).  The render has no slides and no ratchets, so that every step is a note
of its own or a rest.
"""

import re
from io import BytesIO
from pathlib import Path
from typing import Any

import mido
import pytest
import symusic
from click.testing import CliRunner
from music21 import midi as music21_midi
from music21.pitch import Pitch

from replank.cli.main import main
from tests.reference.test_midi_files import ends, left_sounding, raw

LENGTH, STEP = 12, 240
Cell = tuple[int, int] | None
"""(note, velocity) of a step, or None for a rest."""
TEXT = re.compile(
    r"cycle (\d+) · step (\d+) (?P<before>\S+?)( → (?P<after>\S+?))?"
    r"(?P<accent>, (un)?accented)?(?P<velocity>, velocity \S+ → \S+)? · (?P<kind>[a-z]+)"
    r"( with step (?P<partner>\d+))?(?P<silent> \(silent\))?"
)


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    out = tmp_path_factory.mktemp("render") / "line.mid"
    words = (
        f"render --cycles 200 --seed 11 -p scale=dorian -p length={LENGTH} -p mutation_chance=1 -p mutation_count=2"
        f" -p slide_chance=0 -p settle_new=0 --out {out}"
    )
    done = CliRunner().invoke(main, words.split())
    assert done.exit_code == 0, done.output
    return Path(out).read_bytes()


def read(data: bytes) -> tuple[dict[tuple[int, int], Cell], dict[tuple[int, int], Any], list[tuple[int, str]]]:
    """Return notes and velocity controllers by (cycle, step), and the markers."""
    score = symusic.Score.from_midi(data)
    cells: dict[tuple[int, int], Cell] = {}
    rolls: dict[tuple[int, int], Any] = {}
    (track,) = score.tracks
    for note in track.notes:
        place, rest = divmod(note.time, STEP)
        assert rest == 0, "a note off the grid"
        assert (place // LENGTH + 1, place % LENGTH + 1) not in cells
        cells[place // LENGTH + 1, place % LENGTH + 1] = (note.pitch, note.velocity)
    for control in track.controls:
        if control.number == 21:
            place = control.time // STEP
            rolls[place // LENGTH + 1, place % LENGTH + 1] = control.value
    now, markers = 0, []
    for event in raw(data).tracks[0].events:
        if event.isDeltaTime():
            now += event.time
        elif event.type == music21_midi.MetaEvents.MARKER:
            markers.append((now, event.data.decode()))
    assert sorted(markers) == sorted((m.time, m.text) for m in score.markers)
    return cells, rolls, markers


def check_markers(data: bytes) -> int:
    """Hold every marker against the notes, and every change of a note against the markers.

    A step that changes twice at one moment (chosen itself, and as a partner)
    has two markers, of which the first tells of before and the last of after.
    """
    cells, rolls, markers = read(data)
    told: dict[tuple[int, int], list[re.Match[str]]] = {}
    for tick, text in markers:
        found = TEXT.fullmatch(text)
        assert found, text
        cycle, step = int(found[1]), int(found[2])
        assert tick == (cycle - 1) * LENGTH * STEP, f"{text!r} stands elsewhere"
        told.setdefault((cycle, step), []).append(found)
    for (cycle, step), some in told.items():
        before, after = cells.get((cycle - 1, step)), cells.get((cycle, step))
        if all(one["silent"] for one in some):
            assert before == after, f"{some[0][0]!r} is heard"
            continue
        if not some[0]["silent"]:
            check_name(some[0]["before"], before, some[0][0])
        if not some[-1]["silent"]:
            check_name(some[-1]["after"] or some[-1]["before"], after, some[-1][0])
        changed = (before, rolls.get((cycle - 1, step))) != (after, rolls.get((cycle, step)))
        assert changed or len(some) > 1 or some[0]["velocity"], f"{some[0][0]!r} and nothing changed"
    for (cycle, step), cell in cells.items():
        if cycle > 1 and cells.get((cycle - 1, step)) != cell:
            assert (cycle, step) in told, f"cycle {cycle}, step {step} changed and no marker says so"
    assert sum(len(some) > 1 for some in told.values()) < len(told) / 10
    return len(markers)


def check_name(name: str, cell: Cell, text: str) -> None:
    if name == "rest":
        assert cell is None, f"{text!r} but the step sounds"
        return
    assert cell, f"{text!r} but the step rests"
    assert cell[0] == Pitch(name.replace("b", "-")).midi, f"{text!r} but {cell}"


def test_every_marker_matches_a_change_and_every_change_a_marker(rendered: bytes):
    assert check_markers(rendered) > 150


def test_all_kinds_and_a_silent_one_are_told(rendered: bytes):
    found = [match for _, text in read(rendered)[2] if (match := TEXT.fullmatch(text))]
    kinds = {match["kind"] for match in found}
    assert kinds == {"substitute", "neighbour", "swap", "octave", "rest", "accent", "velocity", "home"}
    assert any(match["silent"] for match in found)


def again(data: bytes, change) -> bytes:
    """Return the file with its markers changed."""
    made = mido.MidiFile(file=BytesIO(data), charset="utf-8")
    now, rows = 0, []
    for message in made.tracks[0]:
        now += message.time
        if message.type not in ("marker", "end_of_track"):
            rows.append((now, message))
    rows += [(time, mido.MetaMessage("marker", text=text)) for time, text in change(read(data)[2])]
    rows.sort(key=lambda row: row[0])
    times = [0, *(time for time, _ in rows)]
    made.tracks[0] = mido.MidiTrack(m.copy(time=b - a) for a, (b, m) in zip(times, rows, strict=False))
    written = BytesIO()
    made.save(file=written)
    return written.getvalue()


def test_markers_survive_being_written_again(rendered: bytes):
    assert check_markers(again(rendered, lambda markers: markers)) > 150


@pytest.mark.parametrize(
    "lie",
    [
        lambda markers: [m for m in markers if "silent" in m[1]],
        lambda markers: [(time + LENGTH * STEP, text) for time, text in markers],
        lambda markers: [(time, text + ("" if "silent" in text else " (silent)")) for time, text in markers],
        lambda markers: [(time, re.sub(r"step (\d+)", lambda m: f"step {int(m[1]) % LENGTH + 1}", text, count=1))
                         for time, text in markers],
    ],
    ids=["left out", "a cycle late", "called silent", "of the next step"],
)  # fmt: skip
def test_markers_that_lie_are_rejected(rendered: bytes, lie):
    with pytest.raises(AssertionError):
        check_markers(again(rendered, lie))


def test_no_note_hangs_and_the_tracks_end_with_the_last_cycle(rendered: bytes):
    whole = raw(rendered)
    assert not left_sounding(whole)
    assert set(ends(whole)) == {200 * LENGTH * STEP}


def test_the_tempo_is_96(rendered: bytes):
    assert [(t.time, t.mspq) for t in symusic.Score.from_midi(rendered).tempos] == [(0, 625_000)]
