"""Byte vectors of the MIDI 1.0 Detailed Specification 4.2.1, and its rules on running status.

Pages are the document's printed ones; vectors marked *printed* stand in it,
the others follow from the rule on the page that is named.  "WEBMIDI" is the
W3C Web MIDI API draft, which fixes the order in which an embedded real-time
message is delivered.
"""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.midi.assembly import Assembler, is_complete

VECTORS = [
    ("V1", "90 3C 40", ["90 3C 40"], "p. 10"),
    ("V2", "90 F8 3C F8 40", ["F8", "F8", "90 3C 40"], "p. 30, order by WEBMIDI"),
    ("V3", "90 3C 27 3C 00 3E 29", ["90 3C 27", "90 3C 00", "90 3E 29"], "A-1, printed"),
    ("V4", "90 3C 27 40 2B 43 25", ["90 3C 27", "90 40 2B", "90 43 25"], "A-1, printed"),
    ("V5", "90 3C 40 F6 3E 40", ["90 3C 40", "F6"], "A-2: system common ends running status"),
    ("V6", "90 3C 40 F9 3E 40", ["90 3C 40", "90 3E 40"], "A-2: undefined real-time, status untouched"),
    ("V7", "90 3C 40 F4 3E 40", ["90 3C 40"], "A-2: undefined common ends running status"),
    ("V8", "F0 7D 01 F8 02 F7", ["F8", "F0 7D 01 02 F7"], "p. 29, order by WEBMIDI"),
    ("V9", "F0 7D 01 90 3C 40", ["F0 7D 01 F7", "90 3C 40"], "p. 29: any status ends it"),
    ("V10", "B0 7C 00 01 37", ["B0 7C 00", "B0 01 37"], "A-2, printed"),
    ("V11", "F2 0A 00", ["F2 0A 00"], "p. 27: song position 10"),
    ("V12", "F2 7F 7F", ["F2 7F 7F"], "p. 27: song position 16383"),
    ("V13", "90 3C 40 F8 3E 40", ["90 3C 40", "F8", "90 3E 40"], "p. 30"),
    ("V14", "C0 05 06", ["C0 05", "C0 06"], "p. 5"),
    ("V15", "E0 00 40", ["E0 00 40"], "p. 19: bend 8192"),
    ("V16", "3C 40 90 3C 40", ["90 3C 40"], "p. 6: data without status"),
    ("V17", "90 3C B0 07 64", ["B0 07 64"], "p. 5: an incomplete message is abandoned"),
    ("A-2 F5", "90 3C 40 F5 3E 40", ["90 3C 40"], "A-2"),
    ("A-2 FD", "90 3C FD 40 3E 40", ["90 3C 40", "90 3E 40"], "A-2"),
    ("A-2 sysex", "90 3C 40 F0 7D F7 3E 40", ["90 3C 40", "F0 7D F7"], "A-2: sysex clears the buffer"),
    ("A-2 power", "3C 40 3C 40", [], "A-2: the buffer is clear at power-up"),
    ("reset", "90 3C 40 FF 3E 40", ["90 3C 40", "FF"], "p. 33: reset clears running status"),
    ("F1 F3", "F1 23 F3 05", ["F1 23", "F3 05"], "T-6"),
]  # fmt: skip

MALFORMED = {"V5": 2, "V6": 1, "V7": 3, "V16": 2, "V17": 1, "A-2 F5": 3, "A-2 FD": 1, "A-2 sysex": 2, "A-2 power": 4,
             "reset": 2}  # fmt: skip
"""Own convention: one for each stray or undefined byte and each message cut short."""

Feed = Callable[[Assembler, bytes], list[bytes]]


def whole(assembler: Assembler, data: bytes) -> list[bytes]:
    return assembler.feed(data)


def single_bytes(assembler: Assembler, data: bytes) -> list[bytes]:
    return [message for byte in data for message in assembler.feed(bytes([byte]))]


@pytest.mark.parametrize("feed", [whole, single_bytes])
@pytest.mark.parametrize(("name", "given_bytes", "expected", "source"), VECTORS, ids=[v[0] for v in VECTORS])
def test_vector(feed: Feed, name: str, given_bytes: str, expected: list[str], source: str):
    assembler = Assembler()
    found = feed(assembler, bytes.fromhex(given_bytes))
    assert [message.hex(" ").upper() for message in found] == expected, source
    assert assembler.malformed == MALFORMED.get(name, 0)


class NoRunningStatus(Assembler):
    """The fault of a well-known parser: data bytes stand under the last status once."""

    def _data(self, byte: int, found: list[bytes]) -> None:
        super()._data(byte, found)
        if not self._message:
            self._running = 0


class ClockBreaks(Assembler):
    """A clock ends the message that it interrupts."""

    def _real_time(self, byte: int, found: list[bytes]) -> None:
        super()._real_time(byte, found)
        self._message.clear()


@pytest.mark.parametrize("broken", [NoRunningStatus, ClockBreaks])
def test_the_vectors_reject_a_broken_assembler(broken: type[Assembler]):
    right = [
        [m.hex(" ").upper() for m in single_bytes(broken(), bytes.fromhex(data))] == expected
        for _, data, expected, _ in VECTORS
    ]
    assert not all(right)


def test_every_status_has_the_length_of_table_1():
    """T-1, T-2, T-6 and T-7: data bytes by status."""
    table = {
        **dict.fromkeys(range(0x80, 0xC0), 2),
        **dict.fromkeys(range(0xC0, 0xE0), 1),
        **dict.fromkeys(range(0xE0, 0xF0), 2),
        **{0xF1: 1, 0xF2: 2, 0xF3: 1},
        **dict.fromkeys((0xF6, 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF), 0),
    }
    for status in range(0x100):
        lengths = [n for n in range(5) if is_complete(bytes([status]) + bytes(n))]
        assert lengths == ([table[status]] if status in table else []), f"{status:02X}"
    assert not is_complete(b"")
    assert not is_complete(bytes.fromhex("90 80 40"))
    assert not is_complete(bytes.fromhex("90 40 80"))


@given(st.binary(max_size=300), st.data())
def test_how_bytes_are_cut_makes_no_difference(data: bytes, draw: st.DataObject):
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=6)))
    one, other = Assembler(), Assembler()
    found = one.feed(data)
    pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    assert [m for piece in pieces for m in other.feed(piece)] == found
    assert other.malformed == one.malformed
    assert all(is_complete(m) or (m[0], m[-1]) == (0xF0, 0xF7) for m in found)


channel_messages = st.builds(
    lambda status, a, b: bytes([status, a] if 0xC0 <= status < 0xE0 else [status, a, b]),
    st.integers(0x80, 0xEF), st.integers(0, 127), st.integers(0, 127),
)  # fmt: skip


@given(st.lists(channel_messages, max_size=40), st.data())
def test_running_status_and_clocks_anywhere_lose_nothing(messages: list[bytes], draw: st.DataObject):
    """p. 5 and p. 30: a sender may leave out a repeated status and put clocks anywhere."""
    wire, last = bytearray(), 0
    for message in messages:
        short = message[1:] if message[0] == last and draw.draw(st.booleans()) else message
        for byte in short:
            wire += b"\xf8" * draw.draw(st.integers(0, 1))
            wire.append(byte)
        last = message[0]
    found = Assembler().feed(bytes(wire))
    assert [m for m in found if m != b"\xf8"] == messages
    assert found.count(b"\xf8") == wire.count(0xF8)
