"""The main facts in words, or all about the chosen step."""

from __future__ import annotations

from collections.abc import Sequence

from textual.strip import Strip

from replank.dashboard.paint import Panel, Row, fit
from replank.dashboard.wording import arc_lines, facts, phrase_line, plan_lines, step_words, waiting


class Factsheet(Panel):
    """Key, length, chances, half-life, what waits; or one step."""

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        app = self.watch_app
        return (app.model.version, app.ui.selected)

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the lines that fit; what waits comes first."""
        app, ink = self.watch_app, self.watch_app.ink
        state, selected = app.model.state, app.ui.selected
        if not state.steps:
            return []
        if 0 < selected <= state.length:
            first, *rest = step_words(state.steps[selected - 1], state)
            pairs = [(first, ink.hand), *((line, ink.text) for line in rest)]
        else:
            first, *rest = facts(state)
            pairs = [(first, ink.strong), *((line, ink.text) for line in rest)]
            # above what a low screen cuts: the head of every page says what waits, but not these
            pairs[4:4] = [(line, ink.hand) for line in (*phrase_line(state), *plan_lines(state)[:1])]
            pairs += [(line, ink.hand) for line in (*waiting(state), *arc_lines(state))]
        return [Row().add("│ ", ink.rule).add(fit(line, width - 2), style).strip(width) for line, style in pairs]
