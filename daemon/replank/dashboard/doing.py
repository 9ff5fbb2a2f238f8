"""Every action, by group, with its key: the page for what has no key in the hand."""

from __future__ import annotations

from collections.abc import Sequence

from textual.strip import Strip

from replank.control.actions import ACTIONS, Action, beginning, usage
from replank.dashboard.keys import key_of
from replank.dashboard.listing import Listing
from replank.dashboard.paint import Row, fit


class Doing(Listing):
    """The action table."""

    CELLS = 66

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        return (self.cursor, self.watch_app.ui.due)

    def items(self) -> Sequence[Action]:
        """Return the actions as the table orders them."""
        return tuple(ACTIONS.values())

    def line(self, item: Action, chosen: bool, width: int) -> Strip:
        """Return one action's row."""
        ink = self.watch_app.ink
        row = Row().add("▸" if chosen else " ", ink.hand).add(fit(item.group, 6), ink.faint)
        row.add(f"{key_of(item.name):>2} ", ink.strong)
        row.add(fit(item.name.replace("_", " "), 16), ink.hand if chosen else ink.text)
        return row.add(" " + fit(item.help, width - row.used - 2), ink.text if chosen else ink.faint).strip(width)

    def detail(self, item: Action) -> str:
        """Return how the marked action is written and when it takes effect."""
        return f"{usage(item)} takes effect: {item.due}. {item.help}"

    def enter(self, how: str = "") -> None:
        """Do the marked action, or ask for what it needs."""
        item = self.chosen()
        if item is None:
            return
        if any(not word.startswith("[") for word in item.takes):
            self.watch_app.ask(beginning(item))
        else:
            self.watch_app.do(item.name)
