"""The clock that we send: made from pulses or our own, passed on, filled up where clocks were made up."""

from __future__ import annotations

from typing import TYPE_CHECKING

from replank.performer.messages import CLOCK, CONTINUE, START, STOP

if TYPE_CHECKING:
    from replank.performer.core import Performer

_SENSE = 250_000_000
"""Active sensing is sent this often, ns (MIDI 1.0: within 270 ms)."""


def send_clock(p: Performer, status: int) -> None:
    """Send a transport message of our own to the outputs whose clock is made here."""
    for output in p.generate_outputs:
        p.send(output, bytes((status,)))


def pass_on(p: Performer, data: bytes) -> None:
    """Pass a clock, transport or position message on, as it came."""
    for output in p.thru_outputs:
        p.send(output, data)


def make_clocks(p: Performer) -> None:
    """Make a pulse's clocks: a step of them, spread over the last interval, whatever becomes of the next pulse."""
    t, division = p.transport, p.settings.division
    send_owed(p)
    if t.told != CLOCK:
        send_clock(p, CONTINUE if t.told == STOP else START)
        t.told = CLOCK
    send_clock(p, CLOCK)
    t.owed, interval = division - 1, t.pulse.interval
    for n in range(1, division if interval else 1):
        p.schedule(p.now + n * interval // division, "made", [])


def send_owed(p: Performer) -> None:
    """Send what is left of a pulse's clocks: the next came sooner, and a receiver counts, so none may be missing."""
    t = p.transport
    p.unschedule("made")
    for _ in range(t.owed):
        send_clock(p, CLOCK)
    t.owed = 0


def made_clock(p: Performer) -> None:
    """One of a pulse's clocks is due."""
    if p.transport.owed:
        p.transport.owed -= 1
        send_clock(p, CLOCK)


def sense(p: Performer, output: int) -> None:
    """Send active sensing, again and again."""
    if output < len(p.setup.outputs) and p.setup.outputs[output].active_sensing:
        p.send(output, b"\xfe")
        p.schedule(p.now + _SENSE, "sense", [output])


def fill_up(p: Performer, clocks: int) -> None:
    """Send clocks that were made up, evenly before the next one is expected, to outputs that are sent the clock."""
    interval = p.transport.judge.interval
    for n in range(1, clocks + 1 if p.clock_outputs else 1):
        p.schedule(p.now + n * interval // (clocks + 1), "filled", [])


def filled(p: Performer) -> None:
    """A clock that was made up is due."""
    for output in p.clock_outputs:
        p.send(output, b"\xf8")
