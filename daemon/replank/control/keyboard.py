"""What the keys of a keyboard do to the line.

transpose
    A key moves everything by its distance from middle C, and it stays so
    when the key is let go.
root
    A key sets the root of the scale.
write
    Each key gives the selected step its pitch and selects the next one.
catch
    As soon as a fellow player has played as many notes as the line has steps,
    those notes become the line; so again with the next as many.
"""

from __future__ import annotations

from typing import Any

from replank.control.asking import Intent
from replank.control.parameters import PARAMETERS, show
from replank.line.pitch import CLASS_NAMES

MODES = ("transpose", "root", "write", "catch", "off")
MIDDLE_C = 60
"""Note 60 (MIDI 1.0 Detailed Specification, p. 10)."""


class KeyboardReader:
    """Reads the keys of one or more keyboards.

    Attributes:
        mode: One of `MODES`.
        selected: The step that the next key writes, 1 to 64; the performer
            keeps it up to date.
        length: Steps of the line, 1 to 64; likewise.
    """

    def __init__(self, mode: str = "transpose", selected: int = 1, length: int = 16) -> None:
        self.mode = mode
        self.selected, self.length = selected, length
        self._caught: list[tuple[int, int]] = []

    def set_mode(self, mode: str) -> None:
        """Choose what keys do; what was caught so far is dropped.

        Raises:
            ValueError: Not one of `MODES`.
        """
        if mode not in MODES:
            raise ValueError(f"{mode!r} is not one of {', '.join(MODES)}")
        self.mode = mode
        self._caught.clear()

    def message(self, data: bytes, now: int) -> list[Intent]:
        """Take one complete MIDI message; return what it asks for.

        Only note-ons ask for something.  `now` (ns) is not needed yet; it is
        taken so that every reader of messages is called alike.
        """
        if len(data) != 3 or data[0] & 0xF0 != 0x90 or data[2] == 0 or data[1] > 127:
            return []
        note, velocity = data[1], data[2]
        if self.mode == "transpose":
            return _transpose(note - MIDDLE_C)
        if self.mode == "root":
            return [Intent("set", "root", CLASS_NAMES[note % 12])]
        if self.mode == "write":
            written, self.selected = self.selected, self.selected % self.length + 1
            return [Intent("act", f"note:{written}:{note}"), Intent("act", f"select:{self.selected}")]
        if self.mode == "catch":
            return self._catch(note, velocity)
        return []

    def _catch(self, note: int, velocity: int) -> list[Intent]:
        self._caught.append((note, velocity))
        if len(self._caught) < self.length:
            return []
        rows, self._caught = self._caught[-self.length :], []
        notes = tuple(note for note, _ in rows)
        return [Intent("catch", "catch", notes, {"velocities": [velocity for _, velocity in rows]})]

    def save(self) -> dict[str, Any]:
        """Return the state as plain data."""
        caught = [list(row) for row in self._caught]
        return {"mode": self.mode, "selected": self.selected, "length": self.length, "caught": caught}

    def load(self, plain: dict[str, Any]) -> None:
        """Take over what `save` returned."""
        self.mode, self.selected, self.length = plain["mode"], plain["selected"], plain["length"]
        self._caught = [(note, velocity) for note, velocity in plain["caught"]]


def _transpose(semitones: int) -> list[Intent]:
    row = PARAMETERS["transpose"]
    value = int(min(max(semitones, row.low), row.high))
    intents = [Intent("set", row.name, value)]
    if value != semitones:
        data = {"name": row.name, "value": value, "shown": show(row.name, value)}
        intents.append(Intent("notice", "clamped", data=data))
    return intents
