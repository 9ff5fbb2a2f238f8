"""Scales by name, and scales that a person gives in cents.

The 63 scales of the table are of twelve-tone equal temperament.  A scale in
cents plays the nearest semitones and carries how far each degree lies from
its semitone, which an output that may bend can add.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import NamedTuple

from replank.line.scale_table import SCALE_ROWS


class Scale(NamedTuple):
    """The tones of a scale above its root.

    Attributes:
        name: The canonical spelling.
        offsets: Semitones above the root, rising from 0, below 12.
        cents: How far each degree lies above its semitone, in cents, from
            -50 to below 50; all 0.0 for a scale of the table.
    """

    name: str
    offsets: tuple[int, ...]
    cents: tuple[float, ...]


SCALES: dict[str, Scale] = {row.name: Scale(row.name, row.offsets, (0.0,) * len(row.offsets)) for row in SCALE_ROWS}
"""The scales of the table by canonical name."""


def _key(word: str) -> str:
    """Return what two spellings of one name have in common."""
    return " ".join(word.casefold().replace("-", " ").replace("_", " ").split())


_KNOWN: dict[str, str] = {_key(word): row.name for row in SCALE_ROWS for word in (*row.aliases, row.name)}


def scale_name(word: str, extra: Iterable[str] = ()) -> str:
    """Return the canonical spelling of a scale's name.

    Upper and lower case are the same; hyphens and underscores are spaces.

    Args:
        word: A name or an alias, as a person types it.
        extra: Names of further scales, which come before those of the table.

    Raises:
        ValueError: No such scale; the message names the nearest one.
    """
    key = _key(word)
    own = {_key(name): name for name in extra}
    found = own.get(key) or _KNOWN.get(key)
    if found is not None:
        return found
    near = get_close_matches(key, [*own, *_KNOWN], n=1, cutoff=0.5)
    hint = f" (nearest: {own.get(near[0]) or _KNOWN[near[0]]})" if near else ""
    raise ValueError(f"there is no scale {word!r}{hint}")


def get_scale(name: str, user: Mapping[str, tuple[float, ...]] = {}) -> Scale:
    """Return the scale of a name in any spelling.

    Args:
        name: A name or an alias.
        user: Further scales by name: the cents of each degree above the root,
            rising from 0, below 1200.

    Raises:
        ValueError: No such scale, or a scale in cents that cannot be used.
    """
    found = SCALES.get(name) if not user else None
    if found is not None:
        return found
    canonical = scale_name(name, user)
    return cents_scale(canonical, user[canonical]) if canonical in user else SCALES[canonical]


def cents_scale(name: str, cents: Iterable[float]) -> Scale:
    """Return a scale whose degrees are given in cents above the root.

    Each degree takes the nearest semitone, halves upward.

    Args:
        name: Its name.
        cents: One number a degree, rising from 0, below 1200.

    Raises:
        ValueError: Not rising from 0, not below 1200, or two degrees nearest
            to one semitone (the octave's root included).
    """
    degrees = tuple(float(c) for c in cents)
    if not degrees or degrees[0] != 0.0:
        raise ValueError(f"scale {name!r}: the first degree must be 0 cents, the root")
    offsets: list[int] = []
    for number, value in enumerate(degrees, 1):
        if not 0.0 <= value < 1200.0:
            raise ValueError(f"scale {name!r}: degree {number} is {value:g} cents, outside 0 to below 1200")
        if number > 1 and value <= degrees[number - 2]:
            raise ValueError(f"scale {name!r}: degree {number} ({value:g} cents) is not above the one before it")
        semitone = int(value / 100.0 + 0.5)
        if semitone == 12:
            raise ValueError(f"scale {name!r}: degree {number} ({value:g} cents) is nearest to the root an octave up")
        if semitone in offsets:
            raise ValueError(
                f"scale {name!r}: degrees {number - 1} and {number} ({degrees[number - 2]:g} and {value:g} cents) "
                f"are nearest to one semitone"
            )
        offsets.append(semitone)
    return Scale(name, tuple(offsets), tuple(c - 100.0 * o for c, o in zip(degrees, offsets, strict=True)))
