"""One line to type into: a parameter (name=value) or an action, checked while typing."""

from __future__ import annotations

import shlex
from collections.abc import Iterable

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Input, Static

from replank.control.actions import ACTIONS, find_action, usage
from replank.control.parameters import PARAMETERS
from replank.control.text import Word, read_word
from replank.dashboard.wording import with_unit


def pieces(text: str) -> list[str]:
    """Split what was typed into words; a scale's name may hold spaces without quotes."""
    try:
        words = shlex.split(text)
    except ValueError:
        raise ValueError("a quotation mark is not closed") from None
    found: list[str] = []
    for word in words:
        begins = "=" in word or ":" in word or word.partition("@")[0] in ACTIONS
        if begins or not found:
            found.append(word)
        else:
            found[-1] += f" {word}"
    return found


def read(text: str, middle_c: int = 4, scales: Iterable[str] = ()) -> list[Word]:
    """Return the words of a line.

    Raises:
        ValueError: One sentence: what is wrong and what would be right.
    """
    found = [read_word(word, middle_c, scales) for word in pieces(text)]
    if not found:
        raise ValueError("nothing was typed")
    return found


def hint(text: str, shown: dict[str, str]) -> str:
    """Return what helps with the text so far."""
    word = pieces(text)[-1] if text.strip() and text.count('"') % 2 == 0 else ""
    name = word.partition("=")[0].partition(":")[0].partition("@")[0].rstrip("+-")
    if name in PARAMETERS:
        row = PARAMETERS[name]
        span = " · ".join(row.choices[:8]) if row.is_list else f"{row.low:g} to {row.high:g} {row.unit}".rstrip()
        return f"{row.help} Now {with_unit(name, shown.get(name, '?'))}; {span}."
    if name in ACTIONS:
        row_ = find_action(name)
        return f"{usage(row_)}: {row_.help}"
    near = [key for key in (*PARAMETERS, *ACTIONS) if name and name in key][:8]
    return (
        "  ".join(near)
        if near
        else "name=value sets a parameter, name+=amount moves it, a name does an action; tab completes"
    )


class Prompt(Vertical):
    """The line and its hint; hidden until asked for."""

    def compose(self) -> ComposeResult:
        """Make hint and line."""
        yield Static("", id="hint", markup=False)
        yield Input(id="typed", placeholder="mutation_chance=0.5   redraw   pitch:5:+1   recall:NAME@cycle")

    def open(self, text: str) -> None:
        """Show the line, begun with a text."""
        self.display = True
        line = self.query_one(Input)
        line.value = text
        line.cursor_position = len(text)
        line.focus()
        self.say(text)

    def close(self) -> None:
        """Hide the line."""
        self.display = False
        self.app.set_focus(None)

    def say(self, text: str, error: str = "") -> None:
        """Show what helps, or what is wrong."""
        from replank.dashboard.app import Watch

        assert isinstance(self.app, Watch)
        line = self.query_one("#hint", Static)
        line.set_class(bool(error), "wrong")
        line.update(error or hint(text, self.app.model.state.shown))

    def on_input_changed(self, event: Input.Changed) -> None:
        """Help with what is typed."""
        self.say(event.value)

    def on_key(self, event: events.Key) -> None:
        """Complete at tab, leave at escape."""
        if event.key == "escape":
            event.stop()
            self.close()
        elif event.key == "tab":
            event.stop()
            event.prevent_default()
            line = self.query_one(Input)
            begun = line.value.split(" ")[-1]
            found = [f"{n}=" for n in PARAMETERS if n.startswith(begun)] + [n for n in ACTIONS if n.startswith(begun)]
            if begun and found:
                line.value = line.value[: len(line.value) - len(begun)] + found[0]
                line.cursor_position = len(line.value)
