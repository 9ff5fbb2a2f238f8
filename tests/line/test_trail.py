"""The trail: undo, redo and back against forms that were kept whole beside it."""

from __future__ import annotations

import random

import pytest

from replank.line.steps import Form, Step
from replank.line.trail import Trail, Unit, remade, reverted
from tests.line import lines

SECOND = 1_000_000_000
LINE = lines.drawn(1)
FORM = Form(LINE, LINE, 16)


def with_step(form: Form, index: int, **marks: object) -> Form:
    """Return a form with one step changed."""
    steps = list(form.steps)
    steps[index] = steps[index]._replace(**marks)
    return form._replace(steps=tuple(steps))


class Show:
    """A small performer: a trail, and every form as a person would have written it down."""

    def __init__(self, kind: type[Trail], limit: int, seed: int) -> None:
        self.trail = kind(limit)
        self.form = FORM
        self.values: dict[str, object] = {"root": "D", "gate": 0.5, "length": 16}
        self.cycle = 1
        self.ends: dict[int, tuple[Form, dict[str, object]]] = {}
        self.done: list[tuple[Form, Form]] = []
        self.dice = random.Random(seed)

    def change(self, kind: str, form: Form, values: tuple[tuple[str, object, object], ...] = ()) -> Unit | None:
        unit = self.trail.record(
            cycle=self.cycle, now=self.cycle * SECOND, kind=kind, text=kind, before=self.form, after=form, values=values
        )
        for name, _, after in values:
            self.values[name] = after
        self.values["length"] = form.length
        self.form = form
        return unit

    def move(self, unit: Unit | None, kind: str) -> None:
        if unit is None:
            return
        form = reverted(self.form, unit) if kind == "undo" else remade(self.form, unit)
        side = 1 if kind == "undo" else 2
        values = tuple((value[0], self.values[value[0]], value[side]) for value in unit.values if value[0] != "length")
        self.trail.record(
            cycle=self.cycle, now=self.cycle * SECOND, kind=kind, text=kind, before=self.form, after=form,
            values=values, takes_back=unit.number,
        )  # fmt: skip
        for name, _, after in values:
            self.values[name] = after
        self.form, self.values["length"] = form, form.length

    def knob(self, name: str, value: object) -> None:
        self.trail.log_value(self.cycle, name, self.values[name], value)
        self.values[name] = value
        if name == "length":
            self.form = self.form._replace(length=value)

    def act(self) -> None:
        dice = self.dice
        what = dice.randrange(9)
        if what < 3:
            self.change("mutation", with_step(self.form, dice.randrange(64), velocity=dice.random()))
        elif what == 3:
            line = lines.drawn(dice.randrange(1000))
            root = dice.choice("CDEF")
            form = Form(line, line, dice.randrange(1, 65))
            self.change("recall", form, (("root", self.values["root"], root),))
        elif what == 4:
            self.change("set home", self.form._replace(home=self.form.steps))
        elif what == 5:
            self.move(self.trail.undo(), "undo")
        elif what == 6:
            self.move(self.trail.redo(), "redo")
        elif what == 7:
            self.knob("gate", dice.random())
        else:
            self.knob("length", dice.randrange(1, 65))

    def play(self, cycles: int) -> None:
        for _ in range(cycles):
            for _ in range(self.dice.randrange(3)):
                self.act()
            self.ends[self.cycle] = (self.form, dict(self.values))
            self.cycle += 1


def check_back(kind: type[Trail], limit: int, seed: int, cycles: int = 150) -> int:
    """Assert that every cycle that the trail claims comes back exactly; return how many do."""
    show = Show(kind, limit, seed)
    show.play(cycles)
    reached = 0
    for trail in (show.trail, kind.restore(show.trail.save())):
        for cycle, (form, values) in show.ends.items():
            found = trail.back(show.form, cycle)
            if found is None:
                assert cycle < trail.oldest_cycle, f"cycle {cycle} is kept but not given"
                continue
            reached += 1
            assert found[0] == form, f"cycle {cycle}: another form came back"
            assert {**show.values, **found[1]} == values, f"cycle {cycle}: other settings came back"
    assert len(show.trail.units) <= limit
    return reached


@pytest.mark.parametrize("seed", range(12))
def test_back_reaches_every_form_while_all_is_kept(seed):
    assert check_back(Trail, 512, seed) == 2 * 150


@pytest.mark.parametrize("seed", range(12))
def test_a_bounded_trail_is_honest_about_its_end(seed):
    assert 0 < check_back(Trail, 20, seed) < 2 * 150


class ForgetsHome(Trail):
    def record(self, **entry):
        return super().record(**{**entry, "after": entry["after"]._replace(home=entry["before"].home)})


class ForgetsItsEnd(Trail):
    def back(self, form, cycle):
        self.oldest_cycle = 0
        return super().back(form, cycle)


class ForgetsValues(Trail):
    def log_value(self, cycle, name, before, after):
        self._log[cycle, name] = (before, after)


@pytest.mark.parametrize(("wrong", "limit"), [(ForgetsHome, 512), (ForgetsItsEnd, 20), (ForgetsValues, 512)])
def test_a_broken_trail_is_refused(wrong, limit):
    with pytest.raises(AssertionError, match="came back"):
        check_back(wrong, limit, seed=0)


@pytest.mark.parametrize("seed", range(6))
def test_undo_and_redo_walk_through_every_form(seed):
    show, dice, forms = Show(Trail, 512, seed), random.Random(seed), [FORM]
    for _ in range(30):
        show.change("mutation", with_step(show.form, dice.randrange(64), velocity=dice.random()))
        forms.append(show.form)
        show.cycle += 1
    for form in reversed(forms[:-1]):
        show.move(show.trail.undo(), "undo")
        assert show.form == form
    assert (show.trail.can_undo, show.trail.can_redo) == (False, True)
    assert show.trail.undo() is None
    for form in forms[1:]:
        show.move(show.trail.redo(), "redo")
        assert show.form == form
    assert show.trail.redo() is None
    assert len(show.trail.units) == 90, "nothing is erased"


def test_redo_lasts_until_the_next_unit():
    show = Show(Trail, 512, 0)
    show.change("mutation", with_step(show.form, 1, velocity=0.1))
    show.change("mutation", with_step(show.form, 2, velocity=0.1))
    show.move(show.trail.undo(), "undo")
    assert show.trail.can_redo
    assert show.trail.undone() == {2}
    show.change("edit", with_step(show.form, 3, velocity=0.1))
    assert show.trail.redo() is None
    show.move(show.trail.undo(), "undo")
    show.move(show.trail.undo(), "undo")
    assert show.form == FORM
    assert not show.trail.can_undo


def test_nothing_different_is_no_unit():
    trail = Trail()
    entry = {"cycle": 1, "now": 0, "kind": "home", "text": "", "before": FORM, "after": FORM}
    assert trail.record(**entry) is None
    assert trail.record(**entry, values=[("gate", 0.5, 0.5)]) is None
    assert not trail.can_undo
    unit = trail.record(**{**entry, "after": FORM._replace(length=8)}, values=[("gate", 0.5, 0.6)])
    assert unit is not None
    assert unit.values == (("gate", 0.5, 0.6), ("length", 16, 8))
    assert reverted(FORM._replace(length=8), unit) == FORM
    assert remade(FORM, unit).length == 8


def test_an_undo_whose_values_a_knob_had_moved_back_still_moves_the_cursor():
    trail = Trail()
    trail.record(cycle=1, now=0, kind="piece", text="", before=FORM, after=FORM, values=[("gate", 0.5, 0.6)])
    unit = trail.undo()
    assert unit is not None
    trail.record(cycle=1, now=1, kind="undo", text="", before=FORM, after=FORM, takes_back=unit.number)
    assert (trail.can_undo, trail.can_redo) == (False, True)


def turn(trail: Trail, form: Form, index: int, pitch: int, now: int) -> Form:
    """Edit a step as an encoder does."""
    after = with_step(form, index, pitch=pitch)
    trail.record(
        cycle=1, now=now, kind="edit", text=str(pitch), before=form, after=after, merge_within=SECOND
    )  # fmt: skip
    return after


def test_edits_of_one_step_within_a_second_count_once():
    trail, form = Trail(), FORM
    for n in range(5):
        form = turn(trail, form, 3, 70 + n, n * SECOND // 2)
    assert len(trail.units) == 1
    assert trail.units[0].steps == ((3, FORM.steps[3], form.steps[3]),)
    assert trail.units[0].text == "74"
    form = turn(trail, form, 4, 70, 2 * SECOND + 1)
    assert len(trail.units) == 2, "another step"
    form = turn(trail, form, 4, 71, 4 * SECOND)
    assert len(trail.units) == 3, "more than a second later"
    form = turn(trail, form, 4, 70, 4 * SECOND + 1)
    assert len(trail.units) == 2, "turned back to where it was: nothing is left"
    unit = trail.undo()
    assert unit is not None
    assert reverted(form, unit).steps[4] == FORM.steps[4]
    assert Trail.restore(trail.save()).save() == trail.save()


def test_an_edit_is_not_joined_to_one_that_was_undone():
    trail = Trail()
    form = turn(trail, FORM, 3, 70, 0)
    unit = trail.undo()
    assert unit is not None
    trail.record(cycle=1, now=1, kind="undo", text="", before=form, after=FORM, takes_back=unit.number)
    turn(trail, FORM, 3, 71, 2)
    assert [entry.kind for entry in trail.units] == ["edit", "undo", "edit"]


def test_what_is_saved_is_plain_and_small():
    show = Show(Trail, 512, 3)
    show.play(100)
    plain = show.trail.save()

    def walk(value: object) -> None:
        assert value is None or isinstance(value, (bool, int, float, str, list, dict))
        assert not isinstance(value, tuple)
        for item in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
            walk(item)

    walk(plain)
    again = Trail.restore(plain)
    assert again.units == show.trail.units
    assert (again.can_undo, again.can_redo) == (show.trail.can_undo, show.trail.can_redo)
    assert isinstance(again.units[0].steps[0][1], Step)


def test_logged_values_are_bounded():
    trail = Trail(limit=4)
    for cycle in range(1, 1000):
        trail.log_value(cycle, "gate", cycle - 1, cycle)
    assert len(trail.save()["log"]) == 32
    assert trail.oldest_cycle == 967
    assert trail.back(FORM, 966) is None
    found = trail.back(FORM, 967)
    assert found is not None
    assert found[1] == {"gate": 967}


def test_edits_that_cancel_themselves_leave_nothing():
    trail, form = Trail(), FORM
    for n in range(200):
        form = turn(trail, form, 4, 71, 4 * n * SECOND)
        form = turn(trail, form, 4, FORM.steps[4].pitch, 4 * n * SECOND + 1)
    assert not trail.units and not trail._plain, "a night of these must not add up"
