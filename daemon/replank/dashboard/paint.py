"""How every panel paints: strips made from rows, and only what changed sent on.

A panel names what it depends on (`key`) and draws rows (`draw`).  `paint` is
called by the app's one timer; it does nothing while the key stays, and asks
the screen for the changed rows alone otherwise.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

if TYPE_CHECKING:
    from replank.dashboard.app import Watch

BIG_SECONDS = 0.2
"""Large areas change at most so often: 5 changes a second are 2.5 flashes (WCAG 2.2, 2.3.1: three)."""


class Row:
    """One row under construction; text that does not fit is cut."""

    __slots__ = ("segments", "used")

    def __init__(self) -> None:
        self.segments: list[Segment] = []
        self.used = 0

    def add(self, text: str, style: Style) -> Row:
        """Append text and return the row."""
        if text:
            self.segments.append(Segment(text, style))
            self.used += cell_len(text)
        return self

    def to(self, column: int, style: Style | None = None) -> Row:
        """Fill with spaces up to a column."""
        if column > self.used:
            self.segments.append(Segment(" " * (column - self.used), style or Style.null()))
            self.used = column
        return self

    def strip(self, width: int, style: Style | None = None) -> Strip:
        """Return the row, exactly `width` cells wide."""
        return Strip(self.segments, self.used).adjust_cell_length(width, style or Style.null()).simplify()


def fit(text: str, width: int) -> str:
    """Return text cut or filled to exactly `width` cells, cut ones ending in an ellipsis."""
    if width <= 0:
        return ""
    if cell_len(text) > width:
        return set_cell_size(text, width - 1) + "…" if width > 1 else "…"
    return set_cell_size(text, width)


def wrap(text: str, width: int) -> list[str]:
    """Return text broken at spaces into lines of at most `width` cells."""
    lines, line = [], ""
    for word in text.split():
        if line and cell_len(line) + 1 + cell_len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}" if line else word
    return [*lines, line] if line else lines


class Panel(Widget):
    """A widget that is painted by hand, row by row."""

    can_focus = False
    ALLOW_SELECT = False
    LARGE = False
    """True where much of the area may change at once: then it changes no faster than large areas may."""
    _painted_at = -1.0

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._painted: list[Strip] = []
        self._key: Hashable = None

    @property
    def watch_app(self) -> Watch:
        """The app, typed."""
        return self.app  # type: ignore[return-value]

    def key(self) -> Hashable:
        """Return everything that the picture depends on, besides size and ink."""
        raise NotImplementedError

    def ground(self) -> Style:
        """Return the style that lies under everything."""
        return self.watch_app.ink.ground_style

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the rows from the top, each `width` cells wide."""
        raise NotImplementedError

    def paint(self) -> None:
        """Draw anew if something changed, a large area not too soon, and refresh the rows that differ."""
        width, height = self.size
        if not width or not height or not self.is_attached:
            return
        now = self.watch_app.model.clock() if self.LARGE else 0.0
        if self.LARGE and self._painted and now - self._painted_at < BIG_SECONDS:
            return
        key = (width, height, self.watch_app.ink, self.key())
        if key == self._key:
            return
        self._key, self._painted_at = key, now
        blank = Strip.blank(width)
        new = list(self.draw(width, height))[:height]
        new += [blank] * (height - len(new))
        new = [strip.apply_style(self.ground()) for strip in new]
        old, self._painted = self._painted, new
        if len(old) != len(new):
            self.refresh()
            return
        changed = [Region(0, y, width, 1) for y in range(height) if old[y] != new[y]]
        if changed:
            self.refresh(*changed)

    def on_resize(self) -> None:
        """Draw at the new size at once."""
        self._painted = []
        self._key = None
        self.paint()

    def on_show(self) -> None:
        """Draw when the panel comes into view."""
        self._key = None
        self.paint()

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the cropped rows as they were painted.

        Textual would lay its own styles over each row again; a painted row has
        all of its styles already, and leaving that out halves what a picture costs.
        """
        left, right = crop.x, crop.x + crop.width
        return [self.render_line(y).crop(left, right) for y in crop.line_range]

    def render_line(self, y: int) -> Strip:
        """Return a painted row (Textual's Line API)."""
        return self._painted[y] if y < len(self._painted) else Strip.blank(self.size.width, self.ground())
