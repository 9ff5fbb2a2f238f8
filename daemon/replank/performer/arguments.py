"""An action's arguments: from words to checked values, before anything happens."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

from replank.control.actions import Action, usage
from replank.control.parameters import find, nearest, parse
from replank.control.setup import Setup
from replank.line.pitch import note_number
from replank.line.steps import ACCENT_NAMES, LINK_NAMES, RHYTHM_NAMES, STEPS

KEYBOARD_MODES = ("transpose", "root", "write", "catch", "off")
_STATES = {"rest": RHYTHM_NAMES, "accent": ACCENT_NAMES, "link": LINK_NAMES}
_ON_OFF = ("off", "on")


class Known(NamedTuple):
    """What arguments may name.

    Attributes:
        setup: Pieces, voices, scales, the octave of note 60.
        kept: Names of kept lines.
        cycle: The present cycle; earlier ones can be brought back.
    """

    setup: Setup
    kept: Collection[str]
    cycle: int = 0


def prepare(known: Known, row: Action, args: tuple[str, ...]) -> list[Any]:
    """Return an action's arguments as values; None for those left out.

    Raises:
        ValueError: Too few or too many, out of range, no such name: one sentence.
    """
    least = sum(1 for word in row.takes if not word.startswith("["))
    if not least <= len(args) <= len(row.takes):
        raise ValueError(f"is written {usage(row)}")
    made: list[Any] = []
    for at, word in enumerate(row.takes):
        if at >= len(args) or (args[at] == "" and word.startswith("[")):
            made.append(None)
        else:
            made.append(_value(known, row.name, word.strip("[]"), word.startswith("["), args[at], made))
    return made


def clean(text: str, most: int = 60) -> str:
    """Return untrusted text without control characters, of bounded length."""
    return "".join(c for c in text if c.isprintable())[:most].strip()


def _value(known: Known, action: str, word: str, is_optional: bool, text: str, made: list[Any]) -> Any:
    if word == "step":
        return _whole(text, 1, STEPS, "step") - 1
    if word == "amount":
        if action == "nudge" and text.lower().endswith("c"):
            return f"{_amount(action, text[:-1])}c"  # clocks, not steps
        return _amount(action, text)
    if word == "state":
        states = _STATES.get(action, _ON_OFF)
        if text.lower() not in states:
            raise ValueError(f"{text!r} is not one of {', '.join(states)}{nearest(text, states)}")
        return states.index(text.lower())
    if word == "name":
        return clean(text) if is_optional else _known(text, known.kept, "snapshot")
    if word == "piece":
        return find_piece(known.setup, text)
    if word == "parameter":
        return _parameter(action, text)
    if word == "value":
        return parse(made[0], text, known.setup.middle_c, known.setup.user_scales)
    if word == "note":
        return note_number(text, known.setup.middle_c)
    if word == "mode":
        if text not in KEYBOARD_MODES:
            raise ValueError(f"{text!r} is not one of {', '.join(KEYBOARD_MODES)}{nearest(text, KEYBOARD_MODES)}")
        return text
    if word == "text":
        return clean(text, 120)
    if word == "voice":
        return _voice(known.setup, text)
    if word == "pass":
        return _pass(text)
    if word == "minutes":
        return _minutes(text)
    low, high = _RANGES[word]
    return _whole(text, low, high if word != "cycle" else known.cycle, word)


_RANGES = {
    "cycle": (1, 0), "velocity": (1, 127), "count": (1, 4), "bars": (1, 256), "sound": (1, 64), "silent": (1, 64),
}  # fmt: skip


def _whole(text: str, low: int, high: int, what: str) -> int:
    try:
        value = int(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a {what}: a whole number from {low} to {high}") from None
    if not low <= value <= high:
        raise ValueError(f"there is no {what} {value}: {low} to {high}")
    return value


def _pass(text: str) -> tuple[int, int]:
    number, of, every = text.strip().lower().partition("of")
    if not of or not number.isdecimal() or not every.isdecimal():
        raise ValueError(f"{text!r} is not a pass such as 1of4")
    most = _whole(every, 1, 16, "number of passes")
    return _whole(number, 1, most, "pass"), most


def _minutes(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a number of minutes such as 4.5") from None
    if not 0 <= value <= 600:
        raise ValueError(f"{text} minutes: 0 to 600")
    return value


def _amount(action: str, text: str) -> float | int:
    whole = action not in ("velocity", "adjust")
    try:
        value = int(text) if whole else float(text)
    except ValueError:
        raise ValueError(f"{text!r} is not {'a whole number' if whole else 'a number'} such as +1 or -1") from None
    if not -128 <= value <= 128:
        raise ValueError(f"{text!r} is too far: -128 to 128")
    return value


def _known(text: str, names: Any, what: str) -> str:
    if text in names:
        return text
    for name in names:
        if name.lower() == text.strip().lower():
            return str(name)
    raise ValueError(f"there is no {what} {clean(text)!r}{nearest(text, names)}")


def find_piece(setup: Setup, text: str) -> int:
    """Return the number, from 1, of the piece that a number or a name means.

    Raises:
        ValueError: There is none.
    """
    names = [piece.name for piece in setup.pieces]
    if not names:
        raise ValueError("there are no pieces: give play a set with --set")
    if text.strip().isdigit():
        return _whole(text, 1, len(names), "piece")
    return names.index(_known(text, names, "piece")) + 1


def _voice(setup: Setup, text: str) -> int:
    names = [voice.name for voice in setup.voices]
    if text.strip().isdigit():
        return _whole(text, 1, len(names), "voice") - 1
    return names.index(_known(text, names, "voice"))


def _parameter(action: str, text: str) -> str:
    row = find(text)
    if action == "ramp" and not row.is_continuous:
        raise ValueError(f"{text} is a list and cannot be moved in between")
    if action == "toggle" and row.kind != "bool":
        raise ValueError(f"{text} is not an on-off parameter")
    return row.name
