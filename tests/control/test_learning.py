"""Recognising controls by what they send."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.learning import recognise
from replank.control.learnt import check_function, entry_for
from replank.control.profiles import Source
from tests.control import streams

dice = st.integers(0, 10**6).map(random.Random)
channels = st.integers(1, 16)
CLOCK = b"\xf8"


@given(dice, channels, st.sampled_from([n for n in range(120) if n not in (6, 38)]))
def test_a_knob_of_seven_bits(roll, channel, number):
    found = recognise(streams.knob_7(roll, channel, number))
    assert (found.source, found.shape, found.unsure) == (Source("cc", number, channel), "knob", "")


@given(dice, channels, st.integers(0, 31))
def test_a_knob_of_fourteen_bits(roll, channel, number):
    found = recognise(streams.knob_14(roll, channel, number))
    assert (found.source, found.shape, found.unsure) == (Source("cc14", number, channel), "knob", "")


@given(dice, channels, st.integers(0, 16382), st.booleans(), st.booleans(), st.booleans())
def test_nrpn_and_rpn(roll, channel, number, registered, fine, again):
    messages = streams.parameter(roll, channel, number, registered=registered, fine=fine, again=again)
    found = recognise(messages)
    kind = "rpn" if registered else "nrpn"
    assert (found.source, found.shape, found.bits) == (Source(kind, number, channel), "knob", 14 if fine else 7)


@given(dice, channels, st.integers(0, 119), st.sampled_from(sorted(streams.RELATIVE)))
def test_encoders_by_the_slow_turn_right_left_right(roll, channel, number, encoding):
    found = recognise(streams.encoder(roll, channel, number, encoding))
    assert (found.source, found.shape, found.relative, found.unsure) == (
        Source("cc", number, channel),
        "encoder",
        encoding,
        "",
    )


def test_an_encoder_that_was_turned_one_way_is_not_guessed():
    for encoding, byte in (("twos-complement", 1), ("offset-64", 65)):
        found = recognise([streams.cc(1, 20, streams.RELATIVE[encoding](1))] * 10)
        assert found.relative == "" and "right, left, right" in found.unsure
        assert streams.RELATIVE[encoding](1) == byte


@pytest.mark.parametrize(
    ("messages", "latching", "kind"),
    [
        (streams.pressed(b"\x90\x24\x40", b"\x80\x24\x00"), False, "note"),
        (streams.pressed(b"\x90\x24\x40", b"\x90\x24\x00"), False, "note"),
        (streams.pressed(b"\x90\x24\x40", b"\x80\x24\x00", latching=True), True, "note"),
        (streams.pressed(b"\xb0\x50\x7f", b"\xb0\x50\x00"), False, "cc"),
        (streams.pressed(b"\xb0\x50\x7f", b"\xb0\x50\x00", latching=True), True, "cc"),
        (streams.pressed(b"\xb0\x50\x7f", None), False, "cc"),
        (streams.pressed(b"\xc0\x05", None), False, "program"),
    ],
)
def test_buttons_by_two_presses(messages, latching, kind):
    found = recognise(messages)
    assert (found.source.kind, found.shape, found.latching, found.unsure) == (kind, "button", latching, "")


def test_pads_with_pressure_and_faders_with_touch():
    pad = [b"\x90\x24\x40", b"\xd0\x10", b"\xd0\x30", b"\xd0\x00", b"\x80\x24\x00"] * 2
    assert recognise(pad).source == Source("note", 36, 1)
    fader = [b"\x90\x68\x7f", *streams.knob_14(random.Random(1), 1, 7), b"\x90\x68\x00"]
    assert recognise(fader).source == Source("cc14", 7, 1)


def test_bend_pressure_and_programs():
    bend = [bytes((0xE2, value & 127, value >> 7)) for value in range(8192, 16000, 500)]
    assert recognise(bend).source == Source("bend", -1, 3)
    assert recognise([bytes((0xD0, value)) for value in range(0, 100, 9)]).source == Source("pressure", -1, 1)
    assert recognise([b"\xc0\x01", b"\xc0\x02"]).source == Source("program", -1, 1)


@given(dice)
def test_clock_and_sensing_between_do_not_matter(roll):
    messages = [one for data in streams.knob_7(roll, 1, 20) for one in (CLOCK, data, b"\xfe")]
    assert recognise(messages).source == Source("cc", 20, 1)


def test_two_controls_at_once_and_silence_are_said():
    both = recognise(streams.knob_7(random.Random(1), 1, 20) + streams.knob_7(random.Random(2), 1, 21))
    assert both.source is None and "cc 20" in both.heard and "one control alone" in both.unsure
    assert recognise([CLOCK]).source is None


@given(st.lists(st.binary(max_size=4), max_size=40))
def test_nothing_breaks_the_recogniser(messages):
    recognise(messages)


# -- functions ------------------------------------------------------------------------------------

KNOB = recognise(streams.knob_7(random.Random(1), 1, 20))
PUSH = recognise(streams.pressed(b"\x90\x24\x40", b"\x80\x24\x00"))
RING = recognise(streams.encoder(random.Random(1), 2, 9, "offset-64"))


@pytest.mark.parametrize(
    ("function", "finding", "keys"),
    [
        ("gate", KNOB, {"label": "gate", "sends": "cc 20", "channel": 1, "moves": "gate"}),
        ("gate", RING, {"label": "gate", "sends": "cc 9", "channel": 2, "relative": "offset-64", "moves": "gate"}),
        ("mute", PUSH, {"label": "mute", "sends": "note 36", "channel": 1, "toggles": "mute"}),
        ("keep_last", PUSH, {"label": "keep last", "sends": "note 36", "channel": 1, "does": "keep_last"}),
        (
            "rotate:*", RING,
            {"label": "rotate", "sends": "cc 9", "channel": 2, "relative": "offset-64", "turn": "rotate:*"},
        ),
        (
            "scale=dorian,phrygian", PUSH,
            {"label": "scale", "sends": "note 36", "channel": 1, "chooses": "scale", "values": ["dorian", "phrygian"]},
        ),
    ],
)  # fmt: skip
def test_entries(function, finding, keys):
    check_function(function)
    assert entry_for(function, finding) == keys


@pytest.mark.parametrize(
    ("function", "finding", "why"),
    [
        ("keep", KNOB, "for a button"),
        ("gate", PUSH, "write them: gate="),
        ("rotate:*", PUSH, "amount of a turn"),
        ("gate", recognise([]), "no control was heard"),
    ],
)
def test_what_a_control_cannot_do_is_said(function, finding, why):
    with pytest.raises(ValueError, match=why):
        entry_for(function, finding)


@pytest.mark.parametrize(
    ("function", "why"),
    [
        ("gaet", "nearest: gate"),
        ("kepe", "nearest: keep"),
        ("scale=dorain", "dorian"),
        ("recall", "recall:NAME"),
        ("", "there is no function"),
    ],
)
def test_what_is_no_function_is_said_before_anything_moves(function, why):
    with pytest.raises(ValueError, match=why):
        check_function(function)
