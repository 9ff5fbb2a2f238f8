"""Swing, gates and ratchets in milliseconds, computed from 24 clocks to the quarter note.

MIDI 1.0 Detailed Specification 4.2.1, p. 30, gives the clock; a triplet is
two thirds of its value (any handbook of notation), so that swing of two
thirds puts the second sixteenth on the triplet grid.  That swing is measured
as the place of the second of two steps, 50 per cent straight, is common
practice of sequencers, without a published source.
"""

from fractions import Fraction

import pytest

from replank.control.setup import Setup
from replank.midi.offline import play_cycles
from replank.timing.divisions import division_clocks
from replank.timing.gates import clocks_ns, ratchet_offsets, swing_delay

AT_120 = 20_833_333
"""Nanoseconds per clock at 120 BPM."""


@pytest.mark.parametrize("value", ["1/16", "1/8", "1/4"])
def test_swing_of_two_thirds_is_the_triplet(value: str):
    division = division_clocks(value)
    triplet = division_clocks(value + "t")
    whole, rest = swing_delay(division, division, 66.667)
    assert rest == 0, "whole clocks suffice"
    assert division + whole == 2 * triplet


@pytest.mark.parametrize(
    ("swing", "late_ms"), [(50, 0), (54, 10), (58, 20), (60, 25), (62, 30), (66.667, 41.6667), (70, 50), (75, 62.5)]
)
def test_swing_of_sixteenths_at_120_bpm(swing: float, late_ms: float):
    """The second sixteenth of 250 ms falls at swing per cent of it: 2.5 ms a per cent after 125."""
    whole, rest = swing_delay(6, 6, swing)
    assert clocks_ns(whole, rest, AT_120) / 1e6 == pytest.approx(late_ms, abs=0.01)


@pytest.mark.parametrize(
    ("value", "strikes", "clocks"), [("1/16", 2, 3), ("1/16", 3, 2), ("1/8", 4, 3), ("1/8t", 4, 2), ("1/4", 3, 8)]
)
def test_repeats_are_note_values_themselves(value: str, strikes: int, clocks: int):
    found = ratchet_offsets(division_clocks(value), strikes)
    assert found == tuple(clocks * n for n in range(strikes))
    assert Fraction(division_clocks(value), strikes) == clocks


# -- as it is sent -------------------------------------------------------------


def sent(**values) -> list[tuple[float, float]]:
    """Return (start, length) in ms of every note of two cycles at 120 BPM, no two steps linked."""
    plain = {"slide_chance": 0.0, "rest_chance": 0.0, "hold": True, "length": 8} | values
    take = play_cycles(Setup(values=plain), 3, 2, 120.0)
    begun: dict[int, int] = {}
    notes = []
    for now, _, message in take.messages:
        if message[0] == 0x90 and message[2]:
            begun[message[1]] = now
        elif message[0] & 0xE0 == 0x80 and message[1] in begun:
            start = begun.pop(message[1])
            notes.append(((start - take.clock[0]) / 1e6, (now - start) / 1e6))
    return sorted(notes)


def check_gates(notes: list[tuple[float, float]], milliseconds: float) -> None:
    assert [long for _, long in notes] == pytest.approx([milliseconds] * 16, abs=1e-3)


@pytest.mark.parametrize(
    ("gate", "value", "milliseconds"),
    [(0.5, "1/16", 62.5), (0.6, "1/16", 75.0), (0.05, "1/4", 25.0), (0.25, "1/8d", 93.75), (0.9, "1/8", 225.0)],
)
def test_gates_at_120_bpm(gate: float, value: str, milliseconds: float):
    check_gates(sent(gate=gate, division=value), milliseconds)


def test_a_gate_of_the_wrong_length_is_rejected():
    with pytest.raises(AssertionError):
        check_gates(sent(gate=0.51), 62.5)


@pytest.mark.parametrize(("swing", "late_ms"), [(50.0, 0.0), (58.0, 20.0), (66.667, 41.6667), (75.0, 62.5)])
def test_swing_is_sent_late_on_every_second_sixteenth(swing: float, late_ms: float):
    starts = [start for start, _ in sent(swing=swing, length=7)]
    assert starts == pytest.approx([125 * n + late_ms * (n % 2) for n in range(14)], abs=0.25)


def test_four_strikes_of_a_sixteenth_are_sixty_fourths():
    """1/64 is 1.5 clocks, so they are spread over the time: 31.25 ms apart at 120 BPM."""
    assert ratchet_offsets(6, 4) is None
    starts = [start for start, _ in sent(ratchet_chance=1.0, ratchet_count=4)]
    assert starts == pytest.approx([31.25 * n for n in range(64)], abs=1e-3)
