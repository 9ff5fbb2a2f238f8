"""Sentences from the state: what a performer should not have to work out."""

from __future__ import annotations

from typing import Any

from replank.control.parameters import PARAMETERS
from replank.dashboard.view import ArcView, State, StepView, number, plain, whole
from replank.line.pitch import note_name

STATES = {
    "playing": ("▶", "playing"),
    "stopped": ("■", "stopped"),
    "armed": ("○", "armed: waits for the first clock"),
    "muted": ("◌", "muted"),
    "ending": ("▷", "ending"),
}
"""Transport states as glyph and word."""


def state_words(state: str) -> tuple[str, str]:
    """Return glyph and word of a transport state; an unknown one stands for itself."""
    return STATES.get(state, ("?", state))


def percent(value: object) -> str:
    """Return a share from 0 to 1 in per cent."""
    share = number(value)
    return "?" if share is None else f"{share * 100:.0f} %"


def minutes(value: float) -> str:
    """Return minutes as m:ss; below zero with a minus."""
    seconds = round(abs(value) * 60)
    return f"{'-' if value < 0 and seconds else ''}{seconds // 60}:{seconds % 60:02d}"


def with_unit(name: str, shown: str) -> str:
    """Return a parameter's shown value with its unit."""
    row = PARAMETERS.get(name)
    return f"{shown} {row.unit}" if row is not None and row.unit else shown


def half_life(state: State) -> str:
    """Say when half of the unpinned steps will have been touched."""
    if state.values.get("hold") is True:
        return "held: nothing changes by itself"
    if not state.half_cycles:
        return "nothing changes by itself"
    text = f"half changed: {state.half_cycles:.0f} cycles"
    if state.half_bars:
        text += f", {state.half_bars:.0f} bars"
    if state.half_minutes:
        text += f", {minutes(state.half_minutes)}"
    return text


def facts(state: State) -> list[str]:
    """Return the main facts in words, the most needed first."""
    v, low, high = state.values, note_name(state.low, state.middle_c), note_name(state.high, state.middle_c)
    every = plain(v.get("mutate_every", "cycle"), 12)
    mutation, homing = f"mutation {_chance(state, 'mutation_chance')} a {every}", f"homing {_chance(state, 'homing')}"
    lines = [
        f"{state.root} {state.scale}",
        f"{state.length} steps of {plain(v.get('division', '?'), 8)} · {plain(v.get('direction', '?'), 10)}",
        f"{low} to {high} · rests {_chance(state, 'rest_chance')}",
        *([mutation, homing] if "→" in mutation + homing else [f"{mutation} · {homing}"]),
        half_life(state),
        f"{percent(state.at_home_share)} of the line is at home",
    ]
    if state.settling:
        lines.append(f"settling: {state.settling} more cycle{'s' if state.settling > 1 else ''} in full")
    if state.tuning:
        lines.append(f"tuning note {note_name(state.tuning[0], state.middle_c)} is held; tuning_note ends it")
    if state.keyboard == "write":
        lines.append(f"the keyboard writes step {state.written}")
    elif state.keyboard not in ("off", "transpose"):
        lines.append(f"the keyboard sets: {state.keyboard}")
    if state.answer:
        now = "sounding" if state.answer.get("now_sounding") else "silent"
        lines.append(f"answer {whole(state.answer.get('sound'))} on, {whole(state.answer.get('silent'))} off: {now}")
    return lines


def _chance(state: State, name: str) -> str:
    """Return a chance as it is set, and as it sounds under tension."""
    set_ = percent(state.values.get(name))
    try:
        sounds = percent(float(state.sounding[name]))
    except (KeyError, ValueError):
        return set_
    return set_ if sounds == set_ else f"{set_} → sounds {sounds}"


def due_words(action: str, due: str, at: int, state: State) -> str:
    """Say what waits and how long: bars are counted from the present one."""
    if due == "bar" and state.transport.bar:
        left = at - (state.transport.bar - 1)
        return f"{action} {'at the next bar' if left <= 1 else f'in {left} bars'}"
    return f"{action} at the next {due}"


def bar_word(state: State) -> str:
    """Return what is counted: bars, or cycles where pulses drive the line."""
    return "cycle" if state.transport.mode == "pulses" else "bar"


def phrase_line(state: State) -> list[str]:
    """Return a line that says where in its phrase the line is; none where none are counted."""
    phrase = state.phrase
    if phrase is None:
        return []
    text = f"phrase {phrase.number}, {bar_word(state)} {phrase.bar} of {phrase.bars}"
    return [text + (", visits home" if phrase.visits_home else "") + (", breath" if phrase.in_breath else "")]


def piece_line(state: State, now_ns: int) -> list[str]:
    """Return a line with the piece's time and bar; none where no piece plays."""
    if not state.piece_name or state.course is None:
        return []
    played, mine, _, _ = set_times(state, now_ns)
    of = f" of {minutes(mine)}" if mine else ""
    return [f"{state.piece_name} {minutes(played)}{of}, {bar_word(state)} {state.course.bar}"]


def arc_move(arc: ArcView) -> str:
    """Say where an arc leads, in few words."""
    if arc.next_at is None:
        return "arc is over"
    if arc.out:
        return "arc is out"
    return f"arc to {arc.next_shown}" if arc.next_shown != arc.shown else f"arc holds {arc.shown}"


def arc_words(arc: ArcView, state: State) -> str:
    """Say what an arc's parameter is now, and the arc's next point."""
    text = f"{arc.name} {state.shown.get(arc.name, arc.shown)}"
    if arc.next_at is None:
        return f"{text} · arc is over"
    at = minutes(arc.next_at) if arc.unit == "minutes" else f"{arc.next_at:g} {bar_word(state)}s"
    if arc.out:
        return f"{text} by hand · arc again at {at}, from {arc.next_shown}"
    return f"{text} · {arc_move(arc)} {'at' if arc.next_shown != arc.shown else 'until'} {at}"


def arc_lines(state: State, *, under_way: bool = False) -> list[str]:
    """Return a line for each arc of the piece, or for those that are under way."""
    arcs = state.course.arcs if state.course is not None else ()
    return [arc_words(arc, state) for arc in arcs if not under_way or (arc.next_at is not None and not arc.out)]


def plan_lines(state: State, most: int = 3) -> list[str]:
    """Return a line for each of the next planned acts, and for how many more there are."""
    if state.course is None:
        return []
    left = [row for row in state.course.plan if row[0] >= state.course.bar]
    bar, lines = bar_word(state), []
    for at, act, bars in left[:most]:
        when = f"in {bars} {bar}s" if bars > 1 else f"at the next {bar}" if bars else f"at {bar} {at}"
        lines.append(f"planned: {act} {when}")
    return lines + ([f"and {len(left) - most} more planned"] if len(left) > most else [])


def tension_line(state: State) -> list[str]:
    """Return a line with what tension makes of what hands have set."""
    moved = [f"{name} {state.shown.get(name, '?')} → sounds {text}" for name, text in state.sounding.items()]
    return [f"tension {state.shown.get('tension', '?')}: {', '.join(moved)}"] if moved else []


def due_lines(state: State) -> list[str]:
    """Return a line for each action that waits."""
    return [due_words(action, due, at, state) for action, due, at in state.due]


def ramp_words(name: str, target: str, left: float, state: State) -> str:
    """Say where a ramp takes its parameter, and how long that takes."""
    return f"{name} {state.shown.get(name, '')} → {target} · {left:.0f} {bar_word(state)}s left"


def ramp_lines(state: State) -> list[str]:
    """Return a line for each ramp."""
    return [ramp_words(*ramp, state) for ramp in state.ramps]


def waiting(state: State) -> list[str]:
    """Return what is on its way: due actions, then ramps."""
    return due_lines(state) + ramp_lines(state)


def step_words(step: StepView, state: State) -> list[str]:
    """Say everything about one step."""
    sounds = f"sounds {step.name}" if step.heard else "rests"
    why = {"chance": "by chance", "rest": "always, by hand", "sound": "always, by hand"}.get(step.rhythm, step.rhythm)
    home = note_name(step.home_note, state.middle_c) if step.home_heard else "a rest"
    lines = [
        f"step {step.index} {sounds}, {why}",
        f"velocity {step.velocity} · {'accented' if step.accented else 'no accent'}"
        + ("" if step.accent == "chance" else " (by hand)"),
        f"link {step.linked} · {step.ratchet} strike{'s' if step.ratchet > 1 else ''}",
    ]
    if step.pass_of > 1:
        lines.append(f"sounds on pass {step.pass_number} of every {step.pass_of}")
    said = [word for word, true in (("pinned", step.pinned), ("free of the scale", step.free)) if true]
    lines.append(" · ".join([*said, "at home" if step.at_home else f"home is {home}"]))
    if step.changed_cycle:
        lines.append(f"changed in cycle {step.changed_cycle}: {step.changed_kind}")
    if step.volts is not None:
        lines.append(f"{step.volts:.3f} V")
    return lines


def set_times(state: State, now_ns: int) -> tuple[float, float, float, float]:
    """Return minutes: played of this piece, planned for it, planned for the set, left of the set."""
    planned = [number(p.get("minutes")) or 0.0 for p in state.pieces]
    played = max(0, now_ns - state.piece_since) / 60e9 if state.piece_since else 0.0
    if state.course is not None:
        t = state.transport
        # piece time stands while the line does not run; between two states it goes on by the clock on the wall
        runs = t.state == "playing" if t.mode == "pulses" else t.running and t.clock_present
        played = state.course.minutes + (max(0, now_ns - state.now) / 60e9 if runs else 0.0)
    at = state.piece - 1
    mine = planned[at] if 0 <= at < len(planned) else 0.0
    left = max(0.0, mine - played) + sum(planned[at + 1 :]) if at >= 0 else sum(planned)
    return played, mine, sum(planned), left


def history_words(state: State, cycle: int, notes: tuple[int, ...]) -> str:
    """Say what a past cycle was and where it differs from the line now."""
    rests = sum(1 for n in notes if n < 0)
    now = [s.note if s.heard else -1 for s in state.steps[: state.length]]
    differing = [str(i) for i, (a, b) in enumerate(zip(notes, now, strict=False), 1) if a != b]
    text = f"cycle {cycle}: {len(notes) - rests} notes, {rests} rests"
    if len(notes) != len(now):
        text += f", {len(notes)} steps long"
    if not differing:
        return text + "; the same as now"
    shown = ", ".join(differing[:12]) + (" and more" if len(differing) > 12 else "")
    return f"{text}; differs from now at {'step' if len(differing) == 1 else 'steps'} {shown}"


def control_words(control: dict[str, Any]) -> str:
    """Say where a control stands and which way it has to turn to take over."""
    if control.get("waiting") is True:
        way = plain(control.get("way", ""), 8)
        return {"left": "◀ turn left", "right": "turn right ▶"}.get(way, "waits")
    return plain(control.get("control", ""), 16)
