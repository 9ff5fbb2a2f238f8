"""Editing by hand: one step at a time, each edit confirmed in sound where the line leaves room."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.line.heard import is_accented, is_heard, link_of, velocity_roll_of
from replank.line.lenses import fold
from replank.line.mutation import sparing
from replank.line.pitch import note_name
from replank.line.steps import (
    ACCENT_NAMES,
    BY_CHANCE,
    LINK_BY_CHANCE,
    LINK_NAMES,
    LINK_NONE,
    REST,
    RHYTHM_NAMES,
    SOUND,
    Step,
    without_forced_velocity,
)
from replank.performer import acting, lookahead
from replank.performer.controllers import MS
from replank.performer.voices import SLIDE, STRIKE, Sound

if TYPE_CHECKING:
    from replank.performer.core import Performer

_ONE_EDIT = 1_000_000_000
"""Edits of one step within 1 s count as one, ns."""
_ROOM = 100_000_000
"""An edit is auditioned on the main voice only if the next step is so far away, ns."""
_SAMPLE = 200_000_000
"""Length of an auditioned note while no step's length is known, ns."""


def edit(p: Performer, index: int, step: Step, text: str, action: str, origin: str, is_pitch: bool = False) -> None:
    """Make `step` the present form of a step and of its home, as one unit; let it be heard."""
    m = p.melody
    if m.steps[index] == step and m.home[index] == step:
        acting.done(p, action, f"step {index + 1} {text} already", origin)
        return
    before = m.form(p.settings.length)
    m.steps[index] = m.home[index] = step
    m.pending = sparing(m.pending, (index,))
    m.edited[index] = m.cycle
    m.played &= ~(1 << index)  # what was changed by hand is to be heard before it may mutate
    unit = m.trail.record(
        cycle=m.cycle, now=p.now, kind="edit", text=f"step {index + 1} {text}", before=before,
        after=m.form(p.settings.length), merge_within=_ONE_EDIT,
    )  # fmt: skip
    beneath = _covered_by(p, index)
    text += f", beneath the {beneath}" if beneath else ""
    acting.done(p, action, f"step {index + 1} {text}", origin, unit.number if unit else 0)
    if is_pitch or action in ("flip", "rest"):
        _let_hear(p, index, step)


def _covered_by(p: Performer, index: int) -> str:
    """Return what covers a step now, so that an edit of it is not heard yet; empty: nothing."""
    if lookahead.visiting(p):
        return "visit home"
    t = p.transport
    return lookahead.here(p, index).covers if p.settings.phrase and t.playhead.index == index else ""


# -- audition ------------------------------------------------------------------


def _let_hear(p: Performer, index: int, step: Step) -> None:
    if p.setup.audition == "off" or not is_heard(step, p.settings.rest):
        return
    if acting.is_moving(p) and _covered_by(p, index):
        p.notice("heard_next", index=index + 1)
        return
    s, t = p.settings, p.transport
    note = s.lens.sound(step, s.degrees, s.semitones)
    playing = acting.is_moving(p) and not lookahead.is_silenced(p)
    length = t.pulse.interval if p.by_pulses else t.judge.pace.interval * s.division
    gate = max(int(length * s.gate), 1) if length else _SAMPLE
    sound = Sound(
        STRIKE, index, s.lens.base(step), note, s.velocity_of(step, False), velocity_roll_of(step), False, gate,
        s.lens.deviation(note, s.semitones),
    )  # fmt: skip
    here = playing and t.playhead.index == index and any(state.held >= 0 for state in p.band.states)
    if here and p.setup.audition == "on":
        # The step that is sounding is re-pitched without another attack, and ends where it would have ended.
        tied = any(state.tied for state in p.band.states)
        p.band.again(p, sound._replace(kind=SLIDE, gate=_left(p, gate), tied=tied))
        if t.sustain:
            t.sustain[0] = note
    elif p.band.cue >= 0:
        p.band.speak(p, p.band.cue, sound)
    elif p.setup.audition == "on" and (not playing or _has_room(p, length)):
        p.band.again(p, sound._replace(gate=min(gate, _SAMPLE) if playing else gate))
    else:
        p.notice("heard_next", index=index + 1)


def _left(p: Performer, otherwise: int) -> int:
    """Return for how long, ns, what the line sounds now is still held; `otherwise` where it has no end."""
    ends = []
    for when, _, kind, args in p.deadlines:
        if kind != "off" or args[0] >= len(p.band.voices):
            continue
        voice, state = p.band.voices[args[0]], p.band.states[args[0]]
        if state.held >= 0 and state.token == args[1] and not (voice.is_cue or voice.canon_steps):
            ends.append(int((when - p.now - max(0.0, voice.delay_ms) * MS) / voice.gate_scale))
    return max(1, max(ends)) if ends else otherwise


def _has_room(p: Performer, length: int) -> bool:
    if any(state.held >= 0 for state in p.band.states):
        return False
    return p.transport.beginning + length - p.now > _ROOM


# -- pitch ---------------------------------------------------------------------


def _pitch(p: Performer, args: list[Any], origin: str) -> None:
    index, amount = args
    lens, step = p.settings.lens, p.melody.steps[index]
    place = max(0, min(len(lens.tones) - 1, lens.degree_index(lens.base(step)) + amount))
    _set_pitch(p, index, step._replace(pitch=lens.tones[place], free=False), "pitch", origin)


def _semitone(p: Performer, args: list[Any], origin: str) -> None:
    index, amount = args
    step = p.melody.steps[index]
    pitch = fold(p.settings.lens.base(step) + amount, 0, 127)
    _set_pitch(p, index, step._replace(pitch=pitch, free=True), "semitone", origin)


def _note(p: Performer, args: list[Any], origin: str) -> None:
    # The note that is asked for is the one that shall sound.
    index, note = args
    s = p.settings
    step = p.melody.steps[index]
    for base in s.lens.tones:
        if s.lens.sound(Step(pitch=base), s.degrees, s.semitones) == note:
            _set_pitch(p, index, step._replace(pitch=base, free=False), "note", origin)
            return
    shift = s.lens.sound(Step(pitch=60, free=True), s.degrees, s.semitones) - 60
    _set_pitch(p, index, _at(p, step, note - shift), "note", origin)


def _at(p: Performer, step: Step, pitch: int) -> Step:
    pitch = fold(pitch, 0, 127)
    return step._replace(pitch=pitch, free=pitch not in p.settings.lens.tones)


def _set_pitch(p: Performer, index: int, step: Step, action: str, origin: str) -> None:
    s = p.settings
    name = note_name(s.lens.sound(step, s.degrees, s.semitones), p.setup.middle_c)
    edit(p, index, step, f"{name}{', free' if step.free else ''}", action, origin, is_pitch=True)


# -- marks ---------------------------------------------------------------------


def _flip(p: Performer, args: list[Any], origin: str) -> None:
    index = args[0]
    step = p.melody.steps[index]
    state = REST if is_heard(step, p.settings.rest) else SOUND
    edit(p, index, step._replace(rhythm=state), f"now {RHYTHM_NAMES[state]}s, by hand", "flip", origin)


def _rest(p: Performer, args: list[Any], origin: str) -> None:
    index, state = args
    edit(p, index, p.melody.steps[index]._replace(rhythm=state), f"rhythm {RHYTHM_NAMES[state]}", "rest", origin)


def _accent(p: Performer, args: list[Any], origin: str) -> None:
    index, state = args
    step = p.melody.steps[index]
    if state is None:
        state = REST if is_accented(step, p.settings.accent) else SOUND
    edit(p, index, step._replace(accented=state), f"accent {ACCENT_NAMES[state]}", "accent", origin)


def _velocity(p: Performer, args: list[Any], origin: str) -> None:
    index, amount = args
    step = without_forced_velocity(p.melody.steps[index])
    roll = max(0.0, min(0.999, step.velocity + amount))
    edit(p, index, step._replace(velocity=roll), f"velocity {roll:.2f}", "velocity", origin)


def _link(p: Performer, args: list[Any], origin: str) -> None:
    index, state = args
    step = p.melody.steps[index]
    if state is None:
        now = link_of(step, p.settings.slide)
        state = now + 1 if now < len(LINK_NAMES) - 1 else LINK_NONE
    edit(p, index, step._replace(linked=state), f"link {LINK_NAMES[state]}", "link", origin)


def _ratchet(p: Performer, args: list[Any], origin: str) -> None:
    index, count = args
    edit(p, index, p.melody.steps[index]._replace(ratchet=count), f"strikes {count} times", "ratchet", origin)


def _pass(p: Performer, args: list[Any], origin: str) -> None:
    index, (number, of) = args
    step = p.melody.steps[index]._replace(pass_number=number, pass_of=of)
    edit(p, index, step, f"on pass {number} of {of}", "pass", origin)


def _pin(p: Performer, args: list[Any], origin: str) -> None:
    index, state = args
    _set_pins(p, [index], not p.melody.steps[index].pinned if state is None else bool(state), origin)


def _pin_all(p: Performer, args: list[Any], origin: str) -> None:
    visible = range(p.settings.length)
    state = not all(p.melody.steps[i].pinned for i in visible) if args[0] is None else bool(args[0])
    _set_pins(p, list(visible), state, origin)


def _set_pins(p: Performer, indexes: list[int], on: bool, origin: str) -> None:
    m = p.melody
    before = m.form(p.settings.length)
    for i in indexes:
        m.steps[i] = m.steps[i]._replace(pinned=on)
        m.home[i] = m.home[i]._replace(pinned=on)
    if on:
        m.pending = sparing(m.pending, indexes)
    which = f"step {indexes[0] + 1}" if len(indexes) == 1 else "every visible step"
    text = f"{which} {'pinned' if on else 'unpinned'}"
    unit = m.trail.record(
        cycle=m.cycle, now=p.now, kind="pin", text=text, before=before, after=m.form(p.settings.length)
    )  # fmt: skip
    acting.done(p, "pin", text, origin, unit.number if unit else 0)


def _by_chance(step: Step) -> Step:
    step = without_forced_velocity(step)
    return step._replace(
        rhythm=BY_CHANCE, accented=BY_CHANCE, linked=LINK_BY_CHANCE, ratchet=1, pass_number=1, pass_of=1
    )


def _to_chance(p: Performer, args: list[Any], origin: str) -> None:
    edit(p, args[0], _by_chance(p.melody.steps[args[0]]), "given back to chance", "to_chance", origin)


def _all_to_chance(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    before = m.form(p.settings.length)
    m.steps, m.home = [_by_chance(s) for s in m.steps], [_by_chance(s) for s in m.home]
    m.pending = []
    unit = m.trail.record(
        cycle=m.cycle, now=p.now, kind="to chance", text="all given back to chance", before=before,
        after=m.form(p.settings.length),
    )  # fmt: skip
    acting.done(p, "all_to_chance", "all steps given back to chance", origin, unit.number if unit else 0)


def _select(p: Performer, args: list[Any], origin: str) -> None:
    p.selected = args[0]
    acting.done(p, "select", f"step {args[0] + 1} is chosen", origin)


HANDLERS = {
    "pitch": _pitch,
    "semitone": _semitone,
    "note": _note,
    "flip": _flip,
    "rest": _rest,
    "accent": _accent,
    "velocity": _velocity,
    "link": _link,
    "ratchet": _ratchet,
    "pass": _pass,
    "pin": _pin,
    "pin_all": _pin_all,
    "to_chance": _to_chance,
    "all_to_chance": _all_to_chance,
    "select": _select,
}
