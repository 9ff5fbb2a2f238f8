"""From a step's beginning to its sound: cycle ends, mutations, rests, links, gates, ratchets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.notices import Notice
from replank.line.chance import DICE, Numbers
from replank.line.heard import describe, is_accented
from replank.line.steps import BY_CHANCE, LINK_NONE, LINK_SLIDE, LINK_TIE, REST, SOUND, Change, Step
from replank.performer import acting, advancing, clocking
from replank.performer.voices import GO_ON, SLIDE, STRIKE, Sound, struck_again
from replank.performer.voices import REST as SILENT
from replank.timing.gates import (
    LONGEST_PULSE_GATE_NS,
    UNKNOWN_GATE_NS,
    clocks_ns,
    gap_before_repeat,
    ratchet_offsets,
    swing_delay,
)
from replank.timing.playhead import index_at

if TYPE_CHECKING:
    from replank.performer.core import Performer

_LINK_WORDS = {LINK_NONE: "none", LINK_SLIDE: "slide", LINK_TIE: "tie"}


# -- step boundaries -----------------------------------------------------------


def boundary(p: Performer) -> None:
    """A step begins: what is due happens, a cycle may end, then the step is played."""
    t, m, head = p.transport, p.melody, p.transport.playhead
    begins = head.begins
    if begins:
        close_cycle(p)
    if p.due or p.ramps:
        acting.take_due(p, "step", t.song_clock)
        acting.move_ramps(p)
        begins = head.begins
    if begins:
        _begin_cycle(p)
    elif not m.advances:
        m.settle_from = 1  # begun in its midst: not to be heard in full
    s = p.settings
    unit, count = s.every
    if unit == "step":
        if t.since_moment >= count:
            mutation_moment(p)
        t.since_moment += 1
    if begins:
        t.keeps_form = False
    begins = head.advance()
    index, clock = head.index, t.song_clock
    t.beginning, t.step_clock = p.now, clock
    m.step_begins(index, passes(m.steps[index], m.passes), is_silenced(p))
    if not m.is_decided and _is_moment_next(p, clock):
        m.decide(s.length, s.lens, s.mutation_chance, s.chances)
    if p.by_pulses:
        p.unschedule("again")  # strikes of a ratchet are cut by the next pulse
        strike(p, index, t.pulse.interval, begins)
        return
    interval = t.follower.interval
    span = min(s.division, t.next_bar - clock) if s.restart_every and _restarts_next(p, clock) else s.division
    if s.swing <= 50:
        strike(p, index, span * interval, begins)
        return
    whole, rest = swing_delay(clock, s.division, s.swing)
    ahead = swing_delay(clock + span, s.division, s.swing)
    length = clocks_ns(span + ahead[0] - whole, ahead[1] - rest, interval)
    if whole:
        later = [clocks_ns(0, rest, interval), index, length, begins]
        clocking.count_off(p, clock + whole, "later" if rest else "strike", later if rest else later[1:])
    elif rest:
        p.schedule(p.now + clocks_ns(0, rest, interval), "strike", [index, length, begins])
    else:
        strike(p, index, length, begins)


def _restarts_next(p: Performer, clock: int) -> bool:
    """Tell whether a bar line that returns the line to step 1 comes before another step, or with it."""
    t, every = p.transport, p.settings.restart_every
    return bool(every) and t.next_bar <= clock + p.settings.division and t.bars.bar_index(t.next_bar) % every == 0


def _is_moment_next(p: Performer, clock: int) -> bool:
    """Tell whether mutations may happen before the next step begins."""
    t, s = p.transport, p.settings
    unit, count = s.every
    if unit == "step":
        return t.since_moment >= count
    if unit == "bar" and not p.by_pulses:
        return t.next_bar <= clock + s.division and t.bars.bar_index(t.next_bar) % count == 0
    ends = t.playhead.begins or (s.restart_every and not p.by_pulses and _restarts_next(p, clock))
    return bool(ends) and p.melody.passes % count == 0


def close_cycle(p: Performer) -> None:
    """End the cycle before anything of the next one happens; without a step since the last end, nothing."""
    t, m = p.transport, p.melody
    why, t.ended_by = t.ended_by or "itself", ""
    if m.advances:
        m.end_cycle(p.settings.length, p.snapshot_values(), why in ("itself", "restart"))
        p.notice("cycle", cycle=m.cycle, ended_by=why)


def _begin_cycle(p: Performer) -> None:
    m = p.melody
    close_cycle(p)  # where what was due has returned the line to its beginning
    if p.due:
        acting.take_due(p, "cycle", m.cycle)
    ended, m.has_ended = m.has_ended, False
    unit, count = p.settings.every
    by_cycles = unit == "cycle" or (unit == "bar" and p.by_pulses)
    if ended and by_cycles and (m.passes - 1) % count == 0:
        mutation_moment(p)


def mutation_moment(p: Performer) -> None:
    """Apply what was decided (or decide now), unless something forbids it."""
    m, s, t = p.melody, p.settings, p.transport
    if not m.is_decided:
        m.decide(s.length, s.lens, s.mutation_chance, s.chances)
    t.since_moment = 0
    may = not (s.hold or s.mute or m.settle_left or t.keeps_form)
    before = m.form(s.length)
    tell(p, m.release_decided(may), before)


def tell(p: Performer, changes: list[Change], before: Any, kind: str = "mutation") -> None:
    """Put changes on the trail as one unit and say each of them."""
    if not changes:
        return
    m, s = p.melody, p.settings
    told = []
    for change in changes:
        text, silent = describe(change, s.lens, s.rest, s.accent, p.setup.middle_c, s.degrees, s.semitones)
        told.append(f"step {change.index + 1} {text}")
        p.notice(
            "mutation",
            cycle=m.cycle,
            index=change.index + 1,
            mutation=change.kind,
            before=s.lens.sound(change.before, s.degrees, s.semitones),
            after=s.lens.sound(change.after, s.degrees, s.semitones),
            text=text + (" (silent)" if silent else ""),
            silent=silent,
            partner=change.partner + 1,
            echo=change.echo,
        )
    m.trail.record(
        cycle=m.cycle, now=p.now, kind=kind, text="; ".join(told), before=before, after=m.form(s.length)
    )  # fmt: skip


AHEAD_NS = 5_000_000
"""Controllers that go ahead of a step leave so long before it: two of them last 1.92 ms on a DIN cable."""


def go_ahead(p: Performer, i: int) -> None:
    """Let a voice's controllers go ahead of the coming step."""
    if i in p.band.aheads and not is_silenced(p):
        step, struck = outlook(p)
        begins = p.transport.playhead.peek()[1]
        p.band.ahead(
            p, i, is_accented(step, p.settings.accent), step.velocity, struck and p.transport.tie != LINK_TIE, begins
        )


# -- what is heard -------------------------------------------------------------


def is_silenced(p: Performer) -> bool:
    """Tell whether no step is struck now: muted, ending, or the silent half of an answer."""
    return p.settings.mute or p.ending > 1 or bool(p.answer and not answer_sounds(p))


def answer_sounds(p: Performer) -> bool:
    """Tell whether a line that answers is in its sounding bars (cycles, with pulses)."""
    sound, silent, since = p.answer
    t = p.transport
    at = p.melody.cycle if p.by_pulses else t.bars.bar_index(max(t.song_clock, 0))
    return (at - since) % (sound + silent) < sound


def passes(step: Step, number: int) -> bool:
    """Tell whether a step takes part in a pass, numbered from 1."""
    return step.pass_of <= 1 or (number - 1) % step.pass_of == step.pass_number - 1


def sounds(p: Performer, step: Step, index: int, number: int) -> bool:
    """Tell whether a step is struck on a pass, silencing aside."""
    if not passes(step, number):
        return False
    if step.rhythm != BY_CHANCE:
        return step.rhythm == SOUND
    s, roll = p.settings, step.rest
    if s.reroll:
        dice = Numbers(p.melody.seed, DICE, number)
        if dice.at(2 * index) < s.reroll:
            roll = dice.at(2 * index + 1)
    return roll >= s.rest


def coming(p: Performer) -> tuple[int, bool]:
    """Return the place of the next step, from 0, and whether it is the first of a cycle."""
    s, t = p.settings, p.transport
    if s.restart_every and not p.by_pulses and _restarts_next(p, t.step_clock):
        return index_at(s.direction, s.length, 0), True
    return t.playhead.peek()


def outlook(p: Performer) -> tuple[Step, bool]:
    """Return the next step as it will be, and whether it is going to be struck."""
    m, s = p.melody, p.settings
    t = p.transport
    index, begins = coming(p)
    if m.pending:
        left = m.left_after_this_cycle(True) if begins else m.settle_left
        may = not (s.hold or s.mute or left or t.keeps_form) and (begins or s.every[0] != "cycle")
        step = m.ahead(index, may)
    else:
        step = m.steps[index]
    return step, not is_silenced(p) and sounds(p, step, index, m.passes + begins)


# -- striking ------------------------------------------------------------------


def strike(p: Performer, index: int, length: int, begins: bool) -> None:
    """Sound a step, or rest.

    Args:
        p: The performer.
        index: The step, from 0.
        length: Nanoseconds until the next strike as far as is known; 0 unknown.
        begins: True on the first step of a cycle.
    """
    m, s, t = p.melody, p.settings, p.transport
    band = p.band
    if band.earlies or band.aheads:
        p.unschedule("early", "ahead")  # what was to come before this strike comes no more
    step = m.steps[index]
    read = p.readings.of(index, step, s)
    note = read.note
    silenced = is_silenced(p)
    heard = not silenced and sounds(p, step, index, m.passes)
    accent = heard and read.is_accented
    velocity = read.loud if accent else read.soft
    kind, link, strikes = SILENT, LINK_NONE, 1
    tie, t.tie = t.tie, 0
    if heard:
        kind = GO_ON if tie == LINK_TIE else SLIDE if tie == LINK_SLIDE else STRIKE
        link = read.link
        if kind != GO_ON:
            strikes = read.strikes
    gate, linked = _gate(p, note, length, link, strikes)
    if silenced:
        band.pass_silently(p, Sound(SILENT, index))
    else:
        spacing = length // strikes
        sound = Sound._make((
            kind, index, read.base, note, velocity, step.velocity, accent, gate, read.cents if band.bends else 0.0,
            begins, strikes, spacing, linked != LINK_NONE or 0 < spacing < gate,
        ))  # fmt: skip
        band.play(p, sound)
        for i in band.aheads if length else ():
            p.schedule(p.now + length - min(AHEAD_NS, length // 2), "ahead", [i])
        if strikes > 1:
            _repeat(p, sound)
    t.tie = linked
    if band.earlies:
        advancing.plan(p, 0 if p.by_pulses else length)
    m.sounded[index] = note if heard else -1
    bar, beat, _ = t.bars.position(t.song_clock) if not p.by_pulses else (0, 0, 0)
    data = {
        "index": index + 1,
        "note": m.sounded[index],
        "velocity": velocity if heard else 0,
        "accent": accent,
        "link": "tie" if kind == GO_ON else _LINK_WORDS[linked],
        "cycle": m.cycle,
        "bar": bar,
        "beat": beat,
        "forced": step.rhythm != BY_CHANCE,
    }
    p.notices.append(Notice("step", p.now, data))


def _gate(p: Performer, note: int, length: int, link: int, strikes: int) -> tuple[int, int]:
    """Return the nanoseconds that a note sounds, and how it is linked to the next step."""
    s = p.settings
    pulses = p.by_pulses
    if link != LINK_NONE and strikes == 1 and outlook(p)[1]:
        # Runs into the next step; what ends it if that never comes is this
        # deadline (pulses) or the loss of the clock.
        longest = LONGEST_PULSE_GATE_NS
        return (max(2 * length, longest) if pulses else 4 * max(length, longest)), link
    each = length // strikes
    if each <= 0:
        return UNKNOWN_GATE_NS, LINK_NONE
    gate = int(each * s.gate) or 1
    if pulses:
        return min(gate, LONGEST_PULSE_GATE_NS), LINK_NONE
    if s.gate >= 1.0 or each - gate < s.gap:
        upcoming, struck = outlook(p) if strikes == 1 else (None, True)
        same = upcoming is None or s.lens.sound(upcoming, s.degrees, s.semitones) == note
        if struck and same:
            return gap_before_repeat(gate, each, s.gap), LINK_NONE
        if struck and s.gate >= 1.0:
            # The next step's own batch releases it; a quarter more is for a late clock.
            return each + each // 4, LINK_NONE
    return gate, LINK_NONE


def _repeat(p: Performer, sound: Sound) -> None:
    """Let a step strike again: on whole clocks where they divide it, else by the last interval."""
    t, s = p.transport, p.settings
    again = struck_again(sound, s.velocity(sound.roll, False))
    offsets = None if p.by_pulses else ratchet_offsets(s.division, sound.ratchet)
    if offsets is not None and s.swing <= 50:
        for offset in offsets[1:]:
            clocking.count_off(p, t.song_clock + offset, "again", [*again])
    elif sound.spacing:
        for n in range(1, sound.ratchet):
            p.schedule(p.now + n * sound.spacing, "again", [*again])


def again(p: Performer, args: list[Any]) -> None:
    """Strike once more within a step."""
    if not is_silenced(p):
        p.band.again(p, Sound(*args), is_repeat=True)


def late(p: Performer, i: int, sound: Sound) -> None:
    """Let a delayed or canon voice speak, unless a mute has come in between; what sounds keeps its gate."""
    muted = p.settings.mute or bool(p.answer and not answer_sounds(p))
    if not (muted and sound.kind in (STRIKE, SLIDE)):
        p.band.speak(p, i, sound)


def rhythm_opposite(heard: bool) -> int:
    """Return the forced state that turns what is heard into its opposite."""
    return REST if heard else SOUND
