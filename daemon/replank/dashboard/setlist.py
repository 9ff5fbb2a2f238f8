"""The set: its pieces in order, what each is planned to last, and what is left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from textual.strip import Strip

from replank.dashboard.listing import Listing
from replank.dashboard.paint import Row, fit
from replank.dashboard.view import number, plain, whole
from replank.dashboard.wording import arc_lines, minutes, phrase_line, piece_line, plan_lines, set_times

LEAST = 3
"""Rows of what comes and what moves that are shown however long the set is."""


class Setlist(Listing):
    """The ordered pieces of the show."""

    EMPTY = "No set is loaded: the line plays on its own. A set file names pieces; replank init writes a first one."

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        app = self.watch_app
        return (app.model.version, self.cursor, int(app.model.now_ns() / 1e9))

    def items(self) -> Sequence[Mapping[str, Any]]:
        """Return the pieces."""
        return self.watch_app.model.state.pieces

    def heading(self, width: int) -> list[Strip]:
        """Return planned and left time of the whole set, where the piece is, what it brings and what moves."""
        app, ink = self.watch_app, self.watch_app.ink
        _, _, planned, left = set_times(app.model.state, app.model.now_ns())
        text = f" set of {minutes(planned)} planned, {minutes(left)} left" if planned else " no times are planned"
        found = [Row().add(text, ink.text)]
        piece = [*piece_line(app.model.state, app.model.now_ns()), *phrase_line(app.model.state)]
        if piece:
            found.append(Row().add(" " + " · ".join(piece), ink.strong))
        coming = [*plan_lines(app.model.state), *arc_lines(app.model.state)]
        # the list and what is said below it go before
        room = max(LEAST, self.size.height - len(self.items()) - self.DETAIL - len(found))
        found += [Row().add(" " + line, ink.hand) for line in coming[:room]]
        return [row.strip(width) for row in found]

    def line(self, item: Mapping[str, Any], chosen: bool, width: int) -> Strip:
        """Return one piece's row."""
        app, ink = self.watch_app, self.watch_app.ink
        state, number_ = app.model.state, whole(item.get("number"))
        plays = number_ == state.piece and number_ > 0
        row = Row().add("▸" if chosen else " ", ink.hand).add("▶" if plays else " ", ink.good)
        # program numbers count from 0 on the wire (MIDI 1.0, program change); both are shown
        row.add(f"{number_:>3} ", ink.strong).add(f"prog {number_ - 1:<4}", ink.faint)
        row.add(fit(plain(item.get("name", "?"), 60), 28), ink.hand if chosen else ink.strong if plays else ink.text)
        planned = number(item.get("minutes")) or 0.0
        row.add(f" {minutes(planned) if planned else '':>7}", ink.text)
        if plays:
            played, mine, _, _ = set_times(state, app.model.now_ns())
            row.add(f"  {minutes(played)} played", ink.strong)
            if mine:
                row.add(f", {minutes(mine - played)} left", ink.warn if played > mine else ink.strong)
        elif item.get("as_left") is True:
            row.add("  was left; l goes on there", ink.faint)
        return row.strip(width)

    def detail(self, item: Mapping[str, Any]) -> str:
        """Return what can be done with the marked piece."""
        name = plain(item.get("name", "?"), 40)
        return f"enter brings in {name} as prepared at the bar (@: when) · l as it was left · n next · N before"

    def enter(self, how: str = "") -> None:
        """Bring the marked piece in."""
        item = self.chosen()
        if item is not None:
            self.watch_app.act(how or "piece", (str(whole(item.get("number"))),))
