"""From complete MIDI messages to what a control did.

The rules are those of the MIDI 1.0 Detailed Specification 4.2.1: an MSB sets
the receiver's LSB to 0 (p. 12 and table 2, note 4), an LSB alone makes fine
moves, 64 to 127 is on for a switch, note-on with velocity 0 is note-off.
Parameter 7F 7F is the null function: what follows it sets nothing (in many
implementation charts, not in the 4.2.1 table).  The value of data increment
and decrement is ignored (recommended practice RP-018, from memory).
"""

from __future__ import annotations

from typing import Any, NamedTuple

from replank.control.profiles import Profile, Source

SETTLE_NS = 5_000_000
"""How long an MSB waits for its LSB before it counts as whole, in ns."""
NULL = 0x3FFF
"""RPN and NRPN number that selects nothing."""

_DATA_ENTRY = frozenset((6, 38, 96, 97, 98, 99, 100, 101))
_PRESS, _LIFT = 127, 0


class Heard(NamedTuple):
    """What one control did.

    Attributes:
        control: Index into `Profile.controls`.
        raw: The number that it sent, 0 to `Control.top`; of a program change
            the program, of a note the velocity (0 for note-off).
        step: 1 or -1 where it was a data increment or decrement, else 0.
        settled: False for an MSB whose LSB may follow at once.
    """

    control: int
    raw: int
    step: int = 0
    settled: bool = True


def clicks(relative: str, value: int) -> int:
    """Return the clicks of one relative message, positive to the right.

    Source of the table: documentation of an open microcontroller library's
    relative controller sender.
    """
    if relative == "twos-complement":
        return value if value < 64 else value - 128
    if relative == "offset-64":
        return value - 64
    size = value & 63
    is_left = bool(value & 64) != (relative == "sign-magnitude-reversed")
    return -size if is_left else size


def is_channel_message(data: bytes) -> bool:
    """Tell whether the bytes are one whole channel message (MIDI 1.0 Detailed Specification, table 2)."""
    if len(data) == 3:
        return 0x80 <= data[0] < 0xF0 and data[0] & 0xE0 != 0xC0 and data[1] < 0x80 and data[2] < 0x80
    return len(data) == 2 and data[0] & 0xE0 == 0xC0 and data[1] < 0x80


class Decoder:
    """Reads the messages of one port by one profile; keeps what MIDI makes receivers keep.

    Attributes:
        plain: (status byte, controller) in 16 bits -> controls, where a controller stands for itself.
    """

    def __init__(self, profile: Profile) -> None:
        self._by_key: dict[tuple[str, int, int], tuple[int, ...]] = {}
        self._pairs: set[tuple[int, int]] = set()
        self._has_parameters = False
        for index, control in enumerate(profile.controls):
            self._add(control.source, index)
        self.plain = self._find_plain()
        self._bits = [control.bits for control in profile.controls]
        self._msb: dict[tuple[int, int], int] = {}
        # per channel: [nrpn or rpn, MSB of the number, LSB of the number]; -1 not heard yet
        self._chosen: dict[int, list[Any]] = {}
        self._entered: dict[tuple[str, int, int], int] = {}

    def _add(self, source: Source, index: int) -> None:
        channels = (source.channel,) if source.channel else range(1, 17)
        for channel in channels:
            key = (source.kind, channel, source.number)
            self._by_key[key] = (*self._by_key.get(key, ()), index)
            if source.kind == "cc14":
                self._pairs.add((channel, source.number))
        self._has_parameters |= source.kind in ("nrpn", "rpn")

    def _find_plain(self) -> dict[int, tuple[int, ...]]:
        """Return the controllers that stand for themselves, by status and number: most of what is ever heard."""
        special = {(channel, number + low) for channel, number in self._pairs for low in (0, 32)}
        if self._has_parameters:
            special |= {(channel, number) for channel in range(1, 17) for number in _DATA_ENTRY}
        return {
            (0xB0 | channel - 1) << 8 | number: found
            for (kind, channel, number), found in self._by_key.items()
            if kind == "cc" and (channel, number) not in special
        }

    def decode(self, data: bytes) -> list[Heard]:
        """Return what the controls did, by one complete message; [] for what is not mapped or malformed."""
        if not is_channel_message(data):
            return []
        kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
        if kind == 0xB0:
            return self._controller(channel, data[1], data[2])
        if kind in (0x80, 0x90):
            return self._all("note", channel, data[1], data[2] if kind == 0x90 else _LIFT)
        if kind == 0xC0:
            exact = self._all("program", channel, data[1], _PRESS)
            return exact + self._all("program", channel, -1, data[1])
        if kind == 0xD0:
            return self._all("pressure", channel, -1, data[1])
        if kind == 0xE0:
            return self._all("bend", channel, -1, data[1] | data[2] << 7)
        return []

    def _all(self, kind: str, channel: int, number: int, raw: int, settled: bool = True) -> list[Heard]:
        found = self._by_key.get((kind, channel, number))
        return [Heard(index, raw, 0, settled) for index in found] if found else []

    def _controller(self, channel: int, number: int, value: int) -> list[Heard]:
        if self._has_parameters and number in _DATA_ENTRY:
            return self._parameter_number(channel, number, value)
        if (channel, number) in self._pairs:
            self._msb[channel, number] = value
            return self._all("cc14", channel, number, value << 7, settled=False)
        if (channel, number - 32) in self._pairs:
            msb = self._msb.get((channel, number - 32))
            return [] if msb is None else self._all("cc14", channel, number - 32, msb << 7 | value)
        return self._all("cc", channel, number, value)

    def _parameter_number(self, channel: int, number: int, value: int) -> list[Heard]:
        chosen = self._chosen.setdefault(channel, ["", -1, -1])
        if number >= 98:
            kind = "nrpn" if number <= 99 else "rpn"
            if chosen[0] != kind:
                chosen[:] = [kind, -1, -1]
            chosen[1 if number in (99, 101) else 2] = value
            return []
        if min(chosen[1:]) < 0:
            return []
        kind, which = chosen[0], chosen[1] << 7 | chosen[2]
        found = () if which == NULL else self._by_key.get((kind, channel, which), ())
        heard = []
        for index in found:
            heard.append(self._data(index, (kind, channel, which), number, value))
        return [one for one in heard if one is not None]

    def _data(self, index: int, key: tuple[str, int, int], number: int, value: int) -> Heard | None:
        is_wide = self._bits[index] == 14
        if number in (96, 97):
            return Heard(index, -1, 1 if number == 96 else -1)
        if number == 6:
            self._entered[key] = value
            return Heard(index, value << 7, 0, settled=False) if is_wide else Heard(index, value)
        msb = self._entered.get(key)
        if msb is None or not is_wide:
            return None
        return Heard(index, msb << 7 | value)

    def save(self) -> dict[str, Any]:
        """Return what was kept, as plain data."""
        return {
            "msb": [[*key, value] for key, value in self._msb.items()],
            "chosen": [[channel, *chosen] for channel, chosen in self._chosen.items()],
            "entered": [[*key, value] for key, value in self._entered.items()],
        }

    def load(self, plain: dict[str, Any]) -> None:
        """Take over what `save` returned."""
        self._msb = {(channel, number): value for channel, number, value in plain["msb"]}
        self._chosen = {channel: [kind, msb, lsb] for channel, kind, msb, lsb in plain["chosen"]}
        self._entered = {(kind, channel, which): value for kind, channel, which, value in plain["entered"]}
