"""Marks and keys explained, from the same table that the keys come from."""

from __future__ import annotations

from collections.abc import Sequence

from textual.strip import Strip

from replank.dashboard.keys import KEYS, help_of
from replank.dashboard.listing import Listing
from replank.dashboard.paint import Row, fit

MARKS = (
    ("█", "a note; its height is its pitch"), ("╌·╌", "rests by chance: its roll is below rest_chance"),
    ("╌×╌", "rests always, by hand"), ("┈┈┈", "home, where the step differs from it"),
    (">", "accent"), ("╱ ╲", "slides to the next note"), ("━", "tied to the next step"),
    ("▼ ▽", "just changed; hollow: silently"), ("◆", "pinned: no mutation touches it"),
    ("○", "free of scale and register"), ("~ =", "slide, tie"), ("2 3 4", "strikes in the step"),
    ("÷", "sounds on some passes only"), ("•", "sounds always, by hand"), ("'", "not at home"),
)  # fmt: skip
_PLACES = {"": "anywhere", "step": "on a chosen step"}


class HelpPage(Listing):
    """All marks, then all keys."""

    CELLS = 66
    DETAIL = 1

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        return (self.cursor,)

    def items(self) -> Sequence[tuple[str, str, str]]:
        """Return (sign, sentence, where it holds)."""
        found = [(sign, text, "mark") for sign, text in MARKS]
        return [*found, *((row.label, help_of(row), _PLACES.get(row.where, row.where)) for row in KEYS)]

    def line(self, item: tuple[str, str, str], chosen: bool, width: int) -> Strip:
        """Return one row."""
        ink, (sign, text, where) = self.watch_app.ink, item
        row = Row().add("▸" if chosen else " ", ink.hand).add(fit(sign, 7), ink.strong)
        row.add(fit(text, width - 9 - 10), ink.text).add(" " + fit(where, 9), ink.faint)
        return row.strip(width)

    def detail(self, item: tuple[str, str, str]) -> str:
        """Return the marked row in full."""
        return f"{item[0]}  {item[1]} ({item[2]})"
