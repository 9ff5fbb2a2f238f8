"""Snapshots: what was kept, to browse and bring back when due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from textual.strip import Strip

from replank.dashboard.listing import Listing
from replank.dashboard.paint import Row, fit
from replank.dashboard.view import plain, whole


class Kept(Listing):
    """The list of snapshots."""

    CELLS = 76
    EMPTY = "No snapshot yet. k keeps the line that is playing, K the last whole cycle."

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        return (self.watch_app.model.version, self.cursor)

    def items(self) -> Sequence[Mapping[str, Any]]:
        """Return the snapshots, the newest first."""
        return tuple(reversed(self.watch_app.model.state.snapshots))

    def heading(self, width: int) -> list[Strip]:
        """Return the column heads."""
        ink = self.watch_app.ink
        return [Row().add(f"  {'name':<28}{'cycle':>7} {'steps':>6}  key", ink.faint).strip(width)]

    def line(self, item: Mapping[str, Any], chosen: bool, width: int) -> Strip:
        """Return one snapshot's row."""
        ink = self.watch_app.ink
        row = Row().add("▸ " if chosen else "  ", ink.hand)
        row.add(fit(plain(item.get("name", "?"), 60), 27), ink.hand if chosen else ink.strong)
        row.add(f" {whole(item.get('cycle')) or 'set':>7} {whole(item.get('length')):>6}  ", ink.text)
        key = f"{plain(item.get('root', ''), 4)} {plain(item.get('scale', ''), 40)}"
        return row.add(fit(key, width - row.used), ink.text).strip(width)

    def detail(self, item: Mapping[str, Any]) -> str:
        """Return what can be done with the marked snapshot."""
        name = plain(item.get("name", "?"), 40)
        return f"enter brings {name} back at the bar (@: when) · l line only · b make it home · del forget, u undoes"

    def enter(self, how: str = "") -> None:
        """Bring the marked snapshot back, or do another thing with it."""
        item = self.chosen()
        if item is not None:
            self.watch_app.act(how or "recall", (str(item.get("name", "")),))
