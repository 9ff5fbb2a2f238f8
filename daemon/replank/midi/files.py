"""Standard MIDI Files: what was played, with its tempo, key and markers.

Format 1: the first track holds tempo, meter, key and markers, the others one
voice each (Standard MIDI File 1.1).  Text is UTF-8.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any

import mido

from replank.midi.assembly import is_complete
from replank.midi.tempo import SLOWEST, TICKS
from replank.whole_file import write_whole

_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F#": 6, "C#": 7, "Bb": -2, "Eb": -3, "Ab": -4}
"""Roots on the line of fifths, by their names."""
_MODES = {"ionian": 0, "dorian": 2, "phrygian": 4, "lydian": -1, "mixolydian": 1, "aeolian": 3, "locrian": 5}
"""How far each church mode's root lies from that of its relative major, in fifths."""
_MAJOR = ("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#")
_MINOR = ("Abm", "Ebm", "Bbm", "Fm", "Cm", "Gm", "Dm", "Am", "Em", "Bm", "F#m", "C#m", "G#m", "D#m", "A#m")
"""Key signatures of 7 flats to 7 sharps, as the library writes them."""

_LONGEST_DELTA = 0x0FFFFFFF
"""Ticks that a delta time can hold."""


@dataclass(slots=True)
class Track:
    """One voice of a file.

    Attributes:
        name: For people; any text.
        events: (tick, one whole MIDI message), in the order in which they
            were sent; ticks may repeat and need not rise.
    """

    name: str
    events: list[tuple[int, bytes]] = field(default_factory=list)


@dataclass(slots=True)
class Score:
    """All that goes into a file.  Times are ticks, 960 to the quarter note.

    Attributes:
        name: Of the whole; any text.
        tracks: The voices.
        tempos: (tick, microseconds per quarter note), rising.
        meters: (tick, meter such as ``7/8``), rising.
        keys: (tick, key as `key_signature` names it), rising.
        markers: (tick, text).
        end: Tick at which every track ends; later if something is later.
    """

    name: str = ""
    tracks: list[Track] = field(default_factory=list)
    tempos: list[tuple[int, int]] = field(default_factory=lambda: [(0, 500_000)])
    meters: list[tuple[int, str]] = field(default_factory=lambda: [(0, "4/4")])
    keys: list[tuple[int, str]] = field(default_factory=list)
    markers: list[tuple[int, str]] = field(default_factory=list)
    end: int = 0


def key_signature(root: str, scale: str) -> str | None:
    """Return the key whose signature fits, such as ``C`` for D dorian, or None.

    The church modes have the signature of their relative major; aeolian is
    named as the minor key that it is.  Where the root's own spelling would
    take more than seven signs, the signature of the same sounds is returned
    (four sharps for Ab phrygian).  Other scales have none.
    """
    if scale not in _MODES or root not in _FIFTHS:
        return None
    signs = _FIFTHS[root] - _MODES[scale]
    if abs(signs) > 7:
        signs -= 12 if signs > 0 else -12
    return (_MINOR if scale == "aeolian" else _MAJOR)[signs + 7]


def safe_text(text: str) -> str:
    """Return text without control characters and lone surrogates, which a file cannot hold."""
    kept = "".join(c if c.isprintable() else " " for c in text)
    return kept.encode("utf-8", "replace").decode("utf-8")


def hanging(events: Iterable[tuple[int, bytes]]) -> list[tuple[int, int]]:
    """Return (channel from 0, note) of every note-on that no note-off answers."""
    sounding: dict[tuple[int, int], int] = {}
    for _, message in events:
        kind, key = message[0] & 0xF0, (message[0] & 0x0F, message[1] if len(message) > 1 else 0)
        if kind == 0x90 and message[2]:
            sounding[key] = sounding.get(key, 0) + 1
        elif kind in (0x80, 0x90) and sounding.get(key):
            sounding[key] -= 1
    return [key for key, count in sounding.items() for _ in range(count)]


def to_bytes(score: Score) -> bytes:
    """Return the file.

    Notes that still sound are released where the file ends.  Messages that a
    file cannot hold (clock, transport, song position, active sensing) are
    left out.

    Raises:
        ValueError: A tick below 0, a tempo or meter that a file cannot hold,
            a message that is none, or a silence longer than a delta time.
    """
    voices = [sorted(track.events, key=lambda event: event[0]) for track in score.tracks]
    markers = sorted(score.markers, key=lambda marker: marker[0])
    rows: list[list[tuple[int, Any]]] = [*voices, score.tempos, score.meters, score.keys, markers]
    end = max([score.end, *(row[-1][0] for row in rows if row)])
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8")
    file.tracks.append(_conductor(score, markers, end))
    for track, events in zip(score.tracks, voices, strict=True):
        file.tracks.append(_voice(safe_text(track.name), events, end))
    written = BytesIO()
    file.save(file=written)
    return written.getvalue()


def write_score(path: Path | str, score: Score) -> int:
    """Write a file, whole or not at all; return its size in bytes.

    Raises:
        ValueError: As `to_bytes`.
        OSError: It cannot be written there.
    """
    data = to_bytes(score)
    write_whole(path, data)
    return len(data)


class _Sent:
    """A checked channel message as mido's writer reads one; building its own takes most of a render."""

    __slots__ = ("_data", "time")
    type, is_meta, is_realtime = "channel", False, False

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.time = 0

    def bytes(self) -> bytes:
        return self._data


def _conductor(score: Score, markers: list[tuple[int, str]], end: int) -> mido.MidiTrack:
    rows: list[tuple[int, Any]] = [(0, mido.MetaMessage("track_name", name=safe_text(score.name)))]
    for tick, meter in score.meters:
        over, under = (int(word) for word in meter.split("/"))
        rows.append((tick, mido.MetaMessage("time_signature", numerator=over, denominator=under)))
    rows += [(tick, mido.MetaMessage("key_signature", key=key)) for tick, key in score.keys]
    for tick, tempo in score.tempos:
        if not 0 < tempo <= SLOWEST:
            raise ValueError(f"a tempo of {tempo} us per quarter note: a file holds 1 to {SLOWEST}")
        rows.append((tick, mido.MetaMessage("set_tempo", tempo=tempo)))
    rows += [(tick, mido.MetaMessage("marker", text=safe_text(text))) for tick, text in markers]
    rows.sort(key=lambda row: row[0])
    return _with_deltas(rows, end)


def _voice(name: str, events: list[tuple[int, bytes]], end: int) -> mido.MidiTrack:
    rows: list[tuple[int, Any]] = [(0, mido.MetaMessage("track_name", name=name))]
    for tick, message in events:
        if message[:1] == b"\xf0":
            rows.append((tick, mido.Message("sysex", data=message[1:-1])))
        elif not is_complete(message):
            raise ValueError(f"{message.hex(' ')} is not one whole MIDI message")
        elif message[0] < 0xF0:
            rows.append((tick, _Sent(message)))
    rows += [(end, _Sent(bytes((0x80 | channel, note, 64)))) for channel, note in hanging(events)]
    return _with_deltas(rows, end)


def _with_deltas(rows: list[tuple[int, Any]], end: int) -> mido.MidiTrack:
    track, last = mido.MidiTrack(), 0
    for tick, message in [*rows, (end, mido.MetaMessage("end_of_track"))]:
        if not 0 <= tick - last <= _LONGEST_DELTA:
            raise ValueError(f"tick {tick} cannot follow tick {last} in a MIDI file")
        message.time, last = tick - last, tick
        track.append(message)
    return track
