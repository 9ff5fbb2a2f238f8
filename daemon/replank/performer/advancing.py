"""Voices that speak before their step: a negative delay, for what answers late.

The moment is foretold by the last intervals, and only where the clock is
steady and the next step is certain: not with pulses, not where something due
or a ramp or an arc may still change it, not where a step is shorter than the advance.
Then the voice speaks with the others, on time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from replank.line.heard import link_of
from replank.line.steps import LINK_NONE, LINK_SLIDE, LINK_TIE
from replank.performer import course, lookahead
from replank.performer.reading import Heard
from replank.performer.voices import SLIDE, STRIKE, Sound, lead_ns

if TYPE_CHECKING:
    from replank.performer.core import Performer


class Foretold(NamedTuple):
    """The step that is struck next.

    Attributes:
        heard: The step as it will be.
        place: Of the line, from 0.
        begins: True where it is the first of a cycle.
    """

    heard: Heard
    place: int
    begins: bool


def plan(p: Performer, length: int) -> None:
    """Let voices speak ahead of the next strike, which comes in `length` ns as far as is known."""
    t = p.transport
    if length <= 0 or not t.judge.steady:
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
    heard, lag = coming.heard, p.band.voices[i].canon_steps
    if lag:
        if len(p.band.past) < lag:
            return
        sound = p.band.past[-lag]
    else:
        if not heard.is_struck or (t.tie == LINK_TIE and not heard.is_close):
            return  # nothing is struck
        read = lookahead.reading(p, coming.place, heard)
        sound = Sound(
            SLIDE if t.tie == LINK_SLIDE and not heard.is_close else STRIKE, coming.place, read.base, read.note,
            read.loud if read.is_accented else read.soft, read.roll, read.is_accented, 0,
            read.cents if p.band.bends else 0.0, coming.begins, soft=read.soft,
        )  # fmt: skip
    if sound.kind in (STRIKE, SLIDE):
        length = t.judge.pace.interval * s.division
        # Until the step itself comes and says how long: a linked note must last until then.
        linked = bool(lag) or link_of(heard.step, s.slide) != LINK_NONE
        sound = sound._replace(gate=2 * length if linked else int(length * s.gate))
        p.band.speak_early(p, i, sound, number, coming.place)


def _foretell(p: Performer, number: int) -> Foretold | None:
    """Return the step of the playhead's advance `number`, or None where it is not certain."""
    t, head = p.transport, p.transport.playhead
    if not t.running or t.lost or not t.judge.steady or p.ending or p.tuning or lookahead.is_silenced(p):
        return None
    if head.advances == number:  # swung: it has begun, and waits for its strike
        return Foretold(lookahead.here(p, head.index), head.index, head.phase == 0)
    index, begins = lookahead.coming(p)
    if head.advances != number - 1 or _may_change(p, begins):
        return None
    return Foretold(lookahead.upcoming(p), index, begins)


def _may_change(p: Performer, begins: bool) -> bool:
    """Tell whether something is due that may make the next step another one."""
    t = p.transport
    is_bar, step = t.next_bar <= t.next_step, p.settings.division * t.judge.pace.interval
    units = {"step", "boundary"} | ({"bar"} if is_bar else set()) | ({"cycle"} if begins else set())
    is_planned = (is_bar and course.acts_next_bar(p)) or course.moves_within(p, 2 * step)
    return bool(p.ramps or is_planned or (p.answer and is_bar) or any(unit in units for unit, _, _ in p.due))
