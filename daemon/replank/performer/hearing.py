"""What comes in on the wires: whole messages, sorted by the port's role; the rest is ignored and counted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.actions import split_action
from replank.control.asking import Intent
from replank.control.decoding import is_channel_message
from replank.control.parameters import show
from replank.control.setup import Trigger
from replank.line.heard import is_accented
from replank.performer import acting, clock_out, clocking, lookahead, pieces
from replank.performer.messages import CLOCK, CONTINUE, SONG_POSITION, START, STOP

if TYPE_CHECKING:
    from replank.performer.core import Performer

_SYSTEM = {0xF1: 2, 0xF2: 3, 0xF3: 2, 0xF6: 1, 0xF8: 1, 0xFA: 1, 0xFB: 1, 0xFC: 1, 0xFE: 1, 0xFF: 1}
"""Lengths of whole system messages, status byte included (MIDI 1.0 Detailed Specification, table 6)."""


_PASSED = (CLOCK, START, CONTINUE, STOP, SONG_POSITION)
"""What an output with `send_clock: thru` is sent as it came; clocks that drive the line are passed on by `tick`."""


def is_message(data: bytes) -> bool:
    """Tell whether the bytes are exactly one whole MIDI message, SysEx aside."""
    if is_channel_message(data):
        return True
    return bool(data) and _SYSTEM.get(data[0]) == len(data) and max(data[1:], default=0) < 0x80


def heard(p: Performer, port: int, data: bytes) -> None:
    """Take the bytes of one message on an input."""
    if not is_message(data):
        if not (data and data[0] == 0xF0 and data[-1] == 0xF7):
            _malformed(p, port)
        return
    role = p.role(port)
    if role == "clock":
        _clock(p, data)
    elif data[0] >= 0xF8:
        p.counts["realtime_elsewhere"] += 1
    elif role == "knobs":
        intents = p.hands.message(port, data, p.now, p.values, p.lists())
        if intents:
            carry_out(p, intents, "knobs")
    elif role == "keyboard":
        if p.setup.inputs[port].profile:
            carry_out(p, p.hands.message(port, data, p.now, p.values, p.lists()), "knobs")
        channel = p.setup.inputs[port].channel
        if not channel or (data[0] & 0x0F) + 1 == channel:
            p.keyboard.selected, p.keyboard.length = p.selected + 1, p.settings.length
            carry_out(p, p.keyboard.message(data, p.now), "keyboard")


def _malformed(p: Performer, port: int) -> None:
    p.malformed[port] += 1
    count = p.malformed[port]
    # once, then at each power of ten: a broken cable must not flood the screen
    if str(count).rstrip("0") == "1":
        p.notice("malformed", port=p.setup.inputs[port].name, count=count)


def _clock(p: Performer, data: bytes) -> None:
    status, clock = data[0], p.setup.clock
    if p.thru_outputs and (clock.mode == "pulses" or status != CLOCK) and status in _PASSED:
        clock_out.pass_on(p, data)
    if clock.mode == "pulses":
        if matches(clock.pulse, data):
            clocking.pulse(p)
        elif matches(clock.reset, data) or status == START:
            if status == START:
                clocking.phrases_from_here(p)
            clocking.reset(p, from_wire=True)
        elif status == STOP:
            clocking.stop(p)
        return
    if clock.source == "internal":
        return
    if status == START:
        clocking.start(p, "Start")
    elif status == CONTINUE:
        clocking.go_on(p)
    elif status == STOP:
        clocking.stop(p)
    elif status == SONG_POSITION:
        clocking.song_position(p, data[1] | data[2] << 7)
    elif status == CLOCK:
        clocking.tick(p)


def matches(trigger: Trigger, data: bytes) -> bool:
    """Tell whether a message is what a trigger waits for."""
    if not data:
        return False
    status = data[0]
    if trigger.kind == "clock":
        return status == CLOCK
    if trigger.kind == "start":
        return status == START
    if status >= 0xF0 or (trigger.channel and (status & 0x0F) + 1 != trigger.channel):
        return False
    if trigger.number not in (-1, data[1]):
        return False
    if trigger.kind == "note":
        return status & 0xF0 == 0x90 and data[2] > 0
    # a controller counts while it is on (64 to 127: MIDI 1.0, switches)
    return trigger.kind == "cc" and status & 0xF0 == 0xB0 and data[2] >= 64


def carry_out(p: Performer, intents: list[Intent], origin: str) -> None:
    """Do what hands asked for, in their order; values that follow each other are set together."""
    values: dict[str, Any] = {}
    for intent in intents:
        if intent.kind == "set":
            values[intent.name] = intent.value
            continue
        if values:
            acting.assign_each(p, values, origin)
            values = {}
        if intent.kind == "act":
            try:
                name, args, due = split_action(intent.name)
            except ValueError as error:
                p.notice("refused", what=intent.name, why=str(error), origin=origin)
                continue
            acting.act(p, name, args, due, origin)
        elif intent.kind == "catch":
            pieces.catch(p, list(intent.value or ()))
        else:
            data = dict(intent.data)
            if intent.name == "clamped":
                data["shown"] = show(data["name"], data["value"], p.setup.middle_c)
            p.notice(intent.name, **data)
    if values:
        acting.assign_each(p, values, origin)


def watch_steps(p: Performer) -> None:
    """Let hands know which steps sound, so that an echo presses none: where a box shows them, after notices."""
    steps = p.melody.steps[: p.settings.length]
    states = [
        lookahead.rhythm(p, step, i, p.melody.passes)[0] * (1 + is_accented(step, p.settings.accent))
        for i, step in enumerate(steps)
    ]
    p.hands.steps_heard(states, p.now)


def hands_fire(p: Performer) -> None:
    """Let the boxes' decoder do what is due."""
    p.find_hands_due()
    carry_out(p, p.hands.fire(p.now, p.values, p.lists()), "knobs")
    p.schedule_hands()
