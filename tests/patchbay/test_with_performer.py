"""What the arithmetic says about a rig, beside what the performer sends for it.

Each message of a real performance is taken through a model of the other end: a 5-pin
cable of 320 us a byte (MIDI 1.0 Detailed Specification 4.2.1, p. 1), and an interface
that turns notes, bend and bend range into volts.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

import pytest

from replank.control.setup import Output, Piece, Setup, Voice, Voltage
from replank.control.wire import BYTE_US, cables
from replank.performer import Performer
from replank.performer.events import Midi

STRANGE = Voltage(per_octave=1.2, zero_note=36, low=0.0, high=8.0, bits=12)
CLOCK_NS = 20_833_333


def outcomes(
    setup: Setup, clocks: int = 96 * 24, seed: int = 11
) -> Iterator[tuple[int, list[tuple[int, bytes]], list[str]]]:
    """Play for so many clocks; yield (ns, messages, kinds of notices) of every event and deadline."""
    performer = Performer(setup, seed)
    for number in range(-1, clocks):
        now = 1_000_000_000 + number * CLOCK_NS
        while (due := performer.next_deadline()) is not None and due <= now:
            outcome = performer.advance(due)
            yield due, outcome.messages, [notice.kind for notice in outcome.notices]
        outcome = performer.receive(Midi(0, b"\xfa" if number < 0 else b"\xf8"), now)
        yield now, outcome.messages, [notice.kind for notice in outcome.notices]


RIGS = {
    "plain": (Voice(),),
    "bend": (Voice(bend_range=2),),
    "fine velocity": (Voice(velocity_14bit=True),),
    "trigger": (Voice(accent_note=36),),
    "slides": (Voice(slide_cc=True, slide_time=40, bend_range=12),),
    "two voices": (Voice("line", accent_note=40), Voice("bass", channel=2, transpose=-12, bend_range=2)),
}
BUSY = {"slide_chance": 0.3, "accent_chance": 0.4, "rest_chance": 0.3, "gate": 1.0, "scale": "dorian"}


def arrivals(setup: Setup, after: int = 0) -> dict[int, set[int]]:
    """Return channel -> when its struck notes arrived, in us after the first byte of their step.

    The first `after` steps are left out.
    """
    found: dict[int, set[int]] = defaultdict(set)
    steps = 0
    for _, messages, kinds in outcomes(setup):
        if "step" not in kinds:
            continue
        steps += 1
        if steps <= after:
            continue
        sent = 0
        for _, data in messages:
            sent += len(data)
            if data[0] & 0xF0 == 0x90 and data[2] and data[0] & 0x0F != 9:  # channel 10 is the trigger's
                found[(data[0] & 0x0F) + 1].add(sent * BYTE_US)
    return found


@pytest.mark.parametrize("name", RIGS)
def test_notes_on_a_din_cable_arrive_when_the_report_says(name: str) -> None:
    setup = Setup(outputs=(Output(din=True),), voices=RIGS[name], values=BUSY)
    computed = cables(setup)[0].arrivals
    played = arrivals(setup)
    for voice, arrival in zip(RIGS[name], computed, strict=True):
        assert max(played[voice.channel]) == arrival.fullest, (voice.name, played[voice.channel])
        assert min(played[voice.channel]) >= arrival.leanest


@pytest.mark.parametrize("name", RIGS)
def test_with_controllers_ahead_notes_arrive_when_the_report_says(name: str) -> None:
    setup = Setup(outputs=(Output(din=True, cc_early=True),), voices=RIGS[name], values=BUSY)
    computed = cables(setup)[0].arrivals
    played = arrivals(setup, after=2)  # no interval is known before the second step
    for voice, arrival in zip(RIGS[name], computed, strict=True):
        assert max(played[voice.channel]) == arrival.fullest, (voice.name, played[voice.channel])
        assert min(played[voice.channel]) >= arrival.leanest


def test_the_comparison_rejects_controllers_that_are_not_sent_ahead() -> None:
    # negative control: the performer of a rig without `cc_early` beside the report of one with it
    setup = Setup(outputs=(Output(din=True),), voices=RIGS["plain"], values=BUSY)
    hasty = replace(setup, outputs=(Output(din=True, cc_early=True),))
    assert max(arrivals(setup, after=2)[1]) > cables(hasty)[0].arrivals[0].fullest


def test_a_voice_ahead_of_its_step_has_the_cable_for_itself() -> None:
    voices = (Voice("line"), Voice("early", channel=2, delay_ms=-20.0))
    setup = Setup(outputs=(Output(din=True),), voices=voices, values={**BUSY, "slide_chance": 0.0})
    line, early = cables(setup)[0].arrivals
    assert line.fullest == early.fullest
    own = []
    for _, messages, kinds in outcomes(setup):
        ons = [at for at, (_, data) in enumerate(messages) if data[0] == 0x91 and data[2]]
        if ons and "step" not in kinds:
            own.append(sum(len(data) for _, data in messages[: ons[0] + 1]) * BYTE_US)
    assert len(own) > 100
    assert max(own) <= early.fullest


def test_the_comparison_rejects_a_report_that_forgets_a_controller() -> None:
    setup = Setup(outputs=(Output(din=True),), voices=RIGS["bend"], values=BUSY)
    forgetful = replace(setup, voices=(Voice(),))
    assert max(arrivals(setup)[1]) != cables(forgetful)[0].arrivals[0].fullest


class Converter:
    """An interface that turns one channel's messages into volts, as its maker's manual would say."""

    def __init__(self, volts_per_semitone: float, zero_note: int) -> None:
        self.volts_per_semitone, self.zero_note = volts_per_semitone, zero_note
        self.bend, self.bend_range = 8192, 2.0
        self.parameter = (127, 127)
        self.volts: list[tuple[int, float]] = []

    def take(self, data: bytes) -> None:
        kind = data[0] & 0xF0
        if kind == 0xE0:
            self.bend = data[1] | data[2] << 7
        elif kind == 0xB0 and data[1] in (100, 101):
            msb, lsb = self.parameter
            self.parameter = (data[2], lsb) if data[1] == 101 else (msb, data[2])
        elif kind == 0xB0 and data[1] == 6 and self.parameter == (0, 0):
            self.bend_range = float(data[2])
        elif kind == 0x90 and data[2]:
            semitones = data[1] - self.zero_note + (self.bend - 8192) / 8192 * self.bend_range
            self.volts.append((data[1], semitones * self.volts_per_semitone))


def performed_volts(voice: Voice, **values: float | str) -> tuple[Converter, list[str]]:
    setup = Setup(voices=(voice,), pieces=(Piece("Occultation", values),), values=dict(values))
    interface, said = Converter(0.1, 36), []
    for _, messages, kinds in outcomes(setup, 24 * 64):
        said += kinds
        for _, data in messages:
            interface.take(data)
    return interface, said


@pytest.mark.parametrize("out_of_range", ["fold", "clamp", "rest"])
def test_the_strange_interface_gets_right_volts_from_a_performance(out_of_range: str) -> None:
    # register from note 24: its lowest octave would need volts below 0
    voice = Voice(voltage=STRANGE, out_of_range=out_of_range)
    interface, said = performed_volts(voice, register_low=24, register_span=18, root="A")
    assert len(interface.volts) > 20
    for note, volts in interface.volts:
        assert volts == pytest.approx((note - 36) / 10, abs=1e-9)
        assert 0.0 <= volts <= 8.0
    assert "out_of_range" in said  # announced, never silently wrong


def test_without_the_model_volts_would_be_out_of_range() -> None:
    # negative control: the same performance with a voice that knows nothing of volts
    interface, said = performed_volts(Voice(), register_low=24, register_span=18, root="A")
    assert min(volts for _, volts in interface.volts) < 0.0
    assert "out_of_range" not in said


def test_a_correction_reaches_the_interface_as_volts() -> None:
    # -12 cents at note 36, +8 at 116, straight between them: 1 mV a cent here
    voice = Voice(voltage=STRANGE, bend_range=2, tuning=((36, -12.0), (116, 8.0)))
    interface, _ = performed_volts(voice, register_low=40, register_span=36)
    assert len(interface.volts) > 20
    for note, volts in interface.volts:
        cents = -12.0 + 20.0 * (note - 36) / 80
        assert (volts - (note - 36) / 10) * 1000 == pytest.approx(cents, abs=0.02)  # half a bend step
    plain, _ = performed_volts(replace(voice, tuning=()), register_low=40, register_span=36)
    assert all(volts == pytest.approx((note - 36) / 10, abs=1e-9) for note, volts in plain.volts)


def test_a_scale_in_cents_reaches_the_interface_and_twelve_tones_stay_exact() -> None:
    just = (0.0, 203.910, 386.314, 498.045, 701.955, 884.359, 1088.269)  # 9/8 5/4 4/3 3/2 5/3 15/8
    setup = Setup(voices=(Voice(bend_range=2),), user_scales={"just": just}, values={"scale": "just", "root": "C"})
    interface = Converter(0.1, 36)
    for _, messages, _ in outcomes(setup, 24 * 32):
        for _, data in messages:
            interface.take(data)
    seen = set()
    for note, volts in interface.volts:
        degree = min(just, key=lambda cents: abs(cents - note % 12 * 100))
        seen.add(degree)
        assert (volts * 1000 - (note - 36) * 100) == pytest.approx(degree - note % 12 * 100, abs=0.02)
    assert len(seen) >= 4
