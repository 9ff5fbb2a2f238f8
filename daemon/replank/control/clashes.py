"""Two controls on one function, one message for two controls: refused unless the profile says so."""

from __future__ import annotations

from collections.abc import Iterator

from replank.control.plain import Path, Wrong
from replank.control.profiles import Control
from replank.control.sources import claims

_ENTRY = (6, 38, *range(96, 102))
"""Controllers that carry RPN and NRPN (MIDI 1.0 Detailed Specification, table 3)."""


def clashes(controls: list[Control], places: list[Path], shared: set[str]) -> Iterator[Wrong]:
    """Yield what clashes.

    Args:
        controls: Of one profile.
        places: The place of each in its file.
        shared: Functions and messages that may be used twice, as they are written.
    """
    yield from _functions(controls, places, shared)
    yield from _messages(controls, places, shared)


def _functions(controls: list[Control], places: list[Path], shared: set[str]) -> Iterator[Wrong]:
    seen: dict[str, Path] = {}
    for control, path in zip(controls, places, strict=True):
        for word in sorted({word.rpartition("@")[0] or word for word in control.functions}):
            if word in seen and word.lower() not in shared:
                hint = f"if that is meant, write shared: [{word}]"
                yield Wrong(path, f"{word} is on two controls, here and in {{also}}; {hint}", seen[word])
            seen.setdefault(word, path)


def _messages(controls: list[Control], places: list[Path], shared: set[str]) -> Iterator[Wrong]:
    rows = list(zip(controls, places, strict=True))
    seen: dict[tuple[str, int], list[tuple[Control, Path]]] = {}
    numbered = next((path for control, path in rows if control.source.kind in ("nrpn", "rpn")), None)
    for control, path in rows:
        source = control.source
        for key in claims(source):
            others = seen.setdefault(key, [])
            for other, first in others:
                if _meet(source.channel, other.source.channel) and not shared & {source.written, other.source.written}:
                    hint = f"if that is meant, write shared: [{source.written}]"
                    yield Wrong(path, f"{source.words} serves two controls, here and in {{also}}; {hint}", first)
                    break
            others.append((control, path))
        if numbered is not None and source.kind == "cc" and source.number in _ENTRY:
            what = f"{source.written} carries the nrpn and rpn of {{also}}; it cannot be a control beside them"
            yield Wrong(path, what, numbered)


def _meet(one: int, other: int) -> bool:
    """Tell whether two channels, 0 for any, have one in common."""
    return one == other or 0 in (one, other)
