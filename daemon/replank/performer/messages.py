"""The messages that are sent most, made once: to look one up costs an eighth of making it."""

from __future__ import annotations

from functools import lru_cache

CLOCK, START, CONTINUE, STOP, SONG_POSITION = 0xF8, 0xFA, 0xFB, 0xFC, 0xF2
"""Status bytes of system messages (MIDI 1.0 Detailed Specification, p. 30)."""

NOTE_OFF_VELOCITY = 64
"""Of every release (MIDI 1.0: 64 where a device does not sense it)."""


@lru_cache
def note_offs(channel: int) -> tuple[bytes, ...]:
    """Return the note-off of each note 0 to 127 on a channel 1 to 16."""
    return tuple(bytes((0x80 | (channel - 1), note, NOTE_OFF_VELOCITY)) for note in range(128))


@lru_cache
def control_changes(channel: int, number: int) -> tuple[bytes, ...]:
    """Return the control change to each value 0 to 127 of a controller on a channel 1 to 16."""
    return tuple(bytes((0xB0 | (channel - 1), number, value)) for value in range(128))
