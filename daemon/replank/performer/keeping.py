"""Keeping and bringing back: snapshots, undo, redo, back, redraw, clear, home, rotate.

Each act changes the line by one unit of the trail, and lets what a person has
brought back be heard in full before the machine touches it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from replank.control.parameters import DEFAULTS, PARAMETERS
from replank.line.lenses import root_pitch
from replank.line.steps import SOUND, STEPS, Form, Step
from replank.line.trail import Unit, remade, reverted
from replank.performer import acting, course, lookahead, steps
from replank.performer.melody import Kept
from replank.performer.settings import Settings

if TYPE_CHECKING:
    from replank.performer.core import Performer

_T = TypeVar("_T")


def change_line(
    p: Performer, kind: str, text: str, after: Form, values: dict[str, Any], takes_back: int = 0
) -> int:  # fmt: skip
    """Make a form and values the present ones, as one unit; return its number, 0 if nothing differed."""
    m = p.melody
    before = m.form(p.settings.length)
    values = dict(values)
    if waiting := _waits(p, values):
        del values["division"]
    Settings({**p.values, **values}, p.setup)  # refuses a scale that the rig no longer knows, before anything changes
    m.take(after)
    for name in values:
        course.hand(p, name)
    was = {name: p.set_value(name, value) for name, value in values.items()}
    if after.length != p.values["length"]:
        was["length"] = p.set_value("length", after.length)
    changed = {name: old for name, old in was.items() if old != p.values[name]}
    if changed:
        p.changed()
        if "division" in changed:
            p.transport.reanchor(p.settings.division)
        for name in changed:
            p.ramps.pop(name, None)
            p.hands.moved(name, p.values[name], p.now)
    unit = m.trail.record(
        cycle=m.cycle,
        now=p.now,
        kind=kind,
        text=text,
        before=before,
        after=m.form(p.settings.length),
        values=[(name, old, p.values[name]) for name, old in changed.items()],
        takes_back=takes_back,
    )
    if waiting:
        acting.enqueue(p, "boundary", ["set", "division", waiting, kind])
    if "length" in changed and p.transport.playhead.begins:
        p.transport.ended_by = p.transport.ended_by or "length"
    return unit.number if unit else 0


def _waits(p: Performer, values: dict[str, Any]) -> str:
    """Return the division that has to wait for a boundary which it shares with the present one, or nothing."""
    division, t = str(values.get("division", p.values["division"])), p.transport
    if division == p.values["division"] or not t.has_bars(p.by_pulses):
        return ""
    return "" if t.entering and acting.is_shared(p, division, t.song_clock) else division


def _keep(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    form, values = m.form(p.settings.length), p.snapshot_values()
    if lookahead.visiting(p):  # what is heard is kept, not what it covers
        form = form._replace(steps=(*form.home[: form.length], *form.steps[form.length :]))
    kept = Kept(free_name(p, args[0] or f"cycle-{m.cycle}"), m.cycle, form, values)
    other = m.last is not None and m.last.form != form
    _store(p, kept, f"kept {kept.name}: cycle {m.cycle}", other, "the cycle before differs")


def _keep_last(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    if m.last is None:
        raise ValueError("no cycle has been completed yet")
    kept = m.last._replace(name=free_name(p, args[0] or m.last.name))
    other = m.form(p.settings.length) != kept.form
    _store(p, kept, f"kept {kept.name}: cycle {kept.cycle} as it sounded", other, "the one now playing differs")


def _store(p: Performer, kept: Kept, text: str, differs: bool, words: str) -> None:
    p.melody.snapshots[kept.name] = kept
    p.notice("snapshot", name=kept.name, cycle=kept.cycle, text=f"{text}; {words}" if differs else text)


def free_name(p: Performer, name: str) -> str:
    """Return a name that no snapshot has."""
    names, number, free = p.melody.snapshots, 2, name
    while free in names:
        free, number = f"{name}-{number}", number + 1
    return free


def _recall(p: Performer, args: list[Any], origin: str) -> None:
    kept = _snapshot(p, args[0])
    unit = change_line(p, "recall", f"recall {kept.name}", kept.form, kept.values)
    _settled(p, f"{kept.name} is back: {_origin(kept)}", "recall", origin, unit)


def _origin(kept: Kept) -> str:
    return f"cycle {kept.cycle}" if kept.cycle else "as the set keeps it"


def _recall_line(p: Performer, args: list[Any], origin: str) -> None:
    kept = _snapshot(p, args[0])
    unit = change_line(p, "recall", f"recall the line of {kept.name}", kept.form, {})
    _settled(p, f"the line of {kept.name} is back", "recall_line", origin, unit)


def _snapshot(p: Performer, name: str) -> Kept:
    kept = p.melody.snapshots.get(name)
    if kept is None:
        raise ValueError(f"there is no snapshot {name!r} any more")
    return kept


def _settled(p: Performer, text: str, action: str, origin: str, unit: int, new: bool = False) -> None:
    p.melody.settle(p.values["settle_new" if new else "settle"])
    acting.done(p, action, text, origin, unit)


def _forget(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    kept = _snapshot(p, args[0])
    del m.snapshots[args[0]]
    m.forgotten = [*m.forgotten[-15:], (kept, _last_unit(p))]
    acting.done(p, "forget", f"forgot {kept.name}; undo brings it back", origin)


def _last_unit(p: Performer) -> int:
    units = p.melody.trail.units
    return units[-1].number if units else 0


def _undo(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    unit = m.trail.undo()
    if m.forgotten and m.forgotten[-1][1] >= (unit.number if unit else 0):
        kept = m.forgotten[-1][0]
        m.forgotten = m.forgotten[:-1]
        kept = kept._replace(name=free_name(p, kept.name))
        _store(p, kept, f"{kept.name} is on the list again", False, "")
        return
    if unit is None:
        raise ValueError("there is nothing to take back")
    _walk(p, unit, "undo", f"took back: {unit.text}", origin)


def _redo(p: Performer, args: list[Any], origin: str) -> None:
    unit = p.melody.trail.redo()
    if unit is None:
        raise ValueError("there is nothing to make again")
    _walk(p, unit, "redo", f"made again: {unit.text}", origin)


def _walk(p: Performer, unit: Unit, action: str, text: str, origin: str) -> None:
    """Apply one side of a unit, line and values, as a unit that takes it back or makes it again."""
    side, turned = (1, reverted) if action == "undo" else (2, remade)
    values = {change[0]: change[side] for change in unit.values}
    number = change_line(p, action, text, turned(p.melody.form(p.settings.length), unit), values, unit.number)
    _settled(p, text, action, origin, number)


def _back(p: Performer, args: list[Any], origin: str) -> None:
    _go_back(p, args[0], False, origin)


def _back_full(p: Performer, args: list[Any], origin: str) -> None:
    _go_back(p, args[0], True, origin)


def _go_back(p: Performer, cycle: int, full: bool, origin: str) -> None:
    m = p.melody
    found = m.trail.back(m.form(p.settings.length), cycle)
    if found is None:
        raise ValueError(f"cycle {cycle} is older than this trail (it reaches to {m.trail.oldest_cycle})")
    form, values = found
    kept = {n: v for n, v in values.items() if full and PARAMETERS[n].kept == "snapshot"}
    unit = change_line(p, "back", f"back to cycle {cycle}", form, kept)
    _settled(p, f"the line of cycle {cycle} is back", "back_full" if full else "back", origin, unit)


def _redraw(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    before = list(m.steps), list(m.home)
    m.redraw(p.settings.lens, p.settings.shape)
    after = m.form(p.settings.length)
    m.steps, m.home = before
    unit = change_line(p, "redraw", "redraw", after, {})
    _settled(p, "a new line", "redraw", origin, unit, new=True)


def _clear(p: Performer, args: list[Any], origin: str) -> None:
    kept = ("tempo", "division", "seed")
    names = [name for name, row in PARAMETERS.items() if row.kept in ("snapshot", "piece") and name not in kept]
    values = {name: p.setup.values.get(name, DEFAULTS[name]) for name in names}
    values["hold"] = False
    lens = Settings({**p.values, **values}, p.setup).lens
    rooted = (Step(pitch=root_pitch(lens), rhythm=SOUND),) * STEPS
    unit = change_line(p, "clear", "clear", Form(rooted, rooted, int(values["length"])), values)
    _settled(p, "every step is the root", "clear", origin, unit, new=True)


def _mutate(p: Performer, args: list[Any], origin: str) -> None:
    m, s = p.melody, p.settings
    before = m.form(s.length)
    changes = m.mutate_by_hand(s.length, s.lens, s.chances)
    if not changes:
        raise ValueError("no step can change: all are pinned, or at home already")
    steps.tell(p, changes, before, "mutate")


def _go_home(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    steps = tuple(
        step if step.pinned else home._replace(pinned=False) for step, home in zip(m.steps, m.home, strict=True)
    )  # what is forced there included; homing alone leaves that as it is
    unit = change_line(p, "go home", "go home", Form(steps, tuple(m.home), p.settings.length), {})
    _settled(p, "the line is at home", "go_home", origin, unit)


def _set_home(p: Performer, args: list[Any], origin: str) -> None:
    m = p.melody
    unit = change_line(p, "set home", "set home", Form(tuple(m.steps), tuple(m.steps), p.settings.length), {})
    acting.done(p, "set_home", "this is home now", origin, unit)


def _home_from(p: Performer, args: list[Any], origin: str) -> None:
    kept = _snapshot(p, args[0])
    form = Form(tuple(p.melody.steps), kept.form.steps, p.settings.length)
    unit = change_line(p, "home from", f"home from {kept.name}", form, {})
    acting.done(p, "home_from", f"{kept.name} is home now; homing walks there", origin, unit)


def _rotate(p: Performer, args: list[Any], origin: str) -> None:
    m, length = p.melody, p.settings.length
    shift = -args[0] % length

    def turned(steps: list[_T]) -> list[_T]:
        return [*steps[shift:length], *steps[:shift], *steps[length:]]

    played = turned([m.played >> i & 1 for i in range(STEPS)])
    m.played = sum(bit << i for i, bit in enumerate(played))
    m.edited, m.changed = turned(m.edited), turned(m.changed)
    form = Form(tuple(turned(m.steps)), tuple(turned(m.home)), length)
    unit = change_line(p, "rotate", f"rotate {args[0]:+d}", form, {})
    acting.done(p, "rotate", f"rotated by {args[0]:+d}", origin, unit)


HANDLERS = {
    "keep": _keep,
    "keep_last": _keep_last,
    "recall": _recall,
    "recall_line": _recall_line,
    "forget": _forget,
    "undo": _undo,
    "redo": _redo,
    "back": _back,
    "back_full": _back_full,
    "redraw": _redraw,
    "clear": _clear,
    "mutate": _mutate,
    "go_home": _go_home,
    "set_home": _set_home,
    "home_from": _home_from,
    "rotate": _rotate,
}
