"""A list that is walked by key, mouse and wheel, in one or more columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from textual import events
from textual.strip import Strip

from replank.dashboard.paint import Panel, Row, wrap


class Listing(Panel):
    """Rows with a marked one, and a few lines about it below."""

    CELLS = 1000
    """A column is at least so wide; a wider panel shows several side by side."""
    DETAIL = 2
    """Lines below the list."""
    EMPTY = "Nothing here."

    aside = False
    """True beside the line: no marker, no detail, a click opens the page."""
    cursor = 0
    top = 0
    _body = 1
    _head = 0
    _across = 1

    def items(self) -> Sequence[Any]:
        """Return what is listed."""
        raise NotImplementedError

    def heading(self, width: int) -> list[Strip]:
        """Return the rows above the list."""
        return []

    def line(self, item: Any, chosen: bool, width: int) -> Strip:
        """Return an item's row."""
        raise NotImplementedError

    def detail(self, item: Any) -> str:
        """Return what is said about the marked item."""
        return ""

    def enter(self, how: str = "") -> None:
        """Do what the marked item offers; `how` names another action for it."""

    def chosen(self) -> Any | None:
        """Return the marked item, or None where the list is empty."""
        items = self.items()
        self.cursor = min(max(0, self.cursor), max(0, len(items) - 1))
        return items[self.cursor] if items else None

    def move(self, by: int) -> None:
        """Move the marker and show it."""
        self.cursor += by
        self.chosen()
        self.paint()

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return heading, the visible part of the list, and the detail."""
        ink, items, head = self.watch_app.ink, self.items(), self.heading(width)
        item = self.chosen()
        below = 0 if self.aside else self.DETAIL
        detail = wrap(self.detail(item), width - 2)[:below] if item is not None else []
        self._head = len(head)
        self._body = body = max(1, height - len(head) - below)
        if item is None:
            words = [Row().add(f" {line}", ink.text).strip(width) for line in wrap(self.EMPTY, width - 2)]
            return [*head, *words]
        self._across = across = min(max(1, width // self.CELLS), -(-len(items) // body))
        self.top = min(self.top, max(0, len(items) - body * across))
        if self.cursor < self.top:
            self.top = self.cursor
        elif self.cursor >= self.top + body * across:
            self.top = self.cursor - body * across + 1
        each, rows = width // across, []
        for row in range(body):
            cells = []
            for at in range(self.top + row, min(len(items), self.top + body * across), body):
                cells.append(self.line(items[at], at == self.cursor and not self.aside, each))
            rows.append(Strip.join(cells).adjust_cell_length(width).simplify())
        tail = [Row().add(" " + line, ink.text).strip(width) for line in detail]
        return [*head, *rows, *tail]

    def row_at(self, x: int, y: int) -> int:
        """Return the index of the item under a cell, or -1."""
        row = y - self._head
        if not 0 <= row < self._body:
            return -1
        at = self.top + min(self._across - 1, x * self._across // max(1, self.size.width)) * self._body + row
        return at if at < len(self.items()) else -1

    def on_click(self, event: events.Click) -> None:
        """Mark the row; a second click does what it offers."""
        if self.aside:
            self.watch_app.do(f"/page:{type(self).__name__.lower()}")
            return
        at = self.row_at(event.x, event.y)
        if at < 0:
            return
        if event.chain == 2 and at == self.cursor:
            self.watch_app.do("/enter")
            return
        self.watch_app.do(f"/move:{at - self.cursor}")

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Walk up."""
        self.watch_app.do("/move:-1")

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Walk down."""
        self.watch_app.do("/move:1")
