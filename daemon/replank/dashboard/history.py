"""The last cycles as a picture: rows are cycles, columns are steps.

Each cell is as high as its pitch and has its colour; a cell that differs from
the cycle before is lit, one that persists is not.  So one sees what stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from replank.dashboard.columns import BARS
from replank.dashboard.contour import display_range
from replank.dashboard.ink import Ink
from replank.dashboard.listing import Listing
from replank.dashboard.paint import Row
from replank.dashboard.wording import history_words
from replank.line.pitch import CLASS_NAMES

Past = tuple[int, tuple[int, ...]]
LEFT = 8


@lru_cache(4096)
def cell(note: int, changed: bool, width: int, low: int, high: int, ink: Ink) -> Segment:
    """Return one cell: height and colour by pitch, lit where it changed."""
    if note < 0:
        return Segment(("·" if not changed else "○").ljust(width), ink.text if changed else ink.faint)
    glyph = BARS[min(7, max(0, (note - low) * 8 // (high - low + 1)))]
    name = CLASS_NAMES[note % 12]
    text = glyph * width if width < 4 else f"{glyph}{name}"[: width - 1].ljust(width)
    colour = ink.pitch(note)
    if changed:
        if ink.fills:
            return Segment(text, Style(color=ink.ground.paper, bgcolor=colour, bold=True))
        return Segment(text, Style(color=colour, bold=True, reverse=True))
    return Segment(text, Style(color=ink.quiet(note), bgcolor=ink.shade(note)))


class History(Listing):
    """Past cycles, the newest on top; the marked one is described."""

    LARGE = True
    DETAIL = 2
    EMPTY = "No cycle is complete yet. Each one becomes a row here."
    _cycle = -1
    _previous: dict[int, tuple[int, ...]]

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        return (self.watch_app.model.state.history, self.cursor)

    def items(self) -> Sequence[Past]:
        """Return the cycles, the newest first."""
        history = self.watch_app.model.state.history
        self._previous = {cycle: history[at - 1][1] for at, (cycle, _) in enumerate(history) if at}
        return tuple(reversed(history))

    def move(self, by: int) -> None:
        """Move the marker; it stays on its cycle while new ones arrive."""
        self._painted_at = -1.0
        self._cycle = -1
        super().move(by)
        item = super().chosen()
        self._cycle = item[0] if item and self.cursor else -1

    def chosen(self) -> Past | None:
        """Return the marked cycle."""
        if self._cycle >= 0:
            at = next((i for i, past in enumerate(self.items()) if past[0] == self._cycle), None)
            if at is None:
                self._cycle = -1
            else:
                self.cursor = at
        found: Past | None = super().chosen()
        return found

    def heading(self, width: int) -> list[Strip]:
        """Return what the picture means, where there is room."""
        ink = self.watch_app.ink
        return [Row().add(" cycle  lit: changed · dot: rest", ink.faint).strip(width)]

    def line(self, item: Past, chosen: bool, width: int) -> Strip:
        """Return one cycle's row."""
        ink, (cycle, notes) = self.watch_app.ink, item
        low, high = display_range(self.watch_app.model.state)
        before = self._previous.get(cycle, notes)
        each = max(1, min(12, (width - LEFT - 1) // max(1, len(notes))))
        row = Row().add("▸" if chosen else " ", ink.hand).add(f"{cycle:>6} ", ink.hand if chosen else ink.faint)
        for at, note in enumerate(notes):
            changed = at >= len(before) or before[at] != note
            piece = cell(note, changed, each, low, high, ink)
            row.add(piece.text, piece.style or Style.null())
        return row.strip(width)

    def detail(self, item: Past) -> str:
        """Return what the marked cycle was."""
        return history_words(self.watch_app.model.state, *item) + ". enter brings it back (b: with key and settings)."

    def enter(self, how: str = "") -> None:
        """Bring the marked cycle back."""
        item = self.chosen()
        if item is not None:
            self.watch_app.do(f"{how or 'back'}:{item[0]}")
