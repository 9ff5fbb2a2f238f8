"""Clock and transport to a further output: passed through, or generated anew, also from pulses.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 27 to 32: 24 clocks a quarter
note, Start is position 0 at the next clock, Stop keeps the place, Song Position
is sent only while nothing plays.
"""

from __future__ import annotations

import pytest

from replank.control.setup import Clock, Output, Setup
from replank.performer import Performer, clock_out
from tests.performer.kit import MS, Stage, every_step


def onward(kind: str, **clock: str) -> Stage:
    """A stage with a second output that wants the clock."""
    setup = Setup(outputs=(Output(), Output("drum", send_clock=kind)), clock=Clock(**clock))
    return Stage(setup, **every_step())


def passed(stage: Stage) -> list[int]:
    """Status bytes that the second output was sent."""
    return [data[0] for _, output, data in stage.heard if output == 1]


def test_clock_and_transport_pass_through_where_wanted() -> None:
    stage = onward("thru", repeated_start="ignore")
    stage.start()
    stage.clocks(24)
    stage.midi(0xFC)
    stage.midi(0xF2, 8, 1)
    stage.midi(0xFB)
    stage.clocks(2)
    stage.start()  # ignored here; whoever listens behind us may see it otherwise
    assert passed(stage) == [0xFA, *[0xF8] * 24, 0xFC, 0xF2, 0xFB, 0xF8, 0xF8, 0xFA]
    assert [data for _, output, data in stage.heard if output == 1 and data[0] == 0xF2] == [b"\xf2\x08\x01"]
    stage.forget()
    stage.do("join", due="now")
    assert passed(stage) == []


def test_a_generated_clock_is_our_own_transport() -> None:
    stage = onward("generate")
    stage.clocks(2)
    stage.do("join")
    stage.clocks(2)
    stage.midi(0xFC)
    stage.midi(0xFC)
    stage.midi(0xF2, 4, 0)
    assert passed(stage) == [0xF8, 0xF8, 0xFA, 0xF8, 0xF8, 0xFC, 0xF2]


class Receiver:
    """What a sequencer behind us counts (MIDI 1.0, p. 27 to 31): Start is 0 at the next clock; Stop keeps the place.

    Attributes:
        clock: Song clock; -1 before the first after Start.
    """

    def __init__(self) -> None:
        self.clock, self.runs = -1, False

    def take(self, status: int) -> None:
        if status == 0xFA:
            self.clock, self.runs = -1, True
        elif status in (0xFB, 0xFC):
            self.runs = status == 0xFB
        elif status == 0xF8 and self.runs:
            self.clock += 1


def astray(stage: Stage, since_first: int) -> list[int]:
    """Play uneven pulses, Stop and reset among them; return each pulse at which the receiver was elsewhere."""
    receiver, wrong, pulses = Receiver(), [], since_first
    for wait in (250, 250, 120, 500, 60, 3000, 250, 0, 250, 90, -1, 250, 250, 40, 250, -2, 250, 30, 250):
        if wait == 0:
            stage.midi(0xFC)
            continue
        if wait < 0:
            stage.until(stage.now + (50 * MS if wait == -1 else 0))
            stage.midi(0xFA)  # the reset; just after its pulse it belongs to it
            pulses = 0 if wait == -1 else 1
            continue
        stage.pulse(wait * MS)
        for status in passed(stage):
            receiver.take(status)
        stage.forget()
        # at a pulse, all clocks of the steps before it have come and the first of its own
        if receiver.clock != pulses * 6:
            wrong.append(pulses)
        pulses += 1
    return wrong


def test_pulses_become_clocks_that_keep_their_place() -> None:
    assert astray(onward("generate", mode="pulses"), 0) == []


def test_clocks_that_are_dropped_when_a_pulse_comes_early_are_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: a pulse that comes early forgets what the one before still owed."""

    def forgetful(p: Performer) -> None:
        p.unschedule("generate")
        p.transport.owed = 0

    monkeypatch.setattr(clock_out, "send_owed", forgetful)
    assert astray(onward("generate", mode="pulses"), 0)


def test_with_pulses_a_clock_that_arrives_is_passed_on() -> None:
    stage = onward("thru", mode="pulses")
    stage.pulse()
    stage.clocks(2)
    stage.pulse()
    assert passed(stage) == [0xF8, 0xF8]
