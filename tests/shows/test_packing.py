"""Packed seconds come back as they were; any damage to one is noticed."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.host.shows.packing import Damaged, Packer, pack_state, unpack, unpack_state, unzigzag, varints, zigzag
from replank.host.shows.packing import put_varint as put

BASE = 7_000_000_000
EVENTS = st.one_of(
    st.tuples(st.just("m"), st.integers(0, 3), st.binary(max_size=6)).map(list),
    st.tuples(st.just("a"), st.dictionaries(st.text(max_size=5), st.floats(allow_nan=False)), st.text()).map(list),
)
STEPS = st.lists(st.tuples(st.integers(-1000, 3_000_000_000), EVENTS), min_size=1, max_size=40)


def packed(steps: list[tuple[int, Any]]) -> tuple[list[tuple[int, Any]], list[tuple[int, int, int, int, bytes]]]:
    packer, rows, items, now = Packer(BASE), [], [], BASE
    for step, item in steps:
        now += step
        items.append((now, item))
        if row := packer.add(now, item):
            rows.append(tuple(row))
    rows.append(tuple(packer.row()))
    return items, rows


def unpacked(rows: list[tuple[int, int, int, int, bytes]]) -> list[tuple[int, Any]]:
    chain, made = 0, []
    for second, first, count, after, blob in rows:
        assert first == len(made)
        made += unpack(BASE, second, count, chain, after, blob)
        chain = after
    return made


@given(STEPS)
def test_what_is_packed_comes_back(steps):
    items, rows = packed(steps)
    assert unpacked(rows) == items
    assert len({row[0] for row in rows}) == len(rows), "two rows of one second would overwrite each other"


def test_variable_length_numbers_are_those_of_midi_files_turned_round():
    # Standard MIDI File 1.1 gives 0x3FFF as FF 7F, high part first; here the low part comes first
    made = bytearray()
    for value in (0, 0x7F, 0x80, 0x3FFF, 0x0FFFFFFF):
        put(made, value)
    assert bytes(made) == bytes.fromhex("00 7f 8001 ff7f ffffff7f")
    assert list(varints(bytes(made))) == [0, 0x7F, 0x80, 0x3FFF, 0x0FFFFFFF]


@given(st.integers(-(2**70), 2**70))
def test_signed_numbers_fold_and_unfold(value):
    assert unzigzag(zigzag(value)) == value


@given(STEPS, st.data())
def test_any_flipped_bit_is_noticed(steps, data):
    _, rows = packed(steps)
    row = data.draw(st.integers(0, len(rows) - 1))
    blob = bytearray(rows[row][4])
    blob[data.draw(st.integers(0, len(blob) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    rows[row] = (*rows[row][:4], bytes(blob))
    try:
        assert unpacked(rows) == packed(steps)[0], "a flipped bit changed what was read"
    except Damaged:
        pass  # zlib's header has a bit or two that say nothing; every other flip must end here


def test_a_second_taken_out_is_noticed_by_the_next():
    _, rows = packed([(1_100_000_000, ["m", 0, b"\xf8"])] * 5)
    chain = rows[0][3]
    with pytest.raises(Damaged, match="does not follow"):
        unpack(BASE, rows[2][0], rows[2][2], chain, rows[2][3], rows[2][4])


def test_a_packer_goes_on_behind_what_is_there():
    first = Packer(BASE)
    first.add(BASE + 10, "a")
    second, _, _, chain, _ = first.row()
    then = Packer(BASE, 1, chain, second)
    then.add(BASE + 20, "b")
    row = then.row()
    assert row[0] > second and row[1] == 1
    assert unpack(BASE, row[0], 1, chain, row[3], row[4]) == [(BASE + 20, "b")]


@pytest.mark.parametrize("blob", [b"", b"x", pack_state({"a": 1})[:-1], b"\x78\x9c" + bytes(9)])
def test_a_damaged_state_is_refused(blob):
    with pytest.raises(Damaged):
        unpack_state(blob)
