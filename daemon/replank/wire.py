"""The records that player and host exchange: their kinds and their payloads.

One place for both sides.  Times are CLOCK_MONOTONIC nanoseconds.  A command's
serial number comes back with its record, so that the host knows which
commands reached the performer.
"""

from __future__ import annotations

import struct
from typing import Any

from replank.performer.events import Event, Midi, event_from_plain, to_plain
from replank.pipes import decode, encode

# player to host
HELLO = ord("H")
"""First record of each process: {"pipe", "pid", "generation", ...}."""
OPENED = ord("P")
"""{"generation", "api", "ms", "problem", "inputs", "outputs", "priority"}: ports are open, or why not."""
INPUT = ord("I")
"""An event that the performer received, with its clamped time and its serial (0: not a command)."""
INPUT_MIDI = ord("i")
"""The same for bytes that arrived on a port."""
OUTPUT = ord("O")
"""Messages of one outcome, in order, with the performer's time, written before they are sent."""
SENT = ord("D")
"""All messages of the outputs before are sent."""
GAP = ord("G")
"""Records were dropped: u64 count."""
MARK = ord("M")
"""The state that a host asked for is the one after all records before this one: {"nonce"}."""
STATE = ord("S")
"""{"nonce", "state", "pipe", "engine", ...}, state None before there is one; from the host: {"nonce"}, a request."""
STATISTICS = ord("T")
"""Counters of the player, about once a second."""
TROUBLE = ord("E")
"""An exception in the player, as text; it plays on."""
GOODBYE = ord("X")
"""The player has sent its releases and ends."""

# host to player
BEGIN = ord("R")
"""{"generation", "api", "inputs", "outputs", "polled", "state", "practice"}: open ports, load the state."""
GO = ord("L")
"""{"generation", "at", "first", "reconnect"}: play; first go the events of `first`, [stamp, event], in which what the
clock port stamps at or before `at` is already contained."""
COMMAND = ord("C")
"""An event with its serial, for one generation of the player."""
QUIT = ord("Q")
"""Release, and end."""

# keeper to a player in waiting
PREPARE = ord("W")
"""{"api", "inputs", "outputs", "polled"}: open these ports ahead."""
TURN = ord("N")
"""{"generation"}: play from now on."""

FROM_DEADLINE = 1
"""Flag of OUTPUT: a deadline brought it, no event."""
ALREADY_SENT = 2
"""Flag of OUTPUT: it holds no note-on and was sent before it was written."""

_TIMED = struct.Struct("<qI")
_MIDI = struct.Struct("<qIB")
_OUTPUT = struct.Struct("<qB")
_COMMAND = struct.Struct("<II")


def pack_input(event: Event, now: int, serial: int) -> tuple[int, bytes]:
    """Return kind and payload of an event that the performer received at `now`."""
    if type(event) is Midi:
        return INPUT_MIDI, _MIDI.pack(now, serial, event.port) + event.data
    return INPUT, _TIMED.pack(now, serial) + encode(to_plain(event))


def unpack_input(kind: int, payload: bytes) -> tuple[Event, int, int]:
    """Return (event, now, serial).

    Raises:
        ValueError: Not an input.
    """
    try:
        if kind == INPUT_MIDI:
            now, serial, port = _MIDI.unpack_from(payload)
            return Midi(port, payload[_MIDI.size :]), now, serial
        now, serial = _TIMED.unpack_from(payload)
    except struct.error as error:
        raise ValueError(f"not an input: {error}") from None
    return event_from_plain(decode(payload[_TIMED.size :])), now, serial


def pack_output(messages: list[tuple[int, bytes]], now: int, flags: int) -> bytes:
    """Return the payload of one outcome's messages."""
    out = bytearray(_OUTPUT.pack(now, flags))
    for output, data in messages:
        out.append(output)
        out += len(data).to_bytes(2, "little")
        out += data
    return bytes(out)


def unpack_output(payload: bytes) -> tuple[list[tuple[int, bytes]], int, int]:
    """Return (messages, now, flags).

    Raises:
        ValueError: Not an output.
    """
    if len(payload) < _OUTPUT.size:
        raise ValueError("not an output: cut short")
    now, flags = _OUTPUT.unpack_from(payload)
    messages, at = [], _OUTPUT.size
    while at < len(payload):
        end = at + 3 + int.from_bytes(payload[at + 1 : at + 3], "little")
        if end > len(payload):
            raise ValueError("not an output: cut short")
        messages.append((payload[at], payload[at + 3 : end]))
        at = end
    return messages, now, flags


def pack_command(event: Event, serial: int, generation: int) -> bytes:
    """Return the payload of a command."""
    return _COMMAND.pack(serial, generation) + encode(to_plain(event))


def unpack_command(payload: bytes) -> tuple[Event, int, int]:
    """Return (event, serial, generation).

    Raises:
        ValueError: Not a command.
    """
    if len(payload) < _COMMAND.size:
        raise ValueError("not a command: cut short")
    serial, generation = _COMMAND.unpack_from(payload)
    return event_from_plain(decode(payload[_COMMAND.size :])), serial, generation


def is_note_on(data: bytes) -> bool:
    """True for a note-on that sounds (velocity 0 is a note-off: MIDI 1.0, p. 10)."""
    return len(data) == 3 and data[0] & 0xF0 == 0x90 and data[2] > 0


def is_note_off(data: bytes) -> bool:
    """True for a note-off in either spelling."""
    return len(data) == 3 and (data[0] & 0xF0 == 0x80 or (data[0] & 0xF0 == 0x90 and data[2] == 0))


def has_notes(messages: list[tuple[int, bytes]]) -> tuple[bool, bool]:
    """Tell whether messages strike a note, and whether they release one."""
    strikes = releases = False
    for _, data in messages:
        kind = data[0] & 0xF0
        if kind == 0x80 or (kind == 0x90 and not data[2]):
            releases = True
        elif kind == 0x90:
            strikes = True
    return strikes, releases


def plain_dict(payload: bytes) -> dict[str, Any]:
    """Return a payload that must be a dict.

    Raises:
        ValueError: It is something else.
    """
    value = decode(payload)
    if not isinstance(value, dict):
        raise ValueError(f"a dict was expected, not {type(value).__name__}")
    return value
