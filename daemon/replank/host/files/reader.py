"""Reads nodes by declared keys; notes every mistake and goes on."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from replank.control.parameters import nearest
from replank.host.files.mistakes import MOST, Mark, Mistake, quoted
from replank.host.files.schema import REFUSED, Key
from replank.host.files.values import KINDS
from replank.host.files.yaml_reader import Mapping, Node, Scalar, Sequence

LONGEST = 300
"""Characters of a mistake; a value of a whole file's size is not repeated."""


class Reader:
    """Reads nodes by keys; notes every mistake and goes on.

    Attributes:
        mistakes: What was wrong so far.
        advice: What is allowed but worth saying.
        middle_c: Octave number of note 60, by which notes are named.
        scales: Names of further scales.
        outputs: Names of the rig's outputs, in the order of their numbers.
        kept: Names of the lines that a set keeps.
    """

    def __init__(self, middle_c: int = 4, scales: Iterable[str] = ()) -> None:
        self.mistakes: list[Mistake] = []
        self.advice: list[Mistake] = []
        self.middle_c = middle_c
        self.scales = tuple(scales)
        self.outputs: list[str] = []
        self.kept: tuple[str, ...] = ()

    def refuse(self, mark: Mark, what: str) -> None:
        """Note a mistake at a place."""
        if len(self.mistakes) < MOST:
            self.mistakes.append(Mistake(*mark, what if len(what) <= LONGEST else f"{what[:LONGEST]}…"))

    def advise(self, mark: Mark, what: str) -> None:
        """Note what is no mistake but should be known."""
        self.advice.append(Mistake(*mark, what))

    def table(self, node: Node, keys: Iterable[Key], thing: str) -> dict[str, Any]:
        """Return field -> value of a mapping; fields that are absent or refused are left out.

        Args:
            node: What should be a mapping.
            keys: The keys it may have.
            thing: What it describes, for messages: "a voice".
        """
        if not isinstance(node, Mapping):
            self.refuse(node.mark, f"{thing} is written as keys with values, one a line")
            return {}
        known = {key.name: key for key in keys}
        made: dict[str, Any] = {}
        for name, (mark, value) in node.pairs.items():
            key = known.get(name)
            if key is None:
                self.refuse(mark, f"{thing} has no key {quoted(name)}{nearest(name, known)}")
                continue
            made.update(self.filled(key, value))
        return made

    def filled(self, key: Key, node: Node) -> dict[str, Any]:
        """Return the fields that one key fills."""
        if isinstance(node, Scalar) and node.plain and node.text == "":
            self.refuse(node.mark, f"{key.name} has no value (a '#' behind a space begins a comment; quote it)")
            return {}
        if key.kind == "group":
            return self.table(node, key.keys, key.name)
        value = self.value(key, node)
        if value is REFUSED:
            return {}
        if len(key.fills) > 1:
            return dict(zip(key.fills, value, strict=True))
        return {key.fills[0]: value}

    def value(self, key: Key, node: Node) -> Any:
        """Return what a key's value means, or REFUSED."""
        if key.kind == "table":
            return self.thing(key, node, key.name)
        if key.kind == "rows":
            return self.rows(key, node)
        try:
            return KINDS[key.kind].read(self, key, node)
        except ValueError as error:
            self.refuse(node.mark, f"{key.name}: {error}")
            return REFUSED

    def thing(self, key: Key, node: Node, called: str) -> Any:
        """Return the object that a table describes; what was refused has its default."""
        assert key.makes is not None
        return key.makes(**self.table(node, key.keys, called))

    def rows(self, key: Key, node: Node) -> Any:
        """Return the tuple of objects that a list describes."""
        if not isinstance(node, Sequence):
            self.refuse(node.mark, f"{key.name} is a list; begin each with '- '")
            return REFUSED
        if not key.low <= len(node.items) <= key.high:
            self.refuse(node.mark, f"{key.name}: there are {len(node.items)}; {key.low:g} to {key.high:g} are allowed")
        one = f"one of {key.name}"
        return tuple(self.thing(key, item, one) for item in node.items[: int(key.high)])
