"""What stands on a screen that is too small."""

from __future__ import annotations

from collections.abc import Sequence

from textual.strip import Strip

from replank.dashboard.paint import Panel, Row, wrap

LEAST = (80, 24)
"""Cells across and down that every page needs."""


def is_too_small(width: int, height: int) -> bool:
    """Tell whether a screen of so many cells cannot hold the dashboard."""
    return width < LEAST[0] or height < LEAST[1]


class TooSmall(Panel):
    """One line that says so, and that the line plays on."""

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        return (self.app.size,)

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the sentence."""
        cells = self.app.size
        text = f"This screen is {cells.width}x{cells.height}; the dashboard needs {LEAST[0]}x{LEAST[1]}."
        text += " The line plays on."
        return [Row().add(line, self.watch_app.ink.strong).strip(width) for line in wrap(text, width)]
