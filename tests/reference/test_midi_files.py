"""Standard MIDI Files read back by other programs' readers.

Format: Standard MIDI-File Format Spec. 1.1 (International MIDI Association).
Readers: symusic (notes, tempo, meter, key, markers, in ticks) and music21's
`midi.MidiFile`, which keeps raw events and so can show a hanging note and the
end of a track; readers of notes hide both.
"""

from collections import Counter
from io import BytesIO
from pathlib import Path

import mido
import pytest
import symusic
from hypothesis import given
from hypothesis import strategies as st
from music21 import key
from music21 import midi as music21_midi
from music21 import scale as music21_scale

from replank.line.pitch import CLASS_NAMES
from replank.midi import files
from replank.midi.files import Score, Track, key_signature, to_bytes
from replank.midi.tempo import TICKS, tempo_us

notes = st.lists(
    st.tuples(st.integers(0, 15), st.integers(0, 127), st.integers(1, 127), st.integers(0, 3_000), st.integers(1, 500)),
    max_size=20,
    unique_by=lambda n: (n[0], n[1]),
)
"""(channel from 0, note, velocity, tick, ticks long); no pitch overlaps itself."""


def score_of(some: list[tuple[int, int, int, int, int]], **others) -> Score:
    events = [(tick, bytes([0x90 | ch, note, velocity])) for ch, note, velocity, tick, _ in some]
    events += [(tick + long, bytes([0x80 | ch, note, 64])) for ch, note, _, tick, long in some]
    return Score(tracks=[Track("line", events)], **others)


def raw(data: bytes) -> music21_midi.MidiFile:
    """Return every event as music21 reads it."""
    read = music21_midi.MidiFile()
    read.readstr(data)
    return read


def left_sounding(read: music21_midi.MidiFile) -> Counter:
    """Return (track, channel, note) -> note-ons without a note-off, from raw events."""
    on, off = music21_midi.ChannelVoiceMessages.NOTE_ON, music21_midi.ChannelVoiceMessages.NOTE_OFF
    sounding: Counter = Counter()
    for number, track in enumerate(read.tracks):
        for event in track.events:
            if event.type == on and event.velocity:
                sounding[number, event.channel, event.pitch] += 1
            elif event.type in (on, off):
                sounding[number, event.channel, event.pitch] -= 1
    return +sounding


def ends(read: music21_midi.MidiFile) -> list[int]:
    """Return the tick of each track's one End of Track, which must come last."""
    found = []
    for track in read.tracks:
        kinds = [e.type for e in track.events if not e.isDeltaTime()]
        assert kinds.count(music21_midi.MetaEvents.END_OF_TRACK) == 1
        assert kinds[-1] == music21_midi.MetaEvents.END_OF_TRACK
        found.append(sum(e.time for e in track.events if e.isDeltaTime()))
    return found


@given(notes)
def test_symusic_reads_every_note(some: list):
    read = symusic.Score.from_midi(to_bytes(score_of(some)))
    assert read.ticks_per_quarter == TICKS
    found = sorted((n.pitch, n.velocity, n.time, n.duration) for track in read.tracks for n in track.notes)
    assert found == sorted((note, velocity, tick, long) for _, note, velocity, tick, long in some)


@given(st.lists(st.tuples(st.integers(0, 2_000), st.integers(0, 3), st.integers(60, 64), st.booleans()), max_size=40),
       st.integers(0, 3_000))  # fmt: skip
def test_no_note_hangs_whatever_was_played(events: list, end: int):
    """Releases may be missing or doubled in what was played; the file ends whole, at one tick."""
    played = [(tick, bytes([(0x90 if on else 0x80) | ch, note, 64])) for tick, ch, note, on in events]
    read = raw(to_bytes(Score(tracks=[Track("line", played)], end=end)))
    assert not left_sounding(read)
    assert set(ends(read)) == {max([end, *(tick for tick, _ in played)])}


def test_a_writer_that_drops_a_note_off_is_rejected(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(files, "hanging", lambda events: [])
    read = raw(
        to_bytes(Score(tracks=[Track("line", [(0, b"\x90\x3c\x40"), (4, b"\x90\x3e\x40"), (9, b"\x80\x3c\x40")])]))
    )
    assert left_sounding(read) == {(1, 1, 62): 1}


def test_a_file_without_end_of_track_is_rejected():
    data = to_bytes(score_of([(0, 60, 64, 0, 10)]))
    cut = data[: data.rindex(b"\xff\x2f\x00") - 1]
    length = len(cut) - cut.rindex(b"MTrk") - 8
    at = cut.rindex(b"MTrk") + 4
    with pytest.raises(AssertionError):
        ends(raw(cut[:at] + length.to_bytes(4, "big") + cut[at + 4 :]))


# Tempo = microseconds per quarter note (SMF 1.1, FF 51 03): 60e6 / BPM, computed.
TEMPOS = {30: 2_000_000, 60: 1_000_000, 90: 666_667, 120: 500_000, 140: 428_571, 180: 333_333, 240: 250_000,
          300: 200_000}  # fmt: skip


@pytest.mark.parametrize(("tempo", "microseconds"), TEMPOS.items())
def test_tempo(tempo: int, microseconds: int):
    assert tempo_us(tempo) == microseconds
    data = to_bytes(score_of([(0, 60, 64, 0, 10)], tempos=[(0, tempo_us(tempo)), (480, 500_001)]))
    assert [(t.time, t.mspq) for t in symusic.Score.from_midi(data).tempos] == [(0, microseconds), (480, 500_001)]
    assert b"\xff\x51\x03" + microseconds.to_bytes(3, "big") in data


def test_the_bytes_that_the_document_names():
    """SMF 1.1: 120 BPM is 07 A1 20; 6/8 is 06 03 24 08 (its example; bb 08 is the usual count)."""
    data = to_bytes(Score(tempos=[(0, 500_000)], meters=[(0, "6/8")]))
    assert bytes.fromhex("FF 51 03 07 A1 20") in data
    assert bytes.fromhex("FF 58 04 06 03") in data
    assert data[:14] == b"MThd" + (6).to_bytes(4, "big") + bytes.fromhex("00 01 00 01 03 C0")
    assert TICKS % 24 == 0, "so that a MIDI clock is a whole number of ticks"


VLQ = {0x00: "00", 0x40: "40", 0x7F: "7F", 0x80: "81 00", 0x2000: "C0 00", 0x3FFF: "FF 7F", 0x4000: "81 80 00",
       0x100000: "C0 80 00", 0x1FFFFF: "FF FF 7F", 0x200000: "81 80 80 00", 0x8000000: "C0 80 80 00",
       0xFFFFFFF: "FF FF FF 7F"}  # fmt: skip
"""The document's own table of variable-length quantities."""


@pytest.mark.parametrize(("number", "written"), VLQ.items())
def test_delta_times(number: int, written: str):
    data = to_bytes(Score(end=number))
    assert data.endswith(bytes.fromhex(written) + b"\xff\x2f\x00")
    assert ends(raw(data)) == [number]


@pytest.mark.parametrize("text", ["cycle 42 · step 5 D3 → F3 · neighbour", "Мимас", "観測", "plain"])
def test_markers_and_names_of_any_script(text: str, tmp_path: Path):
    score = score_of([(0, 60, 64, 0, 10)], name=text, markers=[(0, text), (960, text + "!")])
    score.tracks[0].name = text
    read = symusic.Score.from_midi(to_bytes(score))
    assert [(m.time, m.text) for m in read.markers] == [(0, text), (960, text + "!")]
    assert [track.name for track in read.tracks] == [text]
    first = raw(to_bytes(score)).tracks[0].events
    assert [e.data.decode() for e in first if e.type == music21_midi.MetaEvents.MARKER] == [text, text + "!"]


# -- key signatures ------------------------------------------------------------

CHURCH = {"ionian": 1, "dorian": 2, "phrygian": 3, "lydian": 4, "mixolydian": 5, "aeolian": 6, "locrian": 7}


@pytest.mark.parametrize("root", CLASS_NAMES)
@pytest.mark.parametrize("scale", CHURCH)
def test_a_signature_names_the_tones_of_the_mode(root: str, scale: str):
    """Against music21: the signature's tones are the mode's, by its own scale classes."""
    kind = {"ionian": "Major", "aeolian": "Minor"}.get(scale, scale.capitalize())
    named = key_signature(root, scale)
    assert named is not None
    data = to_bytes(Score(keys=[(0, named)]))
    (read,) = symusic.Score.from_midi(data).key_signatures
    tones = {p.pitchClass for p in getattr(music21_scale, f"{kind}Scale")(root.replace("b", "-")).getPitches()}
    assert {p.pitchClass for p in key.KeySignature(read.key).getScale("major").getPitches()} == tones
    assert read.tonality == (1 if scale == "aeolian" else 0)


def test_the_printed_signatures():
    """SMF 1.1: A minor is 00 01, B-flat major FE 00."""
    assert bytes.fromhex("FF 59 02 00 01") in to_bytes(Score(keys=[(0, key_signature("A", "aeolian") or "")]))
    assert bytes.fromhex("FF 59 02 FE 00") in to_bytes(Score(keys=[(0, key_signature("Bb", "ionian") or "")]))


def test_mido_reads_its_own_file_too():
    read = mido.MidiFile(file=BytesIO(to_bytes(score_of([(2, 60, 64, 5, 10)]))), charset="utf-8")
    assert (read.type, read.ticks_per_beat, len(read.tracks)) == (1, 960, 2)
