"""The two rows at the bottom: the keys that hold here, and the pages; both take clicks."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len
from textual import events
from textual.strip import Strip

from replank.dashboard.keys import GUARDED, KEYS, PAGES, Key
from replank.dashboard.paint import Panel, Row

FIRST = (
    "mute", "panic", "keep", "undo", "hold", "mutate", "keep_last", "go_home", "redraw", "star", "next_piece", "cut",
    "end", "join",
)  # fmt: skip
"""Everywhere-keys in the order in which they fill the row."""


class Keybar(Panel):
    """Keys of the place, then pages."""

    _spots: list[list[tuple[int, int, str]]]

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        ui = self.watch_app.ui
        return (ui.page, ui.selected > 0, ui.guard)

    def _keys(self) -> list[Key]:
        ui = self.watch_app.ui
        everywhere = {row.command: row for row in KEYS if not row.where}
        if ui.guard:
            return [everywhere[command] for command in GUARDED]
        place = "step" if ui.page == "line" and ui.selected else ui.page
        here = [row for row in KEYS if row.where == place and not row.command.startswith("/move")]
        if place == "line":
            here = []
        return here + [everywhere[command] for command in FIRST]

    def _groups(self) -> list[list[Key]]:
        """Return the keys, those that share a word together."""
        groups: list[list[Key]] = []
        for row in self._keys():
            if row.text or not groups:
                groups.append([row])
            else:
                groups[-1].append(row)
        return groups

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the two rows and remember what stands where."""
        ink, ui = self.watch_app.ink, self.watch_app.ui
        self._spots = [[], []]
        first = Row().add(" ", ink.text)
        for group in self._groups():
            text = group[0].text
            if first.used + sum(cell_len(row.label) for row in group) + 1 + cell_len(text) + 1 > width:
                continue
            for row in group:
                start = first.used
                first.add(row.label, ink.hand)
                self._spots[0].append((start, first.used + (0 if len(group) > 1 else 1 + cell_len(text)), row.command))
            first.add(f" {text}  ", ink.text)
        second = Row().add(" ", ink.text)
        for at, page in enumerate(PAGES, 1):
            label = "?" if page.name == "help" else str(at)
            start = second.used
            if page.name == ui.page:
                second.add(f" {label} {page.title} ", ink.chosen)
            else:
                second.add(f" {label}", ink.hand).add(f" {page.title} ", ink.faint)
            self._spots[1].append((start, second.used, f"/page:{page.name}"))
        for label, text, command in (("^p", "search", "/palette"), (":", "type", "/ask"), ("q", "close", "/quit")):
            if second.used + len(label) + len(text) + 3 <= width:
                start = second.used
                second.add(f" {label}", ink.hand).add(f" {text} ", ink.faint)
                self._spots[1].append((start, second.used, command))
        rows = [first.strip(width), second.strip(width).apply_style(ink.raised)]
        if height < len(rows):
            del rows[0], self._spots[0]  # the far view keeps the pages alone
        return rows

    def on_click(self, event: events.Click) -> None:
        """Do what stands under the pointer."""
        for start, end, command in self._spots[event.y] if event.y < len(self._spots) else ():
            if start <= event.x < end:
                self.watch_app.do(command)
                return
