"""What a control moved, large for two seconds: every change is confirmed."""

from __future__ import annotations

from collections.abc import Sequence

from rich.style import Style
from textual.strip import Strip

from replank.control.parameters import PARAMETERS, position
from replank.dashboard.bigtext import best_scale, big
from replank.dashboard.paint import Panel, Row, fit
from replank.dashboard.view import number, plain
from replank.dashboard.wording import with_unit


class Large(Panel):
    """Name, value and place of the parameter that was moved last."""

    LARGE = True

    def ground(self) -> Style:
        """Return the raised ground, so that it stands out from the page below."""
        return self.watch_app.ink.ground_style + self.watch_app.ink.raised

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        m = self.watch_app.model
        moved = m.large()
        return () if moved is None else (moved.name, moved.shown, moved.way, m.version)

    def paint(self) -> None:
        """Show or hide, then draw."""
        moved = None if self.screen.has_class("too-small") else self.watch_app.model.large()
        if self.display != (moved is not None):
            self.display = moved is not None
            self._painted_at = -1.0
        if moved is not None:
            super().paint()

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return name, large value, and the bar."""
        app, ink = self.watch_app, self.watch_app.ink
        moved = app.model.large()
        if moved is None:
            return []
        inner = width - 4
        shown = with_unit(moved.name, moved.shown)
        rows = [Row().add("─" * width, ink.rule).strip(width)]
        name = moved.name.replace("_", " ")
        scale = best_scale(name, inner, height - 10, 1)  # large too where five rows of value are left
        names = big(name, scale) or (fit(name, inner),)
        rows += [Row().add("  " + part, ink.hand).strip(width) for part in names]
        room = height - 2 - len(names)
        scale = best_scale(shown, inner, room, 3) or best_scale(moved.shown, inner, room, 3)
        text = shown if best_scale(shown, inner, room, 3) else moved.shown
        if scale:
            rows += [Row().add("  " + part, ink.strong).strip(width) for part in big(text, scale)]
        else:
            rows.append(Row().add("  " + fit(shown, inner), ink.strong).strip(width))
        rows += [Row().strip(width)] * max(0, height - 1 - len(rows))
        if moved.way:
            way = {"left": "◀ turn left to take over", "right": "turn right to take over ▶"}
            text = way.get(moved.way, plain(moved.way, 20))
            return [*rows[: height - 1], Row().add("  " + fit(text, inner), ink.warn).strip(width)]
        return [*rows[: height - 1], self._bar(moved.name, width)]

    def _bar(self, name: str, width: int) -> Strip:
        app, ink = self.watch_app, self.watch_app.ink
        row, state, inner = PARAMETERS.get(name), app.model.state, width - 4
        value = state.values.get(name)
        if row is None or value is None or row.kind == "seed":
            return Row().strip(width)
        try:
            share = position(name, value, tuple(state.lists.get(name, ())) or row.choices)
        except (TypeError, ValueError, OverflowError):
            return Row().strip(width)  # a value that another version may know
        cells = round(share * (inner - 1))
        hand = number(state.controls.get(name, {}).get("position"))
        line = Row().add("  ", ink.text).add("━" * cells, ink.strong).add("█", ink.hand)
        line.add("─" * (inner - 1 - cells), ink.rule)
        if hand is not None and abs(hand - share) > 0.02:
            line.add("", ink.text)
        return line.strip(width)
