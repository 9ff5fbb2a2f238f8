"""Numbers as people write them: one grammar for files, command line, prompt and socket."""

from __future__ import annotations

import re

_WHOLE = re.compile(r"[+-]?(0|[1-9]\d{0,18})", re.ASCII)
_NUMBER = re.compile(r"[+-]?((0|[1-9]\d{0,18})(\.\d{0,30})?|\.\d{1,30})([eE][+-]?\d{1,2})?", re.ASCII)
_SWITCHED = ("on", "true", "yes", "off", "false", "no")
_LONGEST = 40


def plain_number(text: str, whole: bool = False) -> float:
    """Return the number that a text says in the plain decimal way.

    Args:
        text: Such as ``12``, ``-0.5``, ``1e3``; spaces around it do not count.
        whole: True refuses what has a fraction.

    Raises:
        ValueError: Anything else, also what YAML 1.1 or Python take for a number, with a hint.
    """
    word = text.strip()
    if _WHOLE.fullmatch(word):
        return int(word)
    if _NUMBER.fullmatch(word):
        if whole:
            raise ValueError(f"{word} is not a whole number")
        return float(word)
    hint = ""
    if re.fullmatch(r"[+-]?\d+(:\d+)+(\.\d*)?", word):
        hint = "; hours and minutes are not read, write one number"
    elif re.fullmatch(r"[+-]?0\d+", word):
        hint = f"; write {int(word)}" if len(word) < 20 else ""
    elif re.fullmatch(r"[+-]?\d[\d_,]*\d", word):
        hint = "; write the digits only"
    elif re.fullmatch(r"\d{4}-\d{1,2}-\d{1,2}.*", word):
        hint = "; it looks like a date"
    elif word.lower() in _SWITCHED:
        hint = "; on and off belong to keys that are switched"
    shown = repr(word if len(word) <= _LONGEST else f"{word[: _LONGEST - 1]}…")
    raise ValueError(f"{shown} is not a {'whole ' if whole else ''}number{hint}")


def number_text(value: float) -> str:
    """Return a number in the fewest digits that give it back."""
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(float(value))
