"""The far view: few facts, very large, for a laptop across the stage."""

from __future__ import annotations

from collections.abc import Sequence

from rich.style import Style
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.strip import Strip

from replank.dashboard.bigtext import best_scale, big, cells_of, rows_of
from replank.dashboard.contour import Contour
from replank.dashboard.paint import Panel, Row, fit
from replank.dashboard.wording import minutes, set_times, state_words
from replank.line.pitch import note_name

WIDEST = "8888 Eb3"
"""Bar and note together: their size stays the same whatever they are."""


class FarHead(Panel):
    """Piece, bar, and the note that sounds."""

    LARGE = True

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        m = self.watch_app.model
        sounding = -1 if self.watch_app.ui.calm else m.last_note
        return (m.state.piece_name, m.bar, m.attached, sounding, m.state.transport.state, m.state.values.get("mute"))

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the piece's name, then bar and note as large as they fit."""
        app, ink = self.watch_app, self.watch_app.ink
        m, state = app.model, app.model.state
        title = state.piece_name or f"{state.root} {state.scale}"
        scale = best_scale(title, width - 2, height - rows_of(best_scale(WIDEST, width - 2, height - 3)) - 2, 3)
        rows = [Row().add(" " + part, ink.text).strip(width) for part in big(title, scale)] if scale else []
        if not scale:
            rows.append(Row().add(" " + fit(title, width - 1), ink.strong).strip(width))
        left, room = str(m.bar), height - len(rows) - 1
        word = state_words(state.transport.state)[1].split(":")[0]
        if not m.attached:
            right, style = "GONE", ink.bad
        elif state.values.get("mute") is True:
            right, style = "MUTE", ink.warn
        elif state.transport.state != "playing":
            right, style = {"stopped": "STOP", "armed": "WAIT", "ending": "END"}.get(word, word.upper()), ink.warn
        elif m.last_note >= 0 and not app.ui.calm:
            right = note_name(m.last_note, state.middle_c)
            style = Style(color=ink.pitch(m.last_note), bold=True)
        else:
            right, style = "", ink.text
        scale = best_scale(WIDEST, width - 2, room, 8) or 1
        rows += [Row().strip(width)] * max(1, (height - len(rows) - rows_of(scale)) // 2)
        lefts, rights = big(left, scale), big(right, scale) if right else ("",) * rows_of(scale)
        for at, (a, b) in enumerate(zip(lefts, rights, strict=True)):
            row = Row().add(" bar " if at == len(lefts) - 1 else "     ", ink.text).add(a, ink.strong)
            rows.append(row.to(width - cells_of(right, scale) - 1).add(b, style).strip(width))
        return rows


class FarFoot(Panel):
    """What changed last, and the times."""

    LARGE = True

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        app = self.watch_app
        large = app.model.large()
        return (app.model.last_change, app.model.version, large, int(app.model.now_ns() / 1e9))

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the last change as large as it fits, then one row of times."""
        app, ink = self.watch_app, self.watch_app.ink
        text = app.model.last_change or "no change yet"
        short = text.split(" · ")[0]
        if not best_scale(short, width - 2, height - 2, 3):
            short = short.split(",")[0]
        scale = best_scale(short, width - 2, height - 2, 3)
        if scale:
            rows = [Row().add(" " + part, ink.hand).strip(width) for part in big(short, scale)]
        else:
            rows = [Row().add(" " + fit(text, width - 1), ink.hand).strip(width)]
        rows.append(Row().strip(width))
        return [*rows, *self._times(width, height - len(rows) - 2)]

    def _times(self, width: int, room: int) -> list[Strip]:
        """Return planned times in a row, and above it what is left, large, where there is room."""
        ink, state = self.watch_app.ink, self.watch_app.model.state
        played, mine, planned, left = set_times(state, self.watch_app.model.now_ns())
        times = f" piece {minutes(played)}"
        if mine:
            times += f" of {minutes(mine)}, {minutes(mine - played)} left"
        if planned:
            times += f"   set of {minutes(planned)}, {minutes(left)} left"
        small = Row().add(fit(times, width), ink.strong).strip(width)
        large = f"{minutes(mine - played)} · SET {minutes(left)}" if mine else minutes(played)
        scale = best_scale(large, width - 2, room, 3)
        return [*(Row().add(" " + part, ink.strong).strip(width) for part in big(large, scale) if scale), small]


class Far(Vertical):
    """The far view's three parts."""

    def compose(self) -> ComposeResult:
        """Make head, line and foot."""
        yield FarHead(id="far-head")
        yield Contour(bare=True, id="far-line")
        yield FarFoot(id="far-foot")

    def paint(self) -> None:
        """Paint the three parts."""
        for panel in self.query(Panel):
            panel.paint()
