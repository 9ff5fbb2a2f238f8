"""What the byte vectors leave open: bounds and counting."""

import pytest

from replank.midi.assembly import SYSEX_LIMIT, Assembler


@pytest.mark.parametrize("limit", [3, 16, SYSEX_LIMIT])
def test_system_exclusive_up_to_the_limit(limit: int):
    assembler = Assembler(limit)
    longest = b"\xf0" + bytes(limit - 2) + b"\xf7"
    assert assembler.feed(longest) == [longest]
    assert assembler.malformed == 0
    assert assembler.feed(b"\xf0" + bytes(limit - 1) + b"\xf7") == []
    assert assembler.malformed == 1
    assert assembler.feed(b"\x90\x3c\x40") == [b"\x90\x3c\x40"]


def test_system_exclusive_that_never_ends_takes_no_room_and_lets_clocks_through():
    assembler = Assembler()
    assembler.feed(b"\xf0")
    for _ in range(1_000):
        assert assembler.feed(bytes(1_000) + b"\xf8") == [b"\xf8"]
    assert len(assembler._message) <= SYSEX_LIMIT
    assert assembler.feed(b"\x90\x3c\x40") == [b"\x90\x3c\x40"]
    assert assembler.malformed == 1


def test_a_reset_abandons_what_it_interrupts():
    assembler = Assembler()
    assert assembler.feed(b"\x90\x3c\xff\x40") == [b"\xff"]
    assert assembler.malformed == 2


def test_an_end_without_a_beginning_is_counted():
    assembler = Assembler()
    assert assembler.feed(b"\xf7") == []
    assert assembler.malformed == 1


def test_a_whole_message_sets_running_status_for_the_next_piece():
    assembler = Assembler()
    assert assembler.feed(b"\x93\x3c\x40") == [b"\x93\x3c\x40"]
    assert assembler.feed(b"\x3e\x40") == [b"\x93\x3e\x40"]
    assert assembler.feed(b"\xf2\x04\x00") == [b"\xf2\x04\x00"]
    assert assembler.feed(b"\x3e\x40") == []


def test_empty_input_is_nothing():
    assert Assembler().feed(b"") == []
