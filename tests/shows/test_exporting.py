"""Exported files: what was sent, where it was, read back by libraries that are not ours.

The readers are mido's own player arithmetic and symusic; the rules are those
of the Standard MIDI File 1.1 (tempo in microseconds per quarter note).
"""

import random
from pathlib import Path
from typing import Any

import mido
import pytest
import symusic

from replank.control.setup import Clock, Setup
from replank.host.files import load_set
from replank.host.shows import schema
from replank.host.shows.comparing import is_note_on
from replank.host.shows.exporting import export, piece_text, pulse_map
from replank.host.shows.lasting import kept_at
from replank.host.shows.reading import Archive
from replank.midi.files import write_score
from replank.performer import Performer
from replank.performer.events import Act, Assign, Midi
from tests.shows.stage import BUSY, CLOCK, SETUP, START, record

MS = 1_000_000
PULSE = Midi(0, bytes((0x90, 60, 100)))


def uneven(count: int, seed: int = 4, wander: int = 4 * MS) -> list[tuple[int, Any]]:
    random_ = random.Random(seed)
    return [(CLOCK[0] + random_.randrange(-wander, wander), CLOCK[1]) for _ in range(count)]


def exported(path: Path, out: Path, begin: int = 0, end: int | None = None) -> tuple[Any, list[tuple[float, bytes]]]:
    """Export a show's part; return what export said and the note-ons as recorded, in seconds from the part's begin."""
    with Archive(path) as archive:
        show = archive.find("last")
        start, stop = show.base + begin, archive.last_time(show) if end is None else show.base + end
        made = export(archive, show, start, stop)
        write_score(out, made.score)
        notes = [((o.now - start) / 1e9, bytes(o.what[1])) for o in archive.stream(show, "outputs")
                 if start <= o.now <= stop and is_note_on(o.what[1])]  # fmt: skip
        return made, notes


def file_notes(out: Path) -> list[tuple[float, bytes]]:
    now, found = 0.0, []
    for message in mido.MidiFile(out):
        now += message.time
        if message.type == "note_on" and message.velocity:
            found.append((now, bytes(message.bytes())))
    return found


def markers(out: Path) -> list[str]:
    return [m.text for m in mido.MidiFile(out, charset="utf-8").tracks[0] if m.type == "marker"]


Notes = list[tuple[float, bytes]]


def assert_where_they_were(found: Notes, recorded: Notes, within: float) -> None:
    assert len(found) == len(recorded) > 20
    by_note = lambda pair: (pair[1], pair[0])  # noqa: E731  # the order of tracks in the file is not that of sending
    for (at, data), (then, sent) in zip(sorted(found, key=by_note), sorted(recorded, key=by_note), strict=True):
        assert data == sent and abs(at - then) < within


def test_an_uneven_clock_lands_where_it_was(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    record(path, [*uneven(17), START, BUSY, *uneven(1500)])
    made, recorded = exported(path, out)
    # a tick is at most half a millisecond at 60 BPM; the map itself is held to 0.1 ms
    assert_where_they_were(file_notes(out), recorded, 0.0008)
    assert made.notes == len(recorded) and made.clocks == 1517


def test_a_steady_tempo_is_refused(tmp_path):
    """The control: the same notes laid on one even tempo are not where they were."""
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    record(path, [START, BUSY, *uneven(1500)])
    made, recorded = exported(path, out)
    made.score.tempos = [(0, 500_000)]
    write_score(out, made.score)
    with pytest.raises(AssertionError):
        assert_where_they_were(file_notes(out), recorded, 0.0008)


def test_the_first_step_is_a_bar_line_and_steps_lie_on_the_grid(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    plain = Setup(values={"swing": 50.0, "ratchet_chance": 0.0, "rest_chance": 0.0})
    record(path, [*uneven(17), START, *uneven(600)], setup=plain)
    exported(path, out)
    score = symusic.Score(out)
    ticks = sorted(note.time for track in score.tracks for note in track.notes)
    assert ticks[0] % (4 * score.ticks_per_quarter) == 0
    assert all(tick % (score.ticks_per_quarter // 4) == 0 for tick in ticks) and len(ticks) == 100


def test_a_clock_that_pauses_and_changes_tempo(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    steps = [START, BUSY, *[CLOCK] * 200, (3_100 * MS, CLOCK[1]), *[(9 * MS, CLOCK[1])] * 200]
    steps += [(0, Midi(0, b"\xfc")), (31_000 * MS, Midi(0, b"\xfb")), *[(70 * MS, CLOCK[1])] * 100]
    record(path, steps)
    _, recorded = exported(path, out)
    assert_where_they_were(file_notes(out), recorded, 0.002)


def test_uneven_pulses_land_where_they_were(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    random_ = random.Random(8)
    pauses = [random_.choice((90, 140, 400, 1500, 30_000)) * MS for _ in range(200)]
    setup = Setup(clock=Clock(mode="pulses"), values={"rest_chance": 0.0, "slide_chance": 0.0})
    record(path, [(pause, PULSE) for pause in pauses], setup=setup)
    made, recorded = exported(path, out)
    assert made.clocks >= 199
    # at the slowest tempo that a file can hold a tick is 17.5 ms; pulses themselves have exact ticks
    assert_where_they_were(file_notes(out), recorded, 0.002)


def test_pulses_keep_the_division_between_them():
    ticks = pulse_map([0, 125 * MS, 300 * MS, 100_300 * MS], 240)
    assert [tick for _, tick in ticks.knots[:3]] == [0, 240, 480]
    assert (ticks.knots[3][1] - 480 - 240) % 960 == 0


def test_the_internal_clock_is_found_by_replaying(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    setup = Setup(clock=Clock(source="internal"), values={"tempo": 90.0, "rest_chance": 0.0})
    record(path, [(0, Act("start")), *[(50 * MS, Midi(1, b"\xb0\x10\x10"))] * 300], setup=setup)
    made, recorded = exported(path, out)
    assert made.clocks > 500
    assert_where_they_were(file_notes(out), recorded, 0.001)
    tempos = [mido.tempo2bpm(m.tempo) for m in mido.MidiFile(out).tracks[0] if m.type == "set_tempo"]
    assert 89.9 < sorted(tempos)[len(tempos) // 2] < 90.1


def test_a_show_without_a_clock_has_an_even_tempo(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    record(path, [(50 * MS, Assign({"rest_chance": 0.3}))], [(50 * MS, Act("star", ("x",)))])
    made, _ = exported(path, out)
    assert made.clocks == 0 and made.notes == 0
    assert markers(out) == ["star at cycle 1 x"]


def test_mutations_pieces_stars_and_gaps_are_markers(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    stage_acts = [(0, Act("star", ("the turn",))), (0, Act("keep", ("blue",))), (0, Act("piece", ("2",), "now"))]
    record(path, [START, BUSY, *[CLOCK] * 900, *stage_acts, *[CLOCK] * 300])
    exported(path, out)
    texts = markers(out)
    with Archive(path) as archive:
        show = archive.find("last")
        mutations = [i.what[1]["text"] for i in archive.stream(show, "notices") if i.what[0] == "mutation"]
        assert archive.marks(show, schema.PIECE)
    assert len(mutations) > 5
    for text in (*mutations, "the turn", "blue", "Meridian"):
        assert any(text in marker for marker in texts)


def test_a_part_of_a_show_stands_alone(tmp_path):
    path, out = tmp_path / "shows.db", tmp_path / "part.mid"
    record(path, [START, BUSY, *uneven(1500)])
    _, recorded = exported(path, out, 10_000 * MS, 20_000 * MS)
    assert_where_they_were(file_notes(out), recorded, 0.0008)
    opened: dict[tuple[int, int], int] = {}
    for track in mido.MidiFile(out).tracks:
        for message in track:
            if message.type in ("note_on", "note_off"):
                key = (message.channel, message.note)
                if message.type == "note_on" and message.velocity:
                    opened[key] = opened.get(key, 0) + 1
                else:
                    opened[key] = opened.get(key, 0) - 1
                    assert opened[key] >= 0, "the release of a note that is not in the file"
    assert not any(opened.values())


def test_the_line_of_a_cycle_becomes_a_piece(tmp_path):
    path = tmp_path / "shows.db"
    setup = Setup(values={"root": "A", "scale": "dorian", "length": 11, "rest_chance": 0.4})
    record(path, [START, (0, Assign({"mutation_chance": 1.0})), *[CLOCK] * 1500, (0, Act("pin", ("3",))),
                  *[CLOCK] * 200], setup=setup)  # fmt: skip
    with Archive(path) as archive:
        kept = kept_at(archive, archive.find("last"), 20)
    assert kept is not None
    (tmp_path / "tonight.yaml").write_text(piece_text(kept, setup, "Open Night, cycle 20"))
    piece = load_set(tmp_path / "tonight.yaml").pieces[0]
    assert piece.name == "Open Night, cycle 20" and len(piece.line) == 11
    assert piece.values["root"] == "A" and piece.values["scale"] == "dorian" and piece.values["rest_chance"] == 0.4
    # Brought in again it is the same line: words, rolls and home, step for step.
    p = Performer(load_set(tmp_path / "tonight.yaml"), 1)
    assert p.melody.steps[:11] == list(kept.form.steps[:11])
    assert p.melody.home[:11] == list(kept.form.home[:11])
    assert p.melody.home[:11] != p.melody.steps[:11], "the line has wandered from its home"


@pytest.mark.parametrize("setup", [SETUP, Setup()])
def test_two_outputs_are_two_tracks(tmp_path, setup):
    path, out = tmp_path / "shows.db", tmp_path / "show.mid"
    record(path, [START, BUSY, *[CLOCK] * 300], setup=setup)
    exported(path, out)
    assert [track.name for track in mido.MidiFile(out).tracks[1:]] == [voice.name for voice in setup.voices]
