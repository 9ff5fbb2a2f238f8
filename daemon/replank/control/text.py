"""One word as a person types it: a parameter's new value, or an action.

``gate=0.5``, ``"scale=minor pentatonic"``, ``redraw``, ``pitch:5:+1@bar``,
``gate+=0.1`` (which is the action `adjust`).
`replank send`, the socket, the dashboard's line, ``-p`` and the plan of a
piece read their words here, so that a word means the same wherever it is typed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from replank.control.actions import is_move, split_action, when_words
from replank.control.parameters import Value, find, parse


class Setting(NamedTuple):
    """A parameter and its new value, in the one spelling and type that the table has for it."""

    name: str
    value: Value


class Doing(NamedTuple):
    """An action: its name, its arguments as typed, and when it is due; empty: as usual."""

    name: str
    args: tuple[str, ...]
    due: str


Word = Setting | Doing


def is_setting(word: str) -> bool:
    """Tell whether a word gives a parameter a value: an ``=`` before any colon (a text may hold one behind)."""
    name, equals, _ = word.partition("=")
    return bool(equals) and ":" not in name and not is_move(word)


def read_word(word: str, middle_c: int = 4, scales: Iterable[str] = ()) -> Word:
    """Return what a typed word means.

    Args:
        word: Without spaces at its ends; in a parameter's name hyphens may stand for underscores.
        middle_c: Octave number of note 60.
        scales: Names of further scales.

    Raises:
        ValueError: One sentence: what is wrong and what would be right.  An
            action's arguments are checked for their number only.
    """
    if not is_setting(word):
        return Doing(*split_action(word))
    name, _, text = word.partition("=")
    name = name.strip().replace("-", "_")
    row = find(name)
    try:
        return Setting(name, parse(name, text, middle_c, scales))
    except ValueError:
        if "@" not in text:
            raise
    when = "at once" if row.due == "now" else when_words(row.due)
    raise ValueError(f"{name}: only actions take @ and a due time; a new {name} holds {when}")
