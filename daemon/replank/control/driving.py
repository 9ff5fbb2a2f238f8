"""One parameter under one control: which value a position means, and back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from replank.control.curves import bend, unbend
from replank.control.parameters import PARAMETERS, Value, parse
from replank.control.profiles import Control, Target
from replank.control.takeover import Takeover, list_index

Lists = Mapping[str, tuple[str, ...]]
"""Parameter -> the short list that a knob walks tonight."""


def words_of(target: Target, lists: Lists) -> tuple[str, ...]:
    """Return the words that a list parameter walks under this target; () for numbers."""
    row = PARAMETERS[target.parameter]
    return target.values or lists.get(target.parameter) or row.choices if row.is_list else ()


def word_value(name: str, word: str) -> Value:
    """Return the value that a word of a list stands for."""
    return word == "on" if PARAMETERS[name].kind == "bool" else word


def value_word(name: str, value: Value) -> str:
    """Return the word of a list value."""
    return ("on" if value else "off") if PARAMETERS[name].kind == "bool" else str(value)


def choice_value(name: str, word: str) -> Value:
    """Return the value that a button chooses; `word` as `replank.control.parameters.parse` reads it."""
    return word_value(name, word) if PARAMETERS[name].is_list else parse(name, word)


def position_of(target: Target, value: Value, words: tuple[str, ...]) -> float | None:
    """Return the control position of a value, beyond 0 to 1 outside the range; None: not in the list."""
    if words:
        word = value_word(target.parameter, value)
        if word not in words:
            return None
        at = (words.index(word) + 0.5) / len(words)
        return at if target.low <= target.high else 1.0 - at
    return unbend(target.curve, (float(value) - target.low) / (target.high - target.low))


def shown_on(target: Target, value: Value, words: tuple[str, ...], lit: int, unlit: int) -> int:
    """Return the number, 0 to 127, that a box is sent to show a value."""
    if target.how == "choose":
        return lit if value in [choice_value(target.parameter, word) for word in target.values] else unlit
    if target.how != "move":
        return lit if value else unlit
    at = position_of(target, value, words)
    return 0 if at is None else int(min(max(at, 0.0), 1.0) * 127 + 0.5)


class Drive:
    """A target of a control, and where it stands.

    Attributes:
        target: What the profile says.
        name: Its parameter.
        catch: How control and parameter meet.
        known: The parameter's value as this control knows it.
        index: Place in the list, -1 none or not known.
        part: Fraction of a list place that an encoder has gathered.
    """

    __slots__ = ("_middle", "_top", "catch", "index", "known", "name", "part", "row", "target", "words")

    def __init__(self, target: Target, control: Control) -> None:
        self.target, self.name, self.row = target, target.parameter, PARAMETERS[target.parameter]
        self._top = control.top
        is_even = target.low == -target.high and not self.row.is_list
        self._middle = (self._top + 1) // 2 if is_even or control.source.kind == "bend" else 0
        self.catch = Takeover(target.takeover)
        self.known: Value | None = None
        self.words: tuple[str, ...] = ()
        self.index, self.part = -1, 0.0

    @property
    def near(self) -> float:
        """The distance between control and parameter that counts as met."""
        return 0.5 / (len(self.words) or self._top)

    def unit(self, raw: int) -> float:
        """Return the position 0 to 1 of a number that the control sent.

        Where the range is the same on both sides of zero, and for pitch bend, the
        middle of the MIDI range (64, 8192) is the middle exactly.
        """
        top, middle = self._top, self._middle
        if not middle:
            return raw / top
        return raw / (2 * middle) if raw <= middle else 0.5 + (raw - middle) / (2 * (top - middle))

    def sync(self, present: Value, lists: Lists, raw: int) -> None:
        """Learn where the parameter is, if anything but this control moved it; `raw` is where that is, -1 unknown."""
        words = words_of(self.target, lists) if self.row.is_list else ()
        if present == self.known and words == self.words:
            return
        self.known, self.words, self.part = present, words, 0.0
        at = position_of(self.target, present, words)
        self.index = words.index(value_word(self.target.parameter, present)) if words and at is not None else -1
        position = None if raw < 0 else self.unit(raw)
        if at is None:  # nothing to meet: the control may take over at once
            at, position = (0.5 if position is None else position), None
        self.catch.place(at, position, self.near)

    def at_held(self) -> Value:
        """Return the value where the parameter is held now; a list keeps its place until it is left."""
        if not self.words:
            share = bend(self.target.curve, self.catch.held)
            return self.number(self.target.low * (1.0 - share) + self.target.high * share)
        held = self.catch.held if self.target.low <= self.target.high else 1.0 - self.catch.held
        self.index = list_index(min(max(held, 0.0), 1.0), len(self.words), self.index)
        return word_value(self.target.parameter, self.words[self.index])

    def number(self, value: float) -> Value:
        """Return a number in the parameter's type, inside its range."""
        value = min(max(value, self.row.low), self.row.high)
        if self.row.kind == "float":
            return value
        return int(value + 0.5) if value >= 0 else -int(0.5 - value)

    def click(self, clicks: float) -> tuple[Value, bool]:
        """Turn an encoder by clicks; return the value and whether an end stopped it."""
        if self.words:
            self.part += clicks
            places = int(self.part)
            self.part -= places
            wanted = self.index + (places if self.target.low <= self.target.high else -places)
            self.index = min(max(wanted, 0), len(self.words) - 1)
            return word_value(self.target.parameter, self.words[self.index]), self.index != wanted
        wanted_at = self.catch.held + clicks / self.target.detents
        self.catch.held = min(max(wanted_at, 0.0), 1.0)
        return self.at_held(), abs(self.catch.held - wanted_at) > 1e-9

    def save(self) -> list[Any]:
        """Return where it stands, as plain data."""
        return [self.catch.save(), self.known, list(self.words), self.index, self.part]

    def load(self, plain: list[Any]) -> None:
        """Take over what `save` returned."""
        catch, self.known, words, self.index, self.part = plain
        self.catch.load(catch)
        self.words = tuple(words)
