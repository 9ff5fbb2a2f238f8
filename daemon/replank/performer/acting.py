"""Parameters and actions: one way in for knobs, files, socket and command line.

What a person asks for is checked at once and refused with a reason, or takes
effect when due: now, at the next step, cycle or bar, or in so many bars.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from replank.control.actions import find_action, when_words
from replank.control.parameters import check, find, show
from replank.line.generate import has_cells
from replank.performer import clocking, course, editing, keeping, pieces, playing
from replank.performer.arguments import prepare
from replank.performer.settings import Settings

if TYPE_CHECKING:
    from replank.performer.core import Performer

_IDLE = 2_000_000_000
"""Pulses that have not come for so long (ns), or four intervals, let things happen at once."""


_SHAPING = frozenset(("division", "meter", "scale"))
"""Parameters whose values must fit each other and the rig."""


def act(p: Performer, name: str, args: tuple[str, ...], due: str, origin: str) -> None:
    """Do an action, now or when due; refuse it with a notice."""
    try:
        row = find_action(name)
        typed = prepare(p.known(), row, args)
    except ValueError as error:
        p.notice("refused", what=name, why=str(error), origin=origin)
        return
    enqueue(p, due or row.due, ["act", name, typed, origin])


def enqueue(p: Performer, due: str, item: list[Any]) -> None:
    """Let an item happen when due; at once where nothing moves.

    An item is ["act", name, arguments, origin], ["set", name, value, origin] or ["configure", setup].
    """
    if due == "now" or not is_moving(p):
        _do(p, item)
        return
    t = p.transport
    bars = t.has_bars(p.by_pulses)
    unit, target = due, 0
    if due.endswith("bars"):
        count = int(due[:-4])
        unit = "bar" if bars else "cycle"
        target = (t.bars.bar_index(t.song_clock) if bars else p.melody.cycle) + count
    elif due == "bar" and not bars:
        unit = "cycle"
    if item[0] == "set":
        p.due = [one for one in p.due if not (one[2][0] == "set" and one[2][1] == item[1])]
    p.due.append([unit, target, item])
    if item[0] != "configure":
        p.notice("due", action=item_words(p, item), due=due, at=target, when=when_words(due))


def is_moving(p: Performer) -> bool:
    """Tell whether a next step is to be expected."""
    t = p.transport
    if p.by_pulses:
        return t.pulse.last >= 0 and p.now - t.pulse.last < pulses_idle_ns(p)
    return t.running and not t.lost


def pulses_idle_ns(p: Performer) -> int:
    """Return how long pulses may stay away before they count as stopped, ns."""
    return max(4 * p.transport.pulse.interval, _IDLE)


def item_words(p: Performer, item: list[Any]) -> str:
    """Return a waiting item as people read it."""
    if item[0] == "set":
        return f"{item[1]} {show(item[1], item[2], p.setup.middle_c)}"
    if item[0] == "act":
        return " ".join([item[1].replace("_", " "), *(str(arg) for arg in item[2] if arg not in (None, ""))])
    return "a new rig"


def take_due(p: Performer, unit: str, at: int) -> None:
    """Do what waits for this boundary: `at` is the clock, bar index or cycle that begins."""
    ready = [one for one in p.due if _is_ready(p, one, unit, at)]
    if ready:
        p.due = [one for one in p.due if one not in ready]
        for _, _, item in ready:
            _do(p, item)


def _is_ready(p: Performer, one: list[Any], unit: str, at: int) -> bool:
    waits_for, target, item = one
    if waits_for == "boundary" and unit == "step":
        return is_shared(p, item[2], at)
    return bool(waits_for == unit and target <= at)


def is_shared(p: Performer, division: str, clock: int) -> bool:
    """Tell whether steps of another division begin where the present one's does, at this clock."""
    clocks, t = p.division_of(division), p.transport
    if p.by_pulses or clock % clocks == 0:
        return True
    # Steps that lie beside the song's grid share it with nothing: they are counted from their step 1.
    return t.origin % p.settings.division != 0 and (clock - t.origin) % clocks == 0


def _do(p: Performer, item: list[Any]) -> None:
    if item[0] == "set":
        apply_values(p, {item[1]: item[2]}, item[3])
    elif item[0] == "act":
        _, name, typed, origin = item
        try:
            HANDLERS[name](p, typed, origin)
        except ValueError as error:
            p.notice("refused", what=name, why=str(error), origin=origin)
    else:
        try:
            p.configure(item[1])
        except ValueError as error:
            p.notice("refused", what="the new rig", why=str(error), origin="host")


def cancel(p: Performer, args: list[Any], origin: str) -> None:
    """Cancel what waits, and every ramp; with a name that one; a plan only by its name."""
    wanted = (args[0] or "").replace(" ", "_")
    if wanted == "plan":
        course.cancel_plan(p)
        return

    def goes(one: list[Any]) -> bool:
        return one[2][0] != "configure" and wanted in ("", one[2][1])

    ramps = [name for name in p.ramps if wanted in ("", name)]
    dropped = [item_words(p, one[2]) for one in p.due if goes(one)] + [f"ramp of {name}" for name in ramps]
    if wanted and not dropped:
        raise ValueError(f"nothing called {wanted} waits or moves")
    p.due = [one for one in p.due if not goes(one)]
    for name in ramps:
        del p.ramps[name]
    for text in dropped:
        p.notice("cancelled", action=text)


# -- parameters ----------------------------------------------------------------


def assign(p: Performer, values: dict[str, Any], origin: str) -> None:
    """Set parameters, all or none: those that wait for a bar or a boundary wait."""
    checked = _checked(p, values, origin)
    if len(checked) == len(values):
        _set_when_due(p, checked, origin)


def assign_each(p: Performer, values: dict[str, Any], origin: str) -> None:
    """Set parameters, each for itself: one that is refused keeps no other back."""
    checked = _checked(p, values, origin)
    for name in [name for name in checked if name in _SHAPING]:
        _set_when_due(p, {name: checked.pop(name)}, origin)
    _set_when_due(p, checked, origin)


def _checked(p: Performer, values: dict[str, Any], origin: str) -> dict[str, Any]:
    """Return the values that their parameters take; refuse the others, each with a notice."""
    checked = {}
    for name, value in values.items():
        try:
            right = check(name, value, p.setup.user_scales)
            if name == "division":
                p.division_of(str(right))
            checked[name] = right
        except ValueError as error:
            p.notice("refused", what=name, why=str(error), origin=origin)
    return checked


def _set_when_due(p: Performer, values: dict[str, Any], origin: str) -> None:
    at_once = {}
    for name, value in values.items():
        if p.ramps.pop(name, None):
            p.notice("cancelled", action=f"ramp of {name}")
        due = find(name).due
        if due in ("bar", "boundary") and is_moving(p) and value != p.values[name]:
            enqueue(p, due, ["set", name, value, origin])
        else:
            p.due = [one for one in p.due if one[2][:2] != ["set", name]]
            at_once[name] = value
    if at_once:
        apply_values(p, at_once, origin)


def set_now(p: Performer, name: str, value: Any, origin: str) -> None:
    """Set a parameter now, whatever its own due; only a division waits for a boundary that both share."""
    if name == "division" and is_moving(p) and not is_shared(p, value, max(p.transport.song_clock, 0)):
        enqueue(p, "boundary", ["set", name, value, origin])
    else:
        apply_values(p, {name: value}, origin)


def apply_values(p: Performer, values: dict[str, Any], origin: str) -> None:
    """Store values that take effect now, and say so."""
    if origin != "arc":
        for name in values:
            course.hand(p, name)
    if not _SHAPING.isdisjoint(values):
        try:
            Settings({**p.values, **values}, p.setup)
        except ValueError as error:
            p.notice("refused", what=", ".join(values), why=str(error), origin=origin)
            return
    changed = {}
    for name, value in values.items():
        before = p.set_value(name, value)
        if before != value:
            changed[name] = before
            if origin != "knobs":
                p.hands.moved(name, value, p.now)
    if not changed:
        if origin not in ("knobs", "ramp"):
            for name, value in values.items():
                _say(p, name, value, value, origin)
        return
    if "division" in changed or "meter" in changed:
        _keep_place(p)
    else:
        p.changed()
    if "seed" in changed:
        p.begin_chances(p.values["seed"] or p.given_seed)
    if "mute" in changed:
        playing.mute_changed(p)
    if "length" in changed and p.transport.playhead.peek()[1]:
        p.transport.ended_by = p.transport.ended_by or "length"
    if p.values["visit_home"] and not p.values["phrase"] and not {"visit_home", "phrase"}.isdisjoint(changed):
        p.notice("without_effect", name="visit_home", why="phrases are off: phrase sets their bars")
    shape = p.settings.shape
    if "scheme" in changed and shape.scheme != "free" and not has_cells(shape.scheme, shape.length):
        why = f"a line of {shape.length} is drawn free; {shape.scheme} needs 16 steps or more, in four equal parts"
        p.notice("without_effect", name="scheme", why=why)
    if "fine_tune" in changed:
        p.band.bend_sounding(p)
    for name, before in changed.items():
        _say(p, name, p.values[name], before, origin)


def _say(p: Performer, name: str, value: Any, before: Any, origin: str) -> None:
    shown = show(name, value, p.setup.middle_c)
    if origin != "arc":
        p.last_control = [name, shown, p.now]
    p.notice("parameter", name=name, value=value, shown=shown, before=before, origin=origin)


def _keep_place(p: Performer) -> None:
    """Let the playhead go on where it is when a step's or a bar's clocks change."""
    p.changed()
    p.transport.reanchor(p.settings.division)


# -- ramps ---------------------------------------------------------------------


def ramp(p: Performer, args: list[Any], origin: str) -> None:
    """Begin to move a parameter to a value over bars (cycles, with pulses)."""
    name, target, bars = args
    course.hand(p, name)
    p.ramps[name] = [p.values[name], target, bars, ramp_place(p)]
    p.notice("ramp", name=name, value=p.values[name], shown=show(name, p.values[name], p.setup.middle_c),
             target=show(name, target, p.setup.middle_c), bars_left=bars)  # fmt: skip


def ramp_place(p: Performer) -> float:
    """Return where the song is, in bars (cycles, with pulses)."""
    t = p.transport
    if p.by_pulses:
        return p.melody.cycle + p.melody.advances / max(1, p.settings.length)
    return t.bars.place(t.song_clock)


def move_ramps(p: Performer) -> None:
    """Move each ramp on, at a step."""
    for name, (first, target, bars, since) in list(p.ramps.items()):
        share = min(1.0, max(0.0, (ramp_place(p) - since) / bars))
        value = first + (target - first) * share
        row = find(name)
        value = value if row.kind == "float" else int(value + 0.5)
        if share >= 1.0:
            del p.ramps[name]
            value = target
        if value != p.values[name]:
            p.hands.moved(name, value, p.now)
            p.set_value(name, value)
            p.changed()
            p.notice("ramp", name=name, value=value, shown=show(name, value, p.setup.middle_c),
                     target=show(name, target, p.setup.middle_c), bars_left=bars * (1.0 - share))  # fmt: skip


def toggle(p: Performer, args: list[Any], origin: str) -> None:
    """Turn an on-off parameter."""
    apply_values(p, {args[0]: not p.values[args[0]]}, origin)


def adjust(p: Performer, args: list[Any], origin: str) -> None:
    """Move a parameter by an amount, or by places of its list; ends stop it."""
    name, amount = args
    row, value = find(name), next((item[2] for _, _, item in p.due if item[:2] == ["set", name]), p.values[name])
    if row.is_list:
        words = p.lists().get(name) or row.choices
        if row.kind == "bool":
            new: Any = amount > 0
        else:
            at = words.index(value) if value in words else 0
            new = words[max(0, min(len(words) - 1, at + int(amount)))]
    else:
        number = max(row.low, min(row.high, value + amount))
        new = float(number) if row.kind == "float" else int(number)
        if new != value + amount:
            p.notice("clamped", name=name, value=new, shown=show(name, new, p.setup.middle_c))
    assign(p, {name: new}, origin)


def done(p: Performer, action: str, text: str, origin: str, unit: int = 0) -> None:
    """Say that an action was done."""
    p.notice("done", action=action, text=text, origin=origin, unit=unit)


def _star(p: Performer, args: list[Any], origin: str) -> None:
    p.notice("star", text=args[0] or "", cycle=p.melody.cycle)


def _name_show(p: Performer, args: list[Any], origin: str) -> None:
    p.show_name = args[0]
    p.notice("name", text=args[0])


def _start(p: Performer, args: list[Any], origin: str) -> None:
    if p.setup.clock.source != "internal":
        raise ValueError("the clock is not ours: Start comes from its sender; join starts with it")
    clocking.run_internal(p, True)
    clocking.start(p, "start")


def _stop(p: Performer, args: list[Any], origin: str) -> None:
    clocking.run_internal(p, False)
    clocking.stop(p)


def _continue(p: Performer, args: list[Any], origin: str) -> None:
    if p.setup.clock.source != "internal":
        raise ValueError("the clock is not ours: Continue comes from its sender")
    clocking.run_internal(p, True)
    clocking.go_on(p)


Handler = Callable[["Performer", list[Any], str], None]

HANDLERS: dict[str, Handler] = {
    **keeping.HANDLERS,
    **editing.HANDLERS,
    **playing.HANDLERS,
    **pieces.HANDLERS,
    **course.HANDLERS,
    "ramp": ramp,
    "toggle": toggle,
    "adjust": adjust,
    "cancel": cancel,
    "star": _star,
    "name_show": _name_show,
    "start": _start,
    "stop": _stop,
    "continue": _continue,
}
"""What each action of the table does."""
