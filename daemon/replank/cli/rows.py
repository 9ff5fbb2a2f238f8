"""A line as rows of text: height means pitch, colour too, and the name stands below.

For places where no dashboard fits: pipes, logs, a plain terminal.  Colour is
never alone, nothing moves, and NO_COLOR is respected.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from replank.line.pitch import note_name

HEIGHTS = "▁▂▃▄▅▆▇█"
REST = "·"
_CUBE = (0, 95, 135, 175, 215, 255)
"""Levels of the 256-colour table's cube of six to the side."""


class Cell(NamedTuple):
    """One step of a cycle: its note, -1 for a rest, and whether it is accented or has just changed."""

    note: int
    accent: bool = False
    changed: bool = False


def wants_colour(is_terminal: bool, environ: Mapping[str, str] = os.environ) -> bool:
    """Return whether to colour: on a terminal that can, unless NO_COLOR is set (no-color.org)."""
    return is_terminal and not environ.get("NO_COLOR") and environ.get("TERM", "dumb") != "dumb"


def paint(text: str, colour: str, environ: Mapping[str, str] = os.environ) -> str:
    """Return text in a colour ``#rrggbb``, for terminals with 16 million or 256 colours."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    if environ.get("COLORTERM") in ("truecolor", "24bit"):
        return f"\x1b[38;2;{red};{green};{blue}m{text}\x1b[0m"
    parts = [min(range(6), key=lambda i: abs(_CUBE[i] - part)) for part in (red, green, blue)]
    return f"\x1b[38;5;{16 + 36 * parts[0] + 6 * parts[1] + parts[2]}m{text}\x1b[0m"


def height(note: int, low: int, high: int) -> str:
    """Return the bar of a note in a register."""
    span = max(1, high - low)
    place = min(max(note - low, 0), span) * (len(HEIGHTS) - 1)
    return HEIGHTS[(2 * place + span) // (2 * span)]


def cycle_rows(
    cells: Sequence[Cell], label: str, low: int, high: int, *, in_colour: bool, width: int = 80, middle_c: int = 4
) -> list[str]:
    """Return one cycle as rows: bars, and names where there is room.

    A changed step has a star, an accented one an exclamation mark.

    Args:
        cells: The steps in order.
        label: Stands in front, e.g. ``cycle 12``.
        low, high: The register.
        in_colour: See `wants_colour`.
        width: Columns of the screen.
        middle_c: Octave number of note 60.
    """
    from replank.dashboard.ink import pitch_colour  # only colours need the dashboard's libraries

    room = (width - len(label) - 2) // max(1, len(cells))
    named = room >= 4
    cell_width = 4 if named else 2 if room >= 2 else 1
    bars, names = [], []
    for cell in cells:
        sounds = cell.note >= 0
        mark = "*" if cell.changed else "!" if cell.accent and sounds else " "
        bar = height(cell.note, low, high) * (2 if named else 1) if sounds else REST
        name = note_name(cell.note, middle_c) if sounds else ""
        bars.append(_cell(mark if cell_width > 1 else "", bar, cell_width, cell, in_colour, pitch_colour))
        names.append(_cell(" ", name, cell_width, cell, in_colour, pitch_colour))
    rows = [f"{label}  {''.join(bars)}".rstrip()]
    if named:
        rows.append(f"{'':{len(label)}}  {''.join(names)}".rstrip())
    return rows


def _cell(mark: str, text: str, width: int, cell: Cell, in_colour: bool, colour_of: object) -> str:
    padding = " " * max(0, width - len(mark) - len(text))
    if in_colour and cell.note >= 0 and text:
        text = paint(text, colour_of(cell.note % 12, True))  # type: ignore[operator]
    return f"{mark}{text}{padding}"
