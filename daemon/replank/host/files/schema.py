"""What a file may say: keys declared once, read by loader, docs and `replank init`.

A `Key` says what a key is called, what kind of value it has, in which range,
and which field of a setup it fills; the field's own default is the key's.
`replank.host.files.values` reads and writes the kinds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields
from typing import Any


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a file.

    Attributes:
        name: As it is written.
        kind: Row of `replank.host.files.values.KINDS`, or ``group`` (keys that
            fill fields of the same thing), ``table`` (one thing), ``rows`` (a list of things).
        help: One sentence for people.
        into: The field that it fills; two of them for a pair; empty: named as the key.
        low, high: Inclusive range of numbers; of rows the least and most of them.
        unit: Of numbers.
        choices: The words that may stand there.
        keys: Of a group, table or rows.
        makes: The class of a table or row.
        example: What `init` and the docs write where the default says little.
    """

    name: str
    kind: str
    help: str
    into: tuple[str, ...] = ()
    low: float = 0
    high: float = 0
    unit: str = ""
    choices: tuple[str, ...] = ()
    keys: tuple[Key, ...] = ()
    makes: Callable[..., Any] | None = None
    example: str = ""

    @property
    def fills(self) -> tuple[str, ...]:
        """The fields that it fills."""
        return self.into or (self.name,)


class Missing:
    """Stands for a value that was refused; the mistake is noted already."""


REFUSED = Missing()


def default_of(kind: type, field: str) -> Any:
    """Return the default of a dataclass's field."""
    for row in fields(kind):
        if row.name == field:
            if row.default is not MISSING:
                return row.default
            return row.default_factory() if row.default_factory is not MISSING else None
    raise KeyError(field)
