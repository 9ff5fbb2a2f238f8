"""Every parameter with value, unit and control: the page that shapes the line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from textual import events
from textual.strip import Strip

from replank.control.actions import written
from replank.control.parameters import PARAMETERS, Parameter, place, position
from replank.dashboard.listing import Listing
from replank.dashboard.paint import Row, fit
from replank.dashboard.view import number
from replank.dashboard.wording import arc_move, arc_words, control_words, ramp_words, with_unit

NAME, VALUE, BAR, CONTROL = 20, 22, 16, 15
COARSE = 50
"""A key moves a continuous parameter by its range divided by this."""


class Shape(Listing):
    """The parameter table as it stands."""

    CELLS = NAME + VALUE + BAR + CONTROL + 6
    DETAIL = 2

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        return (self.watch_app.model.version, self.cursor)

    def items(self) -> Sequence[Parameter]:
        """Return the table's rows, those under a control first."""
        controls = self.watch_app.model.state.controls
        return sorted(PARAMETERS.values(), key=lambda row: row.name not in controls)

    def line(self, item: Parameter, chosen: bool, width: int) -> Strip:
        """Return name, value, position and control of one parameter."""
        ink, state = self.watch_app.ink, self.watch_app.model.state
        control = state.controls.get(item.name)
        value = state.values.get(item.name, item.default)
        row = Row().add("▸" if chosen else " ", ink.hand)
        row.add(fit(item.name, NAME), ink.hand if chosen else ink.text).add(" ", ink.text)
        changed = value != item.default or item.name in state.sounding
        row.add(fit(self._value_words(item), VALUE), ink.strong if changed or chosen else ink.text).add(" ", ink.text)
        self._bar(row, item, value, control)
        row.add(" ", ink.text)
        if control is not None and width - row.used >= CONTROL:
            row.add(fit(control_words(control), CONTROL), ink.warn if control.get("waiting") is True else ink.faint)
        return row.strip(width)

    def _value_words(self, item: Parameter) -> str:
        """Return the value as it is set, where it is going, and how it sounds: in full, or what there is room for."""
        state = self.watch_app.model.state
        shown = state.shown.get(item.name, "?")
        ramp = next((f"→ {target}" for name, target, _ in state.ramps if name == item.name), "")
        arcs = state.course.arcs if state.course is not None else ()
        move = ramp or next((arc_move(arc) for arc in arcs if arc.name == item.name), "")
        sounds = f"→ sounds {state.sounding[item.name]}" if item.name in state.sounding else ""
        if not move and not sounds:
            return with_unit(item.name, shown)
        full = " ".join(part for part in (with_unit(item.name, shown), move, sounds) if part)
        both = " ".join(part for part in (shown, move, sounds) if part)
        one = f"{shown} {sounds or move}"
        return next((text for text in (full, both, one) if len(text) <= VALUE), one)

    def _moves(self, item: Parameter) -> str:
        """Say in full what moves the marked parameter, and how it sounds; empty where nothing does."""
        state = self.watch_app.model.state
        arcs = state.course.arcs if state.course is not None else ()
        words = [ramp_words(*ramp, state) for ramp in state.ramps if ramp[0] == item.name]
        words += [arc_words(arc, state) for arc in arcs if arc.name == item.name]
        if item.name in state.sounding:
            shown, tension = state.shown.get(item.name, "?"), state.shown.get("tension", "?")
            words.append(f"set {shown}, sounds {state.sounding[item.name]} under tension {tension}")
        return "".join(f"{text}. " for text in words)

    def _bar(self, row: Row, item: Parameter, value: Any, control: dict[str, Any] | None) -> None:
        """Draw where the value is in its range, and where the control stands if elsewhere."""
        ink = self.watch_app.ink
        at = self._position(item, value)
        if at is None:
            row.to(row.used + BAR)
            return
        cell = min(BAR - 1, int(at * BAR))
        hand = number(control.get("position")) if control and control.get("taught") is not False else None
        hand_cell = -1 if hand is None else min(BAR - 1, max(0, int(hand * BAR)))
        for x in range(BAR):
            if x == hand_cell and x != cell:
                row.add("◇", ink.warn)
            elif x == cell:
                row.add("█", ink.strong if x != hand_cell else ink.hand)
            else:
                row.add("━" if x < cell else "─", ink.text if x < cell else ink.rule)

    def _choices(self, item: Parameter) -> tuple[str, ...]:
        return tuple(self.watch_app.model.state.lists.get(item.name, ())) or item.choices

    def _position(self, item: Parameter, value: Any) -> float | None:
        if item.kind == "seed":
            return None
        try:
            return position(item.name, value, self._choices(item))
        except (TypeError, ValueError, OverflowError):
            return None  # a value that another version may know

    def detail(self, item: Parameter) -> str:
        """Return range, moment and meaning of the marked parameter."""
        if item.is_list:
            span = " · ".join(self._choices(item)[:12])
        else:
            span = f"{item.low:g} to {item.high:g} {item.unit}".rstrip()
        when = {"boundary": "where both steps meet", "now": "at once"}.get(item.due, f"at the next {item.due}")
        return f"{self._moves(item)}{item.help} {span}; takes effect {when}. ← → move it, enter types a value."

    def nudge(self, by: int) -> None:
        """Move the marked parameter by key."""
        item = self.chosen()
        if item is None or item.kind == "seed":
            return
        amount = f"{(item.high - item.low) / COARSE * by:g}" if item.kind == "float" else str(by)
        self.watch_app.do(written("adjust", (item.name, amount)))

    def reset_value(self) -> None:
        """Set the marked parameter to its default."""
        item = self.chosen()
        if item is not None:
            self.watch_app.set_value(item.name, item.default)

    def enter(self, how: str = "") -> None:
        """Ask for a value, or for a ramp."""
        item = self.chosen()
        if item is not None:
            self.watch_app.ask(f"ramp:{item.name}:" if how == "ramp" else f"{item.name}=")

    def on_click(self, event: events.Click) -> None:
        """Mark the row; on the bar, set the value that stands there."""
        at = self.row_at(event.x, event.y)
        if at < 0 or self.aside:
            super().on_click(event)
            return
        each = self.size.width // self._across
        x = event.x % each - (1 + NAME + 1 + VALUE + 1)
        item = self.items()[at]
        if 0 <= x < BAR and item.kind != "seed":
            self.watch_app.do(f"/move:{at - self.cursor}")
            self.watch_app.set_value(item.name, place(item.name, x / (BAR - 1), self._choices(item)))
        else:
            super().on_click(event)
