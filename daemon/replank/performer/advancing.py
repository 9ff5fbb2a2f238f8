"""Voices that speak before their step: a negative delay, for what answers late.

The moment is foretold by the last intervals, and only where the clock is
steady and the next step is certain: not with pulses, not where something due
or a ramp may still change it, not where a step is shorter than the advance.
Then the voice speaks with the others, on time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from replank.line.heard import is_accented, link_of, velocity_roll_of
from replank.line.steps import LINK_NONE, LINK_SLIDE, LINK_TIE, Step
from replank.performer import striking
from replank.performer.voices import SLIDE, STRIKE, Sound, lead_ns

if TYPE_CHECKING:
    from replank.performer.core import Performer


class Foretold(NamedTuple):
    """The step that is struck next.

    Attributes:
        step: As it will be.
        place: Of the line, from 0.
        begins: True where it is the first of a cycle.
        heard: True where it is struck.
    """

    step: Step
    place: int
    begins: bool
    heard: bool


def plan(p: Performer, length: int) -> None:
    """Let voices speak ahead of the next strike, which comes in `length` ns as far as is known."""
    t = p.transport
    if length <= 0 or not t.follower.steady:
        return
    for i in p.band.earlies:
        lead = lead_ns(p.band.voices[i])
        if lead < length:
            p.schedule(p.now + length - lead, "early", [i, t.playhead.advances + 1])


def speak(p: Performer, i: int, number: int) -> None:
    """Let a voice speak ahead of the strike of the playhead's advance `number`, if that is certain."""
    coming = _foretell(p, number)
    if i not in p.band.earlies or coming is None:
        return
    t, s = p.transport, p.settings
    step, lag = coming.step, p.band.voices[i].canon_steps
    if lag:
        if len(p.band.past) < lag:
            return
        sound = p.band.past[-lag]
    else:
        note = s.lens.sound(step, s.degrees, s.semitones)
        accent = is_accented(step, s.accent)
        sound = Sound(
            SLIDE if t.tie == LINK_SLIDE else STRIKE, coming.place, s.lens.base(step), note,
            s.velocity_of(step, accent), velocity_roll_of(step), accent, 0,
            s.lens.deviation(note, s.semitones) if p.band.bends else 0.0, coming.begins,
        )  # fmt: skip
        if not coming.heard or t.tie == LINK_TIE:
            return  # nothing is struck
    if sound.kind in (STRIKE, SLIDE):
        length = t.follower.interval * s.division
        # Until the step itself comes and says how long: a linked note must last until then.
        linked = bool(lag) or link_of(step, s.slide) != LINK_NONE
        sound = sound._replace(gate=2 * length if linked else int(length * s.gate))
        p.band.speak_early(p, i, sound, number, coming.place)


def _foretell(p: Performer, number: int) -> Foretold | None:
    """Return the step of the playhead's advance `number`, or None where it is not certain."""
    t, m, head = p.transport, p.melody, p.transport.playhead
    if not t.running or t.lost or not t.follower.steady or p.ending or p.tuning or striking.is_silenced(p):
        return None
    if head.advances == number:  # swung: it has begun, and waits for its strike
        step = m.steps[head.index]
        return Foretold(step, head.index, head.phase == 0, striking.sounds(p, step, head.index, m.passes))
    index, begins = striking.coming(p)
    if head.advances != number - 1 or _may_change(p, begins):
        return None
    step, heard = striking.outlook(p)
    return Foretold(step, index, begins, heard)


def _may_change(p: Performer, begins: bool) -> bool:
    """Tell whether something is due that may make the next step another one."""
    t = p.transport
    is_bar = t.next_bar <= t.next_step
    units = {"step", "boundary"} | ({"bar"} if is_bar else set()) | ({"cycle"} if begins else set())
    return bool(p.ramps or (p.answer and is_bar) or any(unit in units for unit, _, _ in p.due))
