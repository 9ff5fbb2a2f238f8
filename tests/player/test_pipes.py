"""The codec and the framing of the pipes."""

import math
import os
import random
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank import wire
from replank.performer.events import Act, Assign, Heard, Midi, Resume
from replank.pipes import GATHERED, MOST, PAYLOAD, RECORD, Framer, Reader, Writer, decode, encode

plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text() | st.binary(),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(), inner, max_size=5),
    max_leaves=20,
)


@given(plain)
def test_codec_gives_back_what_it_got(value):
    back = decode(encode(value))
    assert back == value
    assert type(back) is type(value)


def test_types_are_kept_apart():
    value = [True, 1, 1.0, "1", b"1", None, -129, 2**70, -(2**63), math.inf, "\ud800"]
    back = decode(encode(value))
    assert [type(item) for item in back] == [type(item) for item in value]
    assert back == value
    assert decode(encode((1, (2,)))) == [1, [2]]


@pytest.mark.parametrize("value", [object(), {1: 2}, {"a": {3}}, [complex(1)]])
def test_other_things_are_refused(value):
    with pytest.raises(TypeError):
        encode(value)


@given(st.binary(max_size=60))
def test_nonsense_is_a_value_error_or_data(data):
    try:
        decode(data)
    except ValueError:
        pass


def test_depth_is_bounded():
    deep = []
    for _ in range(100):
        deep = [deep]
    with pytest.raises(ValueError, match="deep"):
        encode(deep)
    with pytest.raises(ValueError, match="deep"):
        decode(b"l\x01\x00\x00\x00" * 100 + b"N")


def test_records_are_never_longer_than_pipe_buf():
    frames = list(Framer().frames(5, bytes(5000)))
    assert max(map(len, frames)) == RECORD == 512
    assert Reader().feed(b"".join(frames)) == [(5, bytes(5000))]


@given(st.lists(st.tuples(st.integers(1, 127), st.binary(max_size=1500)), max_size=8), st.integers(0, 2**32))
def test_any_cutting_of_the_stream_gives_the_payloads(payloads, seed):
    framer, dice, reader, found = Framer(), random.Random(seed), Reader(), []
    data = b"".join(frame for kind, payload in payloads for frame in framer.frames(kind, payload))
    while data:
        size = dice.randint(1, 700)
        found += reader.feed(data[:size])
        data = data[size:]
    assert found == payloads
    assert reader.skipped == 0


def test_reader_finds_its_way_from_the_middle_of_a_record():
    framer, reader = Framer(), Reader()
    data = b"".join(frame for number in range(5) for frame in framer.frames(1, bytes([number]) * 100))
    assert reader.feed(data[57:]) == [(1, bytes([number]) * 100) for number in range(1, 5)]
    assert reader.skipped == 108 - 57


def test_a_payload_with_a_lost_part_is_dropped_and_counted():
    framer, reader = Framer(), Reader()
    frames = list(framer.frames(1, b"x" * 2000))
    rest = b"".join(frames[:1] + frames[2:]) + b"".join(framer.frames(2, b"whole"))
    assert (2, b"whole") in reader.feed(rest)
    assert (1, b"x" * 2000) not in reader.feed(b"")
    assert reader.broken >= 1


def test_parts_of_one_kind_may_stand_between_parts_of_another():
    framer, reader = Framer(), Reader()
    state = [*framer.frames(1, b"s" * 1000)]  # numbers are given in order of writing
    framer = Framer()
    mixed, at = b"", 0
    parts = [b"s" * PAYLOAD, b"s" * (1000 - PAYLOAD)]
    for part in parts:
        more = 0x80 if at + len(part) < 1000 else 0
        mixed += framer._frame(1 | more, part) + framer._frame(3, b"tick")
        at += len(part)
    assert len(state) == 2
    assert reader.feed(mixed) == [(3, b"tick"), (1, b"s" * 1000), (3, b"tick")]


def fill(writer, kind=1, payload=b"x" * 400):
    count = 0
    while writer.write(kind, payload):
        count += 1
    return count


def test_a_full_pipe_drops_counts_and_tells():
    read, write = os.pipe()
    try:
        os.set_blocking(read, False)
        writer, reader = Writer(write, wire.GAP), Reader()
        written = fill(writer)
        for _ in range(9):
            assert not writer.write(1, b"x" * 400)
        assert writer.dropped == 10
        found = reader.feed(os.read(read, 1 << 20))
        assert writer.write(1, b"back")
        found += reader.feed(os.read(read, 1 << 20))
        told = sum(struct.unpack("<Q", payload)[0] for kind, payload in found if kind == wire.GAP)
        assert told == 10
        assert found[-2][0] == wire.GAP
        assert found[-1] == (1, b"back")
        assert sum(kind == 1 for kind, _ in found) == written + 1
    finally:
        os.close(read)
        os.close(write)


def read_all(fd: int) -> bytes:
    try:
        return os.read(fd, 1 << 20)
    except BlockingIOError:
        return b""


def test_what_is_gathered_comes_whole_in_its_place_or_is_counted():
    read, write = os.pipe()
    try:
        os.set_blocking(read, False)
        writer, reader = Writer(write, wire.GAP), Reader()
        for number in range(3):
            writer.gather(5, bytes([number]) * GATHERED)
        assert read_all(read) == b""
        writer.write(6, b"next")
        assert [kind for kind, _ in reader.feed(read_all(read))] == [5, 5, 5, 6]
        for number in range(MOST + 1):
            writer.gather(5, bytes([number]) * GATHERED)
        first = read_all(read)
        assert len(first) <= 512  # one write of no more than PIPE_BUF is whole or not at all (POSIX)
        assert len(reader.feed(first)) == MOST
        writer.write_pair((5, b"a"), (6, b"b"))
        assert [payload for _, payload in reader.feed(read_all(read))] == [bytes([MOST]) * GATHERED, b"a", b"b"]
        fill(writer)
        dropped = writer.dropped
        writer.gather(5, b"lost")
        writer.flush()
        assert writer.dropped == dropped + 1
    finally:
        os.close(read)
        os.close(write)


def test_what_was_gathered_goes_with_the_next_in_one_system_call(monkeypatch):
    read, write = os.pipe()
    written = []
    put = os.write
    try:
        writer, reader = Writer(write, wire.GAP), Reader()
        monkeypatch.setattr(os, "write", lambda fd, data: (written.append(len(data)), put(fd, data))[1])
        writer.gather(5, b"")
        writer.write(6, b"clock")
        writer.gather(5, b"")
        writer.write_pair((6, b"clock"), (7, b"note"))
        writer.gather(5, b"")
        writer.write_pair((6, b"clock"), (7, b"x" * 490))  # together longer than a record
        monkeypatch.undo()
        assert len(written) == 2 + 2
        assert max(written) <= RECORD
        assert [kind for kind, _ in reader.feed(os.read(read, 1 << 20))] == [5, 6, 5, 6, 7, 5, 6, 7]
    finally:
        os.close(read)
        os.close(write)


def test_a_slice_waits_for_room_instead():
    read, write = os.pipe()
    try:
        os.set_blocking(read, False)
        writer, reader = Writer(write, wire.GAP), Reader()
        state, start, found = bytes(range(256)) * 2000, 0, []
        while start < len(state):
            after = writer.write_slice(2, state, start, 16)
            if after == start:
                found += reader.feed(os.read(read, 1 << 16))
            start = after
        while True:
            try:
                found += reader.feed(os.read(read, 1 << 16))
            except BlockingIOError:
                break
        assert found == [(2, state)]
        assert writer.dropped == 0
    finally:
        os.close(read)
        os.close(write)


@pytest.mark.parametrize(
    "event",
    [Midi(1, b"\x90\x3c\x40"), Assign({"length": 3}, "x"), Act("redraw", ("a", "b"), "bar"),
     Resume((2**40, 2**40 + 20_833_333)), Resume(()), Heard((2**62, 2**62 + 1, 2**62 + 2))],
)  # fmt: skip
def test_events_go_through(event):
    kind, payload = wire.pack_input(event, 12345678901, 7)
    assert wire.unpack_input(kind, payload) == (event, 12345678901, 7)
    assert wire.unpack_command(wire.pack_command(event, 9, 3)) == (event, 9, 3)


def test_outputs_go_through():
    messages = [(0, b"\x90\x3c\x40"), (1, b"\xf8"), (0, bytes(300))]
    assert wire.unpack_output(wire.pack_output(messages, 5, 3)) == (messages, 5, 3)


@given(st.binary(max_size=40))
def test_nonsense_records_are_value_errors(data):
    for take in (
        wire.unpack_output,
        wire.unpack_command,
        lambda d: wire.unpack_input(wire.INPUT_MIDI, d),
        wire.plain_dict,
    ):
        try:
            take(data)
        except (ValueError, TypeError):
            pass
