"""How a profile file writes the message that a control sends."""

from __future__ import annotations

import re

from replank.control.profiles import Source
from replank.line.pitch import note_number

LAST_CC = 119
"""Controllers 120 to 127 are channel mode messages (MIDI 1.0 Detailed Specification, p. 12)."""

_SENDS = re.compile(r"(cc|nrpn|rpn|note|program|bend|pressure)(?: +(\S+))?")


def read_source(text: str, channel: int = 0, middle_c: int = 4) -> Source:
    """Return the message that a file writes as ``cc 16``, ``cc 16/48``, ``nrpn 1/20``, ``note C2`` ...

    Raises:
        ValueError: No such message, or a number out of range.
    """
    found = _SENDS.fullmatch(" ".join(text.lower().split()))
    hint = "cc 16, cc 16/48, nrpn 1/20, rpn 0/2, note 36, program, bend or pressure"
    if found is None:
        raise ValueError(f"{text!r} is no message; write {hint}")
    kind, word = found[1], found[2]
    if kind in ("bend", "pressure") or (kind == "program" and word is None):
        if word is not None:
            raise ValueError(f"{kind} takes no number; write {kind}")
        return Source(kind, -1, channel)
    if word is None:
        raise ValueError(f"{kind} needs a number; write {hint}")
    if kind == "note":
        return Source(kind, note_number(word, middle_c), channel)
    if not re.fullmatch(r"\d{1,5}(/\d{1,3})?", word):
        raise ValueError(f"{word!r} is no number; write {hint}")
    first, slash, second = word.partition("/")
    if kind in ("nrpn", "rpn"):
        number = _within(first, 127) << 7 | _within(second, 127) if slash else _within(first, 16383)
        if number == 16383:
            raise ValueError(f"{kind} 127/127 is the null function, which selects nothing")
        return Source(kind, number, channel)
    if kind == "cc" and slash:
        if _within(first, 31) + 32 != _within(second, 63):
            raise ValueError(f"cc {word}: a 14-bit pair is cc 0/32 to cc 31/63, the second 32 above the first")
        return Source("cc14", int(first), channel)
    if slash:
        raise ValueError(f"{kind} takes one number, 0 to 127")
    return Source(kind, _within(first, LAST_CC if kind == "cc" else 127), channel)


def _within(word: str, high: int) -> int:
    if int(word) > high:
        raise ValueError(f"{word} is outside 0 to {high}")
    return int(word)


def claims(source: Source) -> list[tuple[str, int]]:
    """Return the messages that a source occupies."""
    if source.kind == "cc14":
        return [("cc", source.number), ("cc", source.number + 32)]
    return [(source.kind, source.number)]
