"""What is heard at a step, now and next: the line's own, home on a visit, rests, passes, the end of a phrase.

The order is MUSIC's: the step itself, visit home, what is heard, breath and
close.  Playing asks it for the step that begins, looking ahead for the next;
so a slide, a gate or a voice that speaks early never expects another step.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from replank.line.chance import DICE, Numbers
from replank.line.lenses import TOP, fold
from replank.line.steps import LINK_NONE, Step
from replank.performer.reading import Heard, Reading, by_roll
from replank.timing import boundaries
from replank.timing.order import cycle_steps
from replank.timing.phrases import BREATH, CLOSE, Phrase, bars_left, number_of
from replank.timing.playhead import index_at

if TYPE_CHECKING:
    from replank.performer.core import Performer

FIFTH = 7
"""Semitones of the tone on which odd phrases close."""
BEAT_STEPS = 4
"""With pulses a beat is so many steps, and a bar four beats."""


def phrase_at(p: Performer, clock: int, cycle: int, phase: int) -> tuple[Phrase, int]:
    """Return the phrase of a step, and where in its count the step begins.

    Args:
        p: The performer; its `phrase` may be 0, then a phrase of four is meant.
        clock: Song clock at which the step begins.
        cycle, phase: The cycle and the place in it, from 0; they count with pulses.
    """
    s, bars = p.settings, p.transport.bars
    if p.by_pulses:
        steps = cycle_steps(s.direction, s.length)
        past = cycle - p.transport.phrase_origin
        number = number_of(past, s.phrase)
        first = past + bars_left(past, s.phrase) + 1
        start = (first - (s.phrase or 4)) * steps
        return Phrase(number, start, first * steps, BEAT_STEPS, s.breath), past * steps + phase
    known = p.transport.phrase
    if known is not None and known[0] is s and known[1].start <= clock < known[1].end:
        return known[1], clock
    bar = bars.bar_index(clock)
    left = bars_left(bar, s.phrase)
    line = bars.next_bar(clock - bars.bar_length + 1)
    end = line + (left + 1) * bars.bar_length
    start = end - (s.phrase or 4) * bars.bar_length
    phrase = Phrase(number_of(bar, s.phrase), start, end, bars.beat_length, s.breath)
    p.transport.phrase = s, phrase
    return phrase, clock


def visits(p: Performer, phrase: Phrase) -> bool:
    """Tell whether a phrase sounds as home."""
    every = p.settings.visit_home
    return bool(every) and phrase.number % every == 0


def step_after(p: Performer, clock: int) -> int:
    """Return the song clock of the step after one at `clock`."""
    if p.by_pulses:
        return clock + 1
    return boundaries.step_after(p.transport.bars, p.settings.restart_every, p.settings.division, clock)


def restarts_next(p: Performer, clock: int) -> bool:
    """Tell whether a bar line returns the line to step 1 before, or as, the step after `clock` begins."""
    s = p.settings
    if p.by_pulses or not s.restart_every:
        return False
    return boundaries.restart_after(p.transport.bars, s.restart_every, clock) <= clock + s.division


# -- one step ------------------------------------------------------------------


def here(p: Performer, index: int) -> Heard:
    """Return the step that has begun, at the place `index` from 0."""
    t, m = p.transport, p.melody
    step = m.steps[index]
    if not p.settings.phrase:
        return _by_itself(p, index, step, m.passes)
    return _in_phrase(p, index, step, m.passes, t.step_clock, m.cycle, t.playhead.phase)


def upcoming(p: Performer) -> Heard:
    """Return the next step as it will be, mutations that are decided included."""
    m, s, t = p.melody, p.settings, p.transport
    index, begins = coming(p)
    step = m.steps[index]
    if m.pending:
        left = m.left_after_this_cycle(True) if begins else m.settle_left
        may = not (s.hold or s.mute or left or t.keeps_form) and (begins or s.every[0] != "cycle")
        step = m.ahead(index, may)
    if not s.phrase:
        return _by_itself(p, index, step, m.passes + begins)
    clock = step_after(p, t.step_clock)
    return _in_phrase(p, index, step, m.passes + begins, clock, m.cycle + begins, t.playhead.phase_ahead)


def coming(p: Performer) -> tuple[int, bool]:
    """Return the place of the next step, from 0, and whether it is the first of a cycle."""
    s, t = p.settings, p.transport
    if restarts_next(p, t.step_clock):
        return index_at(s.direction, s.length, 0), True
    return t.playhead.peek()


def visiting(p: Performer) -> bool:
    """Tell whether the step that begins lies in a phrase that sounds as home."""
    t = p.transport
    if not (p.settings.phrase and p.settings.visit_home):
        return False
    clock = max(t.song_clock, 0)
    return visits(p, phrase_at(p, clock, p.melody.cycle, max(t.playhead.phase, 0))[0])


def is_amid_visit(p: Performer) -> bool:
    """Tell whether a visit home has begun before what begins now: what was heard until now is home."""
    if not (p.settings.phrase and p.settings.visit_home):
        return False
    t = p.transport
    phrase, at = phrase_at(p, max(t.song_clock, 0), p.melody.cycle, t.playhead.phase_ahead)
    return visits(p, phrase) and (at > phrase.start if p.by_pulses else t.step_clock >= phrase.start)


def _by_itself(p: Performer, index: int, step: Step, passes: int) -> Heard:
    s = p.settings
    read = p.readings.of(index, step, s)
    return read.heard if read.is_steady else Heard(step, *rhythm(p, step, index, passes))


def _in_phrase(p: Performer, index: int, step: Step, passes: int, clock: int, cycle: int, phase: int) -> Heard:
    s = p.settings
    phrase, at = phrase_at(p, clock, cycle, phase)
    covers = ""
    if s.visit_home and visits(p, phrase):
        step, covers = p.melody.home[index], "visit home"
    read = p.readings.of(index, step, s)
    _, struck, by_chance, *_ = read.heard if read.is_steady else (step, *rhythm(p, step, index, passes))
    silence = phrase.end - phrase.breath * phrase.beat
    if at < silence - phrase.beat and (p.by_pulses or clock + s.division < silence):
        return Heard(step, struck, by_chance, covers, phrase, at)  # far from the end, as most steps are
    part = phrase.part(at, at + 1 if p.by_pulses else step_after(p, clock), p.transport.closed)
    if part == BREATH:
        return Heard(step, False, False, "breath", phrase, at)
    if part == CLOSE:
        return Heard(step, struck or by_chance, False, "close", phrase, at)
    return Heard(step, struck, by_chance, covers, phrase, at)


def rhythm(p: Performer, step: Step, index: int, passes: int) -> tuple[bool, bool]:
    """Tell whether a step is struck on a pass, and whether it rests by chance alone."""
    if step.pass_of > 1 and not takes_turn(step, passes):
        return False, False
    s, roll = p.settings, step.rest
    if s.reroll:
        dice = Numbers(p.melody.seed, DICE, passes)
        if dice.at(2 * index) < s.reroll:
            roll = dice.at(2 * index + 1)
    return by_roll(step, roll, s.rest)


def takes_turn(step: Step, passes: int) -> bool:
    """Tell whether a step takes part in a pass, counted from 1."""
    return (passes - 1) % step.pass_of == step.pass_number - 1


# -- its pitch -----------------------------------------------------------------


def reading(p: Performer, index: int, heard: Heard) -> Reading:
    """Return what a heard step comes to, the pitch of a close included."""
    read = p.readings.of(index, heard.step, p.settings)
    if not heard.is_close:
        return read
    read = read._replace(is_plain=False, may_sustain=False)
    if heard.step.free or heard.step.pinned:
        return read._replace(link=LINK_NONE, strikes=1)
    s, odd = p.settings, heard.phrase is not None and heard.phrase.number % 2 == 1
    lens = s.lens
    own = lens.sound(heard.step, s.degrees, 0)
    fifth = (lens.root + FIFTH) % 12
    wanted = fifth if odd and any(tone % 12 == fifth for tone in lens.tones) else lens.root
    tone = min((t for t in lens.tones if t % 12 == wanted), key=lambda t: (abs(t - own), t))
    note = fold(tone + s.semitones, 0, TOP)
    return read._replace(
        base=lens.unmoved(tone, s.degrees), note=note, cents=lens.deviation(note, s.semitones), link=LINK_NONE,
        strikes=1,
    )  # fmt: skip


# -- silenced ------------------------------------------------------------------


def is_silenced(p: Performer) -> bool:
    """Tell whether no step is struck now: muted, ending, or the silent half of an answer."""
    return p.settings.mute or p.ending > 1 or bool(p.answer and not answer_sounds(p))


def answer_sounds(p: Performer) -> bool:
    """Tell whether a line that answers is in its sounding bars (cycles, with pulses)."""
    sound, silent, since = p.answer
    t = p.transport
    at = p.melody.cycle if p.by_pulses else t.bars.bar_index(max(t.song_clock, 0))
    return (at - since) % (sound + silent) < sound
