"""What controls send, against the MIDI 1.0 document and the table of relative encodings."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.decoding import Decoder, Heard, clicks
from replank.control.profiles import Control, Profile, Source

# Table of the documentation of an open microcontroller MIDI library (its relative controller
# sender): delta -> byte, for two's complement, binary offset 64, sign-magnitude with bit 6
# negative, sign-magnitude with bit 6 positive.  No MIDI document defines these.
TABLE = {
    1: (0x01, 0x41, 0x01, 0x41), 2: (0x02, 0x42, 0x02, 0x42), 3: (0x03, 0x43, 0x03, 0x43),
    -1: (0x7F, 0x3F, 0x41, 0x01), -2: (0x7E, 0x3E, 0x42, 0x02), -3: (0x7D, 0x3D, 0x43, 0x03),
    0: (0x00, 0x40, 0x00, 0x40),
}  # fmt: skip
ENCODINGS = ("twos-complement", "offset-64", "sign-magnitude", "sign-magnitude-reversed")


@pytest.mark.parametrize("delta", TABLE)
def test_relative_bytes_mean_what_the_table_says(delta):
    assert [clicks(name, byte) for name, byte in zip(ENCODINGS, TABLE[delta], strict=True)] == [delta] * 4


def test_the_other_zero_of_sign_magnitude_is_no_click():
    assert clicks("sign-magnitude", 0x40) == clicks("sign-magnitude-reversed", 0x00) == 0


def test_ranges_of_the_encodings():
    ranges = {
        name: (min(clicks(name, b) for b in range(128)), max(clicks(name, b) for b in range(128))) for name in ENCODINGS
    }
    assert ranges == {
        "twos-complement": (-64, 63), "offset-64": (-64, 63),
        "sign-magnitude": (-63, 63), "sign-magnitude-reversed": (-63, 63),
    }  # fmt: skip


def test_one_byte_alone_says_nothing_about_the_encoding():
    # 41H is +1, -1 or -63 depending on the encoding, so it must be a setting
    assert [clicks(name, 0x41) for name in ENCODINGS] == [-63, 1, -1, 1]


def decoder(*sources: Source, kind: type[Decoder] = Decoder, bits: int = 14) -> Decoder:
    return kind(Profile(controls=tuple(Control(str(n), source, bits=bits) for n, source in enumerate(sources))))


def raws(reader: Decoder, *messages: tuple[int, ...]) -> list[int]:
    return [heard.raw for message in messages for heard in reader.decode(bytes(message))]


class KeepsTheLsb(Decoder):
    """Broken: an MSB leaves the LSB as it was."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._lsb = 0

    def decode(self, data: bytes) -> list[Heard]:
        found = super().decode(data)
        if found and not found[0].settled:
            return [found[0]._replace(raw=found[0].raw | self._lsb)]
        if found:
            self._lsb = found[0].raw & 127
        return found


def msb_resets_lsb(kind: type[Decoder]) -> bool:
    """MIDI 1.0 Detailed Specification 4.2.1, p. 12 and table 2, note 4."""
    reader = decoder(Source("cc14", 16), kind=kind)
    return raws(reader, (0xB0, 16, 64), (0xB0, 48, 99), (0xB0, 16, 65)) == [64 << 7, 64 << 7 | 99, 65 << 7]


def test_an_msb_sets_the_lsb_to_zero():
    assert msb_resets_lsb(Decoder)


def test_a_decoder_that_keeps_the_lsb_is_found_out():
    assert not msb_resets_lsb(KeepsTheLsb)


def test_an_lsb_alone_makes_fine_moves():
    # p. 12: "LSB alone may follow for fine moves"
    reader = decoder(Source("cc14", 0))
    assert raws(reader, (0xB0, 0, 10), (0xB0, 32, 1), (0xB0, 32, 2)) == [1280, 1281, 1282]


def test_an_lsb_without_any_msb_is_not_guessed():
    assert raws(decoder(Source("cc14", 16)), (0xB0, 48, 99)) == []


def test_an_msb_waits_for_its_lsb():
    reader = decoder(Source("cc14", 16))
    assert [heard.settled for m in ((0xB0, 16, 1), (0xB0, 48, 1)) for heard in reader.decode(bytes(m))] == [False, True]


def test_nrpn_and_rpn_by_number():
    # MIDI 1.0 table 3: 99/98 NRPN MSB/LSB, 101/100 RPN MSB/LSB, 6/38 data entry
    reader = decoder(Source("nrpn", 1 << 7 | 20), Source("rpn", 0))
    chosen = [(0xB0, 99, 1), (0xB0, 98, 20), (0xB0, 6, 64), (0xB0, 38, 3)]
    assert raws(reader, *chosen) == [64 << 7, 64 << 7 | 3]
    heard = [one for m in ((0xB0, 101, 0), (0xB0, 100, 0), (0xB0, 6, 1)) for one in reader.decode(bytes(m))]
    assert [(one.control, one.raw) for one in heard] == [(1, 128)]


def test_a_new_data_msb_sets_the_data_lsb_to_zero():
    reader = decoder(Source("nrpn", 0))
    begin = [(0xB0, 99, 0), (0xB0, 98, 0), (0xB0, 6, 10), (0xB0, 38, 77), (0xB0, 6, 11)]
    assert raws(reader, *begin) == [1280, 1280 + 77, 1408]


def test_the_null_function_deselects():
    # 7F 7F (in implementation charts; not in the 4.2.1 table)
    reader = decoder(Source("nrpn", 0), Source("rpn", 0))
    select = [(0xB0, 99, 0), (0xB0, 98, 0)]
    for null in ([(0xB0, 101, 127), (0xB0, 100, 127)], [(0xB0, 99, 127), (0xB0, 98, 127)]):
        assert raws(reader, *select, *null, (0xB0, 6, 64), (0xB0, 38, 1), (0xB0, 96, 0)) == []


def test_choosing_rpn_leaves_nrpn_and_half_a_number_selects_nothing():
    reader = decoder(Source("nrpn", 5), Source("rpn", 5))
    assert raws(reader, (0xB0, 99, 0), (0xB0, 98, 5), (0xB0, 101, 0), (0xB0, 6, 9)) == []
    heard = [one.control for m in ((0xB0, 100, 5), (0xB0, 6, 9)) for one in reader.decode(bytes(m))]
    assert heard == [1]


@pytest.mark.parametrize("value", [0, 1, 64, 127])
def test_increment_and_decrement_ignore_their_value(value):
    # RP-018 (from memory): the value of 96 and 97 is ignored; examples in the 1.0 document send 7F
    reader = decoder(Source("nrpn", 0))
    raws(reader, (0xB0, 99, 0), (0xB0, 98, 0))
    assert [reader.decode(bytes((0xB0, n, value)))[0].step for n in (96, 97)] == [1, -1]


def test_channels_are_kept_apart():
    reader = decoder(Source("nrpn", 0, 1), Source("cc14", 16, 2), Source("cc", 20, 3), Source("cc", 20, 0))
    assert raws(reader, (0xB1, 99, 0), (0xB0, 98, 0), (0xB0, 6, 1)) == []
    assert raws(reader, (0xB0, 16, 5), (0xB0, 48, 5)) == []
    assert [one.control for one in reader.decode(bytes((0xB2, 20, 7)))] == [3, 2] or [
        one.control for one in reader.decode(bytes((0xB2, 20, 7)))
    ] == [2, 3]


def test_notes_programs_bend_and_pressure():
    reader = decoder(
        Source("note", 36), Source("program", -1), Source("program", 5), Source("bend"), Source("pressure")
    )
    assert raws(reader, (0x90, 36, 64), (0x90, 36, 0), (0x80, 36, 64)) == [64, 0, 0]  # p. 10: velocity 0 is note-off
    assert {(one.control, one.raw) for one in reader.decode(bytes((0xC0, 5)))} == {(1, 5), (2, 127)}
    assert raws(reader, (0xE0, 0x00, 0x40)) == [8192]  # p. 19: 00 40 is the centre, LSB first
    assert raws(reader, (0xD0, 99)) == [99]


@given(st.lists(st.binary(max_size=4), max_size=60))
def test_no_bytes_can_break_it_and_numbers_stay_in_range(messages):
    sources = [
        Source("cc", 20),
        Source("cc14", 1),
        Source("nrpn", 3),
        Source("rpn", 0),
        Source("note", 36),
        Source("bend"),
    ]
    profile = Profile(controls=tuple(Control(str(n), source) for n, source in enumerate(sources)))
    reader = Decoder(profile)
    for data in messages:
        for heard in reader.decode(data):
            assert heard.step or 0 <= heard.raw <= profile.controls[heard.control].top


midi = st.tuples(
    st.sampled_from((0xB0, 0xB1)), st.sampled_from((1, 6, 20, 33, 38, 96, 97, 98, 99, 100, 101)), st.integers(0, 127)
)


@given(st.lists(midi, max_size=80), st.integers(0, 80))
def test_saved_and_restored_it_reads_on_the_same(messages, at):
    sources = (Source("cc14", 1), Source("nrpn", 3), Source("rpn", 0))
    one, other = decoder(*sources), decoder(*sources)
    whole = [one.decode(bytes(m)) for m in messages]
    part = [other.decode(bytes(m)) for m in messages[:at]]
    restored = decoder(*sources)
    restored.load(other.save())
    assert part + [restored.decode(bytes(m)) for m in messages[at:]] == whole


@given(st.integers(0, 16383))
def test_every_14_bit_number_arrives(number):
    reader = decoder(Source("cc14", 16))
    assert raws(reader, (0xB0, 16, number >> 7), (0xB0, 48, number & 127))[-1] == number
