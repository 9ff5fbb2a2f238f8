"""The trail: an append-only record of every change to the line, with a cursor.

Undo does not erase: taking a unit back is itself a unit, so `back` reaches
every form that is still kept.  Only what differs is stored.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Iterable
from itertools import compress
from operator import is_not
from typing import Any, NamedTuple

from replank.line.steps import Form, Step

LIMIT = 512
"""Units that a trail keeps unless told otherwise."""
VALUES_PER_UNIT = 8
"""Logged parameter values that are kept for each unit of the limit."""

StepChange = tuple[int, Step, Step]
ValueChange = tuple[str, Any, Any]


class Unit(NamedTuple):
    """What one undo takes back.

    Attributes:
        number: Rises from 1 and is never used twice.
        cycle: The first cycle that sounds with the change; it never falls.
        now: When, in nanoseconds.
        kind: mutation, redraw, recall, edit, undo, redo ...; the caller's word.
        text: What it did, for people.
        steps: (index from 0, before, after) of each step that differs.
        home: The same of the home form.
        values: (name, before, after) of each parameter that differs; the
            form's length is one of them, under ``length``.
        takes_back: The number of the unit that this one undoes or makes
            again; 0 for an ordinary unit.
    """

    number: int
    cycle: int
    now: int
    kind: str
    text: str
    steps: tuple[StepChange, ...]
    home: tuple[StepChange, ...]
    values: tuple[ValueChange, ...]
    takes_back: int = 0


def reverted(form: Form, unit: Unit) -> Form:
    """Return the form with what a unit touched as it was before the unit.

    The parameters among `Unit.values` other than the length are the caller's.
    """
    return _placed(form, unit, 1)


def remade(form: Form, unit: Unit) -> Form:
    """Return the form with what a unit touched as it was after the unit."""
    return _placed(form, unit, 2)


def _placed(form: Form, unit: Unit, side: int) -> Form:
    length = form.length
    for name, before, after in unit.values:
        if name == "length":
            length = before if side == 1 else after
    return Form(_with_steps(form.steps, unit.steps, side), _with_steps(form.home, unit.home, side), length)


def _with_steps(steps: tuple[Step, ...], changes: Iterable[StepChange], side: int) -> tuple[Step, ...]:
    new = list(steps)
    for change in changes:
        new[change[0]] = change[1] if side == 1 else change[2]
    return tuple(new)


def _differences(before: tuple[Step, ...], after: tuple[Step, ...]) -> tuple[StepChange, ...]:
    others = compress(range(len(before)), map(is_not, before, after))  # all but a few are the very same steps
    return tuple((index, before[index], after[index]) for index in others if before[index] != after[index])


class Trail:
    """The units of a show, the newest last, and what can be undone and redone.

    Attributes:
        limit: How many units are kept; the oldest is dropped for a new one.
        units: The units that are kept, rising numbers.
        oldest_cycle: The oldest cycle that `back` can still restore.
    """

    def __init__(self, limit: int = LIMIT) -> None:
        self.limit = limit
        self.units: deque[Unit] = deque()
        self.oldest_cycle = 0
        self._next = 1
        self._done: deque[int] = deque()
        self._undone: list[int] = []
        self._plain: dict[int, tuple[Unit, list[Any]]] = {}
        self._log: OrderedDict[tuple[int, str], tuple[Any, Any]] = OrderedDict()

    def record(
        self,
        *,
        cycle: int,
        now: int,
        kind: str,
        text: str,
        before: Form,
        after: Form,
        values: Iterable[ValueChange] = (),
        takes_back: int = 0,
        merge_within: int = 0,
    ) -> Unit | None:
        """Append a unit for what differs between two forms, and move the cursor.

        Args:
            cycle: The first cycle that sounds with the change: for mutations
                at the end of cycle N, N + 1.
            now: Nanoseconds.
            kind: The caller's word.
            text: For people.
            before: The form until now.
            after: The form from now on.
            values: (name, before, after) of parameters that belong to the
                unit; they are logged for `back` too.
            takes_back: The unit that this one undoes (the one that `undo`
                gave) or makes again (the one that `redo` gave).
            merge_within: Join the last unit instead, if it has the same kind,
                can be undone, touches the same steps and is no older than so
                many nanoseconds (edits of one step within a second count once;
                `back` to a cycle in their midst gives the finished edit).

        Returns:
            The unit, or None when nothing differs; one that takes back is
            always made, so that the cursor moves.
        """
        changed = {name: (a, b) for name, a, b in values if a != b}
        if before.length != after.length:
            changed.setdefault("length", (before.length, after.length))
        for name, (a, b) in changed.items():
            self.log_value(cycle, name, a, b)
        steps, home = _differences(before.steps, after.steps), _differences(before.home, after.home)
        if not (steps or home or changed or takes_back):
            return None
        unit = Unit(
            self._next,
            cycle,
            now,
            kind,
            text,
            steps,
            home,
            tuple((n, a, b) for n, (a, b) in changed.items()),
            takes_back,
        )
        if merge_within and self._mergeable(unit, merge_within):
            return self._merge(unit)
        self._append(unit)
        return unit

    def _saved(self, unit: Unit) -> list[Any]:
        """Return a unit as plain lists, made once: a whole trail anew would hold up a step."""
        known = self._plain.get(unit.number)
        if known is None or known[0] is not unit:
            known = self._plain[unit.number] = (unit, _plain_unit(unit))
        return known[1]

    def _append(self, unit: Unit) -> None:
        self._saved(unit)
        self._next += 1
        self.units.append(unit)
        if not unit.takes_back:
            self._done.append(unit.number)
            self._undone.clear()
        elif self._undone and self._undone[-1] == unit.takes_back:
            self._done.append(self._undone.pop())
        elif self._done and self._done[-1] == unit.takes_back:
            self._undone.append(self._done.pop())
        while len(self.units) > self.limit:
            dropped = self.units.popleft()
            self._plain.pop(dropped.number, None)
            self.oldest_cycle = max(self.oldest_cycle, dropped.cycle)
            if self._done and self._done[0] == dropped.number:
                self._done.popleft()
            elif dropped.number in self._undone:
                self._undone.remove(dropped.number)

    def _mergeable(self, unit: Unit, within: int) -> bool:
        last = self.units[-1] if self.units else None
        return (
            last is not None
            and not unit.takes_back
            and (last.kind, last.takes_back) == (unit.kind, 0)
            and bool(self._done)
            and self._done[-1] == last.number
            and unit.now - last.now <= within
            and {change[0] for change in (*last.steps, *last.home)}
            == {change[0] for change in (*unit.steps, *unit.home)}
            and not last.values
            and not unit.values
        )

    def _merge(self, unit: Unit) -> Unit | None:
        """Let the last unit end as `unit` does; drop it if nothing is left of it."""
        last = self.units.pop()
        self._undone.clear()
        merged = unit._replace(
            number=last.number,
            cycle=last.cycle,
            steps=_joined(last.steps, unit.steps),
            home=_joined(last.home, unit.home),
        )
        if merged.steps or merged.home:
            self.units.append(merged)
            return merged
        self._done.pop()
        self._plain.pop(last.number, None)
        return None

    def log_value(self, cycle: int, name: str, before: Any, after: Any) -> None:
        """Note that a parameter changed during a cycle; several changes count as one.

        Args:
            cycle: The cycle in which it changed.
            name: The parameter.
            before: Its value until now.
            after: Its value from now on.
        """
        earlier = self._log.get((cycle, name))
        if earlier is None and before == after:
            return
        self._log[cycle, name] = (before if earlier is None else earlier[0], after)
        while len(self._log) > self.limit * VALUES_PER_UNIT:
            (dropped, _), _ = self._log.popitem(last=False)
            self.oldest_cycle = max(self.oldest_cycle, dropped)

    @property
    def can_undo(self) -> bool:
        """True where there is a unit to take back."""
        return bool(self._done)

    @property
    def can_redo(self) -> bool:
        """True where a unit that was taken back can be made again."""
        return bool(self._undone)

    def undo(self) -> Unit | None:
        """Return the last unit that is not yet undone, or None.

        The trail is as before: the caller applies `reverted` and the unit's
        values, then calls `record` with `takes_back`.
        """
        return self._unit(self._done[-1]) if self._done else None

    def redo(self) -> Unit | None:
        """Return the unit to make again (`remade`), or None; lasts until the next ordinary unit."""
        return self._unit(self._undone[-1]) if self._undone else None

    def undone(self) -> frozenset[int]:
        """Return the numbers of the units that are taken back and can be made again."""
        return frozenset(self._undone)

    def _unit(self, number: int) -> Unit | None:
        return next((unit for unit in reversed(self.units) if unit.number == number), None)

    def back(self, form: Form, cycle: int) -> tuple[Form, dict[str, Any]] | None:
        """Return the form, and logged values, as they were at the end of a cycle.

        Args:
            form: The form now.
            cycle: The cycle, before the mutations that followed it.

        Returns:
            The form with the length of then, and the value of then for each
            parameter that has changed since; None where the trail does not
            reach so far (`oldest_cycle`).
        """
        if cycle < self.oldest_cycle:
            return None
        for unit in reversed(self.units):
            if unit.cycle <= cycle:
                break
            form = reverted(form, unit)
        values = {name: before for (when, name), (before, _) in reversed(self._log.items()) if when > cycle}
        return form._replace(length=values.get("length", form.length)), values

    def shift(self, ns: int) -> None:
        """Move every unit's time: the units come from a clock that began elsewhere."""
        self.units = deque(unit._replace(now=unit.now + ns) for unit in self.units)

    def save(self) -> dict[str, Any]:
        """Return the trail as plain lists and dicts."""
        return {
            "limit": self.limit,
            "next": self._next,
            "oldest_cycle": self.oldest_cycle,
            "units": [self._saved(unit) for unit in self.units],
            "done": list(self._done),
            "undone": list(self._undone),
            "log": [[cycle, name, before, after] for (cycle, name), (before, after) in self._log.items()],
        }

    @classmethod
    def restore(cls, plain: dict[str, Any]) -> Trail:
        """Return the trail that `save` wrote."""
        trail = cls(plain["limit"])
        trail._next = plain["next"]
        trail.oldest_cycle = plain["oldest_cycle"]
        trail.units = deque(_read_unit(unit) for unit in plain["units"])
        trail._plain = {unit.number: (unit, saved) for unit, saved in zip(trail.units, plain["units"], strict=True)}
        trail._done = deque(plain["done"])
        trail._undone = list(plain["undone"])
        trail._log = OrderedDict(((cycle, name), (before, after)) for cycle, name, before, after in plain["log"])
        return trail


def _joined(first: tuple[StepChange, ...], then: tuple[StepChange, ...]) -> tuple[StepChange, ...]:
    """Return two lists of changes as one, without steps that are again as they were."""
    ends = {index: (before, after) for index, before, after in first}
    for index, before, after in then:
        ends[index] = (ends[index][0] if index in ends else before, after)
    return tuple((index, before, after) for index, (before, after) in sorted(ends.items()) if before != after)


def _plain_unit(unit: Unit) -> list[Any]:
    def plain(changes: tuple[StepChange, ...]) -> list[Any]:
        return [[index, list(before), list(after)] for index, before, after in changes]

    return [*unit[:5], plain(unit.steps), plain(unit.home), [list(value) for value in unit.values], unit.takes_back]


def _read_unit(plain: list[Any]) -> Unit:
    def read(changes: list[Any]) -> tuple[StepChange, ...]:
        return tuple((index, Step(*before), Step(*after)) for index, before, after in changes)

    number, cycle, now, kind, text, steps, home, values, takes_back = plain
    named = tuple((name, before, after) for name, before, after in values)
    return Unit(number, cycle, now, kind, text, read(steps), read(home), named, takes_back)
