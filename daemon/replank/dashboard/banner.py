"""The head of every page: piece, transport, position, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence

from rich.style import Style
from textual.strip import Strip

from replank.dashboard.paint import Panel, Row, fit
from replank.dashboard.view import plain
from replank.dashboard.wording import minutes, set_times, state_words, waiting


class Banner(Panel):
    """Two rows: facts, and one sentence."""

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        app, m = self.watch_app, self.watch_app.model
        ui = app.ui
        where = (m.bar, 0, 0, m.cycle) if ui.calm else (m.bar, m.beat, ui.step, m.cycle)
        flags = (ui.guard, ui.calm, ui.due, ui.leaving, ui.said)
        return (m.version, m.attached, m.link, *where, *flags, int(app.model.now_ns() / 1e9))

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the two rows."""
        return [self._facts(width), self._sentence(width)][:height]

    def _facts(self, width: int) -> Strip:
        app, ink, m = self.watch_app, self.watch_app.ink, self.watch_app.model
        state, t = m.state, m.state.transport
        row = Row().add(" ", ink.text)
        glyph, word = state_words(t.state)
        style = ink.good if t.state == "playing" else ink.warn
        if not m.attached:
            glyph, word, style = "✕", "no daemon", ink.bad
        row.add(f"{glyph} {word.split(':')[0]}", style)
        if m.has_state:
            beat = "" if app.ui.calm else f".{m.beat}"
            row.add("  bar ", ink.faint).add(f"{m.bar}{beat}".ljust(5), ink.strong)
            step = "" if app.ui.calm else f"{app.ui.step:>2}/"
            row.add(" step ", ink.faint).add(f"{step}{state.length}".ljust(6), ink.strong)
            row.add("cycle ", ink.faint).add(f"{m.cycle}".ljust(4), ink.strong)
            if t.tempo is not None:
                row.add(" ", ink.text).add(f"{t.tempo:.1f}", ink.strong).add(" BPM", ink.faint)
        flags = self._flags()
        used = sum(len(text) + 3 for text, _ in flags)
        room = width - row.used - used - 3
        if state.piece_name and room > 6:
            played, planned, _, _ = set_times(state, app.model.now_ns())
            name = f"{state.piece}  {state.piece_name}"
            times = f"  {minutes(played)} of {minutes(planned)}" if planned else f"  {minutes(played)}"
            text = name + times if len(name + times) <= room else name
            text = fit(text, min(room, len(text)))
            row.to(width - used - len(text) - 1).add(text, ink.strong)
        row.to(width - used - 1)
        for text, style in flags:
            row.add(" ", ink.text).add(f" {text} ", style)
        return row.strip(width)

    def _flags(self) -> list[tuple[str, Style]]:
        app, ink = self.watch_app, self.watch_app.ink
        values, ui = app.model.state.values, app.ui
        found = []
        if values.get("hold") is True:
            found.append(("HELD", ink.chosen))
        if values.get("mute") is True:
            found.append(("MUTE", ink.chosen))
        if ui.guard:
            found.append(("GUARD ^l", ink.chosen))
        if ui.calm:
            found.append(("calm", ink.hand))
        if ui.due:
            found.append((f"next: @{ui.due}", ink.chosen))
        return found

    def _sentence(self, width: int) -> Strip:
        app, ink, m = self.watch_app, self.watch_app.ink, self.watch_app.model
        t = m.state.transport
        if app.ui.said:
            return Row().add(" ", ink.text).add(fit(app.ui.said, width - 1), ink.hand).strip(width)
        if not m.attached:
            return Row().add(" ", ink.text).add(fit(m.link, width - 1), ink.level(m.link_level)).strip(width)
        row = Row().add(" ", ink.text)
        if t.phase in ("estimated", "unknown"):
            row.add(f"phase {t.phase} · ", ink.warn)
        words = t.words or plain(m.state.host.get("waiting") or "The daemon has no line yet.")
        row.add(words[:1].upper() + words[1:], ink.text)
        for line in waiting(m.state):
            row.add(" · ", ink.faint).add(line, ink.hand)
        return row.strip(width)
