"""From raw MIDI bytes to whole messages, by the rules of the MIDI 1.0 document.

Drivers usually deliver whole messages, but not always: running status, clocks
between the bytes of a note, and system exclusive messages cut in pieces reach
us on some systems.  Rules and page numbers: MIDI 1.0 Detailed Specification,
document version 4.2.1, pp. 5, 6, 29, 30 and appendix A-2.
"""

from __future__ import annotations

SYSEX_LIMIT = 256
"""Bytes of a system exclusive message, F0 and F7 included; longer ones are left out."""

_SYSEX, _END = 0xF0, 0xF7
_FIRST_REAL_TIME = 0xF8
_UNDEFINED_REAL_TIME = (0xF9, 0xFD)
_RESET = 0xFF

_CHANNEL_DATA = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_LENGTHS = {status: _CHANNEL_DATA[status & 0xF0] + 1 for status in range(0x80, 0xF0)}
_LENGTHS |= {0xF1: 2, 0xF2: 3, 0xF3: 2, 0xF6: 1}
_LENGTHS |= {status: 1 for status in range(0xF8, 0x100) if status not in _UNDEFINED_REAL_TIME}
"""Bytes of each message by its status; without system exclusive and what is undefined."""


def is_complete(message: bytes) -> bool:
    """Tell whether this is exactly one channel, system common or real-time message.

    System exclusive messages and undefined status bytes are not.
    """
    return (
        len(message) > 0
        and _LENGTHS.get(message[0]) == len(message)
        and (len(message) == 1 or (message[1] < 0x80 and (len(message) == 2 or message[2] < 0x80)))
    )


class Assembler:
    """Takes the bytes of one input in pieces of any size and gives whole messages.

    Attributes:
        malformed: Bytes and messages left out so far: stray data, undefined
            status bytes, messages cut short, system exclusive beyond the limit.
    """

    __slots__ = ("_limit", "_message", "_need", "_running", "malformed")

    def __init__(self, sysex_limit: int = SYSEX_LIMIT) -> None:
        self.malformed = 0
        self._limit = sysex_limit
        self._running = 0  # status that data bytes stand under; 0 none
        self._message = bytearray()  # the message so far, its status first
        self._need = 0  # its length; 0 while it is system exclusive

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes and return the messages that they complete, in order.

        A real-time message inside another one comes first.
        """
        if not self._message and is_complete(data) and data[0] != _RESET:
            if data[0] < _FIRST_REAL_TIME:
                self._running = data[0] if data[0] < _SYSEX else 0
            return [bytes(data)]
        found: list[bytes] = []
        for byte in data:
            if byte < 0x80:
                self._data(byte, found)
            elif byte >= _FIRST_REAL_TIME:
                self._real_time(byte, found)
            else:
                self._status(byte, found)
        return found

    def _data(self, byte: int, found: list[bytes]) -> None:
        message = self._message
        if not message:
            if not self._running:
                self.malformed += 1
                return
            message.append(self._running)
            self._need = _LENGTHS[self._running]
        if self._need:
            message.append(byte)
            if len(message) == self._need:
                found.append(bytes(message))
                message.clear()
        elif len(message) < self._limit:  # one place is kept for the end
            message.append(byte)

    def _real_time(self, byte: int, found: list[bytes]) -> None:
        if byte in _UNDEFINED_REAL_TIME:
            self.malformed += 1
            return
        if byte == _RESET:  # p. 33: also clears running status
            self._abandon()
            self._running = 0
        found.append(bytes((byte,)))

    def _status(self, byte: int, found: list[bytes]) -> None:
        is_sysex = bool(self._message) and not self._need
        if is_sysex:
            self._end_sysex(found)
        self._abandon()
        self._running = byte if byte < _SYSEX else 0
        length = 0 if byte == _SYSEX else _LENGTHS.get(byte)
        if length == 1:
            found.append(bytes((byte,)))
        elif length is not None:
            self._message.append(byte)
            self._need = length
        elif not (is_sysex and byte == _END):
            self.malformed += 1  # F4, F5, or an F7 that ends nothing

    def _end_sysex(self, found: list[bytes]) -> None:
        """Any status ends a system exclusive message (p. 29), which is then given its F7."""
        if len(self._message) < self._limit:
            found.append(bytes(self._message) + bytes((_END,)))
            self._message.clear()

    def _abandon(self) -> None:
        if self._message:
            self.malformed += 1
            self._message.clear()
