"""A step is struck, or rests: its sound, its gate, what links it to the next, its ratchet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.notices import Notice
from replank.line.heard import is_accented, velocity_roll_of
from replank.line.steps import BY_CHANCE, LINK_NONE, LINK_SLIDE, LINK_TIE
from replank.performer import advancing, clocking, lookahead
from replank.performer.reading import Heard, Reading
from replank.performer.voices import GO_ON, HOLD_ON, SLIDE, STRIKE, Sound, struck_again
from replank.performer.voices import REST as SILENT
from replank.timing.gates import (
    LONGEST_PULSE_GATE_NS,
    UNKNOWN_GATE_NS,
    clocks_ns,
    gap_before_repeat,
    ratchet_offsets,
    swing_delay,
)

if TYPE_CHECKING:
    from replank.performer.core import Performer

SUSTAINED = 4
"""Beside the link states of a step: what sounds is held as long as steps rest by chance."""
_LINK_WORDS = {LINK_NONE: "none", LINK_SLIDE: "slide", LINK_TIE: "tie", SUSTAINED: "tie"}
_PULSES_HELD = 16
"""With pulses a sustained note is held through so many steps at most; else through a bar."""

AHEAD_NS = 5_000_000
"""Controllers that go ahead of a step leave so long before it: two of them last 1.92 ms on a DIN cable."""


def go_ahead(p: Performer, i: int) -> None:
    """Let a voice's controllers go ahead of the coming step."""
    if i in p.band.aheads and not lookahead.is_silenced(p):
        coming, begins = lookahead.upcoming(p), p.transport.playhead.peek()[1]
        struck = coming.is_struck and (p.transport.tie != LINK_TIE or coming.is_close)
        accent = is_accented(coming.step, p.settings.accent)
        p.band.ahead(p, i, accent, velocity_roll_of(coming.step), struck, begins)


def strike(p: Performer, index: int, length: int, begins: bool, age: int = 0) -> None:
    """Sound a step, or rest.

    Args:
        p: The performer.
        index: The step, from 0.
        length: Nanoseconds until the next strike as far as is known; 0 unknown.
        begins: True on the first step of a cycle.
        age: How long ago it should have been struck, ns; its gate ends where it would have ended.
    """
    m, s, t, band = p.melody, p.settings, p.transport, p.band
    if band.earlies or band.aheads:
        p.unschedule("early", "ahead")  # what was to come before this strike comes no more
    read, is_close = p.readings.of(index, m.steps[index], s), False
    here = read.heard
    if s.phrase or not read.is_steady:
        here = lookahead.here(p, index)
        is_close = here.is_close
        read = lookahead.reading(p, index, here)
        if is_close and here.phrase is not None:
            t.closed = here.phrase.end
    if m.stood_in or here.step is not m.steps[index]:
        m.stands_in(index, here.step)
    silenced = (s.mute or p.ending or p.answer) and lookahead.is_silenced(p)
    heard = here.is_struck and not silenced
    accent = heard and read.is_accented
    velocity = read.loud if accent else read.soft
    kind, strikes, gate, linked = SILENT, 1, length, LINK_NONE
    tie, t.tie = t.tie, 0
    if heard:
        kind = STRIKE if is_close else GO_ON if tie == LINK_TIE else SLIDE if tie == LINK_SLIDE else STRIKE
        strikes = 1 if kind == GO_ON else read.strikes
        gate = int(length * s.gate)
        if is_close or not read.is_plain or p.by_pulses or length - gate < s.gap:
            gate, linked = _gate(p, here, read, length, strikes)
    elif here.covers and here.is_held_through:
        kind, gate = HOLD_ON, _until_breath(p, here)
    elif tie == SUSTAINED and here.rests_by_chance and t.step_clock < t.sustain[1]:
        kind, (gate, linked) = HOLD_ON, _hold_over(p, length, lookahead.upcoming(p))
    if age:
        gate, length = max(1, gate - age), max(1, length - age)
    spacing = length // strikes
    sound = Sound._make((
        kind, index, read.base, read.note, velocity, read.roll, accent, gate, read.cents if band.bends else 0.0,
        begins, strikes, spacing, linked != LINK_NONE or 0 < spacing < gate, read.soft,
    ))  # fmt: skip
    if silenced:
        band.pass_silently(p, sound if kind == HOLD_ON else Sound(SILENT, index))
    else:
        band.play(p, sound)
        for i in band.aheads if length else ():
            p.schedule(p.now + length - min(AHEAD_NS, length // 2), "ahead", [i])
        if strikes > 1:
            _repeat(p, sound)
    t.tie = linked
    if band.earlies:
        advancing.plan(p, 0 if p.by_pulses else length)
    m.sounded[index] = read.note if heard else -1
    bar, beat, _ = t.bars.position(t.song_clock) if not p.by_pulses else (0, 0, 0)
    data = {
        "index": index + 1,
        "note": m.sounded[index],
        "velocity": velocity if heard else 0,
        "accent": accent,
        "link": "tie" if kind in (GO_ON, HOLD_ON) else _LINK_WORDS[linked],
        "cycle": m.cycle,
        "bar": bar,
        "beat": beat,
        "forced": here.step.rhythm != BY_CHANCE,
        "covers": here.covers,
    }
    p.notices.append(Notice("step", p.now, data))


# -- gates ---------------------------------------------------------------------


def _gate(p: Performer, here: Heard, read: Reading, length: int, strikes: int) -> tuple[int, int]:
    """Return the nanoseconds that a note sounds, and how it is linked to the next step."""
    s, pulses, link, note = p.settings, p.by_pulses, read.link, read.note
    if here.is_close:
        return _until_breath(p, here), LINK_NONE
    each = length // strikes
    coming = lookahead.upcoming(p) if strikes == 1 else None
    is_next_struck = coming is not None and coming.is_struck and not lookahead.is_silenced(p)
    if link != LINK_NONE and coming is not None and is_next_struck:
        if coming.is_close and not pulses and _note_next(p, coming) == note:  # it is struck, whatever leads to it
            return gap_before_repeat(length, length, s.gap), LINK_NONE
        # Runs into the next step; what ends it if that never comes is this
        # deadline (pulses) or the loss of the clock.
        longest = LONGEST_PULSE_GATE_NS
        return (max(2 * length, longest) if pulses else 4 * max(length, longest)), link
    if each <= 0:
        return UNKNOWN_GATE_NS, LINK_NONE
    if read.may_sustain and coming is not None and coming.rests_by_chance:
        p.transport.sustain = [note, p.transport.step_clock + (_PULSES_HELD if pulses else p.transport.bars.bar_length)]
        return _hold_over(p, length, coming)
    gate = int(each * s.gate) or 1
    if pulses:
        return min(gate, LONGEST_PULSE_GATE_NS), LINK_NONE
    if s.gate >= 1.0 or each - gate < s.gap:
        struck = strikes > 1 or is_next_struck
        if struck and (coming is None or _note_next(p, coming) == note):
            return gap_before_repeat(gate, each, s.gap), LINK_NONE
        if struck and s.gate >= 1.0:
            return _into_next(each), LINK_NONE
    return gate, LINK_NONE


def _into_next(length: int) -> int:
    """Return a gate that the next step's own batch ends; a quarter more is for a late clock."""
    return length + length // 4


def _note_next(p: Performer, coming: Heard) -> int:
    return lookahead.reading(p, lookahead.coming(p)[0], coming).note


def _hold_over(p: Performer, length: int, coming: Heard) -> tuple[int, int]:
    """Return how long a sustained note is held from this step on, and whether the next step may hold it on."""
    t = p.transport
    note, until = t.sustain
    clocks = lookahead.step_after(p, t.step_clock) - t.step_clock
    if t.step_clock + clocks > until:  # a bar is full before the next step
        return max(1, length * (until - t.step_clock) // clocks), LINK_NONE
    if coming.rests_by_chance and t.step_clock + clocks < until:
        longest = LONGEST_PULSE_GATE_NS
        return (longest if p.by_pulses else 4 * max(length, longest)), SUSTAINED
    if coming.is_struck and _note_next(p, coming) == note and not p.by_pulses:
        return gap_before_repeat(length, length, p.settings.gap), LINK_NONE
    return (min(_into_next(length), LONGEST_PULSE_GATE_NS) if p.by_pulses else _into_next(length)), LINK_NONE


def _until_breath(p: Performer, here: Heard) -> int:
    """Return the nanoseconds from this strike to the breath of its phrase."""
    t, s = p.transport, p.settings
    assert here.phrase is not None
    left = here.phrase.silence - here.at
    if here.is_close:
        t.sustain = [lookahead.reading(p, t.playhead.index, here).note, t.step_clock + left]
    if p.by_pulses:
        return min(max(1, left * t.pulse.interval or UNKNOWN_GATE_NS), LONGEST_PULSE_GATE_NS)
    whole, rest = swing_delay(t.step_clock, s.division, s.swing) if s.swing > 50 else (0, 0)
    gate = max(1, clocks_ns(left - whole, -rest, t.judge.pace.interval) or UNKNOWN_GATE_NS)
    if not s.breath and lookahead.step_after(p, t.step_clock) == here.phrase.silence:
        coming = lookahead.upcoming(p)  # no breath: the next phrase begins where this one ends
        if coming.is_struck and t.sustain[:1] == [_note_next(p, coming)]:
            return gap_before_repeat(gate, gate, s.gap)
    return gate


# -- ratchets ------------------------------------------------------------------


def _repeat(p: Performer, sound: Sound) -> None:
    """Let a step strike again: on whole clocks where they divide it, else by the last interval."""
    t, s = p.transport, p.settings
    again = struck_again(sound)
    offsets = None if p.by_pulses else ratchet_offsets(s.division, sound.ratchet)
    if offsets is not None and s.swing <= 50:
        for offset in offsets[1:]:
            clocking.count_off(p, t.song_clock + offset, "again", [*again])
    elif sound.spacing:
        for n in range(1, sound.ratchet):
            p.schedule(p.now + n * sound.spacing, "again", [*again])


def again(p: Performer, args: list[Any]) -> None:
    """Strike once more within a step."""
    if not lookahead.is_silenced(p):
        p.band.again(p, Sound(*args), is_repeat=True)


def late(p: Performer, i: int, sound: Sound) -> None:
    """Let a delayed or canon voice speak, unless a mute has come in between; what sounds keeps its gate."""
    muted = p.settings.mute or bool(p.answer and not lookahead.answer_sounds(p))
    if not (muted and sound.kind in (STRIKE, SLIDE)):
        p.band.speak(p, i, sound)
