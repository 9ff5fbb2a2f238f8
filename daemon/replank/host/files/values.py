"""The kinds of value that a file may hold: how each is read and how it is written.

Reading what `write` wrote gives the same value.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

from replank.control.numbers import number_text, plain_number
from replank.control.parameters import PARAMETERS, nearest, parse
from replank.control.parameters import show as show_parameter
from replank.control.setup import NO_CC, Trigger
from replank.host.files.mistakes import quoted
from replank.host.files.notation import read_line, read_rolls, write_line, write_rolls
from replank.host.files.plans import read_act, read_arc, read_plan, write_arc, write_plan
from replank.host.files.schema import REFUSED, Key
from replank.host.files.yaml_reader import Mapping, Node, Sequence, scalar
from replank.line.pitch import note_name, note_number
from replank.line.scales import SCALES, cents_scale, scale_name
from replank.line.steps import Written
from replank.timing.divisions import division_clocks

if TYPE_CHECKING:
    from replank.host.files.reader import Reader

_ON, _OFF = ("on", "true", "yes"), ("off", "false", "no")
LONGEST_NAME = 64


class Kind(NamedTuple):
    """How one kind of value is read from a node, written in a file, and called in the docs."""

    read: Callable[[Reader, Key, Node], Any]
    write: Callable[[Any, int], str]
    words: str


def _in_range(key: Key, value: float) -> float:
    if not key.low <= value <= key.high:
        unit = f" {key.unit}" if key.unit else ""
        raise ValueError(f"{value:g} is outside {key.low:g} to {key.high:g}{unit}")
    return value


def _int(reader: Reader, key: Key, node: Node) -> int:
    return int(_in_range(key, plain_number(scalar(node).text, whole=True)))


def _float(reader: Reader, key: Key, node: Node) -> float:
    return float(_in_range(key, plain_number(scalar(node).text)))


def _bool(reader: Reader, key: Key, node: Node) -> bool:
    word = scalar(node).text.strip().lower()
    if word not in _ON + _OFF:
        raise ValueError(f"{quoted(word)} is neither on nor off")
    return word in _ON


def _choice(reader: Reader, key: Key, node: Node) -> str:
    word = scalar(node).text.strip().lower()
    if word not in key.choices:
        raise ValueError(f"{quoted(word)} is not one of {', '.join(key.choices)}{nearest(word, key.choices)}")
    return word


def _text(reader: Reader, key: Key, node: Node) -> str:
    words = " ".join(scalar(node).text.split())
    if not 1 <= len(words) <= LONGEST_NAME:
        raise ValueError(f"a name has 1 to {LONGEST_NAME} characters, not {len(words)}")
    return words


def _list(read: Callable[[Reader, Key, Node], Any]) -> Callable[[Reader, Key, Node], tuple[Any, ...]]:
    """Return a reader of lists whose items `read` takes; one item need not be a list."""

    def read_list(reader: Reader, key: Key, node: Node) -> tuple[Any, ...]:
        made = []
        for item in node.items if isinstance(node, Sequence) else (node,):
            try:
                made.append(read(reader, key, item))
            except ValueError as error:
                reader.refuse(item.mark, f"{key.name}: {error}")
        if len(made) > 64:
            raise ValueError(f"{len(made)} are too many; 64 are allowed")
        return tuple(made)

    return read_list


def _output(reader: Reader, key: Key, node: Node) -> int:
    name = " ".join(scalar(node).text.split())
    if name not in reader.outputs:
        raise ValueError(f"there is no output {quoted(name)}{nearest(name, reader.outputs)}")
    return reader.outputs.index(name)


def _scale(reader: Reader, key: Key, node: Node) -> str:
    return scale_name(scalar(node).text, reader.scales)


def _division(reader: Reader, key: Key, node: Node) -> str:
    word = scalar(node).text.strip().lower()
    division_clocks(word)
    return word


def _note(reader: Reader, key: Key, node: Node) -> int:
    return note_number(scalar(node).text, reader.middle_c)


def _note_or_none(reader: Reader, key: Key, node: Node) -> int:
    return NO_CC if scalar(node).text.strip().lower() == "none" else _note(reader, key, node)


def _controller(reader: Reader, key: Key, node: Node) -> int:
    word = scalar(node).text.strip().lower()
    if word == "none":
        return NO_CC
    number = int(plain_number(word, whole=True))
    if not 0 <= number <= 119:
        raise ValueError(f"{number} is no controller; 0 to 119, or none (120 to 127 are mode messages)")
    return number


def _pair(reader: Reader, key: Key, node: Node) -> tuple[float, float]:
    low, high = _ends(node, "0 to 5")
    pair = float(_in_range(key, plain_number(low))), float(_in_range(key, plain_number(high)))
    if pair[0] >= pair[1]:
        raise ValueError(f"{low} is not below {high}")
    return pair


def _notes(reader: Reader, key: Key, node: Node) -> tuple[int, int]:
    low, high = _ends(node, "C1 to C6")
    pair = note_number(low, reader.middle_c), note_number(high, reader.middle_c)
    if pair[1] - pair[0] < 11:
        raise ValueError(f"{low} to {high} is less than an octave; the line could not be folded into it")
    return pair


def _ends(node: Node, example: str) -> tuple[str, str]:
    text = scalar(node).text
    ends = [end.strip() for end in re.split(r"\s+to\s+", text.strip())]
    if len(ends) != 2:
        raise ValueError(f"{quoted(text)} is not a range such as {example}")
    return ends[0], ends[1]


_TRIGGER = re.compile(r"(note|cc)(?: (\S+))??(?: channel (\d{1,2}))?|(clock|start|none)")


def _trigger(reader: Reader, key: Key, node: Node) -> Trigger:
    text = " ".join(scalar(node).text.split())
    found = _TRIGGER.fullmatch(text)
    if found is None:
        raise ValueError(
            f"{quoted(text)} is no trigger: note, note 60, note C4 channel 10, cc 20, clock, start, or none"
        )
    if found[4]:
        return Trigger("" if found[4] == "none" else found[4], -1, 0)
    number, channel = -1, int(found[3] or 0)
    if found[2] and found[1] == "note":
        number = note_number(found[2], reader.middle_c)
    elif found[2]:
        number = int(plain_number(found[2], whole=True))
        if not 0 <= number <= 119:
            raise ValueError(f"{number} is no controller; 0 to 119")
    if found[3] and not 1 <= channel <= 16:
        raise ValueError(f"{channel} is no channel; 1 to 16")
    return Trigger(found[1], number, channel)


def _write_trigger(value: Trigger, middle_c: int) -> str:
    if value.kind not in ("note", "cc"):
        return value.kind or "none"
    number = note_name(value.number, middle_c) if value.kind == "note" else str(value.number)
    words = value.kind + (f" {number}" if value.number >= 0 else "")
    return words + (f" channel {value.channel}" if value.channel else "")


def _user_scales(reader: Reader, key: Key, node: Node) -> dict[str, tuple[float, ...]]:
    made: dict[str, tuple[float, ...]] = {}
    for name, mark, item in _pairs(node, "a name and its degrees in cents, such as 'slow fifths: [0, 240, 702]'"):
        called = " ".join(name.split())
        try:
            if any(scale_name(called) == known for known in SCALES):
                reader.refuse(mark, f"scale {quoted(called)} is there already; give yours another name")
                continue
        except ValueError:
            pass
        try:
            if not isinstance(item, Sequence) or not 1 <= len(called) <= LONGEST_NAME:
                raise ValueError("a scale is a name and a list of cents above the root, such as [0, 240, 702]")
            cents = tuple(plain_number(scalar(degree).text) for degree in item.items)
            made[called] = tuple(float(value) for value in cents)
            cents_scale(called, made[called])
        except ValueError as error:
            made.pop(called, None)
            reader.refuse(item.mark, str(error))
    reader.scales = (*reader.scales, *made)
    return made


def _pairs(node: Node, example: str) -> list[tuple[str, Any, Node]]:
    if not isinstance(node, Mapping):
        raise ValueError(f"is written as {example}")
    return [(name, mark, value) for name, (mark, value) in node.pairs.items()]


def _tuning(reader: Reader, key: Key, node: Node) -> tuple[tuple[int, float], ...]:
    made: dict[int, float] = {}
    for name, mark, item in _pairs(node, "notes with cents, such as 'C3: -2.5'"):
        try:
            note = note_number(name, reader.middle_c)
            if note in made:
                raise ValueError(f"{name} is note {note}, which is here already")
            made[note] = float(_in_range(key, plain_number(scalar(item).text)))
        except ValueError as error:
            reader.refuse(mark, f"{key.name}: {error}")
    return tuple(sorted(made.items()))


def parameter(reader: Reader, name: str, node: Node) -> Any:
    """Return a parameter's value as a file writes it.

    Raises:
        ValueError: Not a value of that parameter.
    """
    text = scalar(node).text
    if PARAMETERS[name].kind in ("int", "float", "seed"):
        text = text.strip().removeprefix("+")  # in a file nothing is moved: +5 is 5
    return parse(name, text, reader.middle_c, reader.scales)


def _parameters(reader: Reader, key: Key, node: Node) -> dict[str, Any]:
    made: dict[str, Any] = {}
    allowed = key.choices or tuple(PARAMETERS)
    for name, mark, item in _pairs(node, "parameters with values, such as 'root: D'"):
        if name not in allowed:
            reader.refuse(mark, f"{key.name} has no parameter {quoted(name)}{nearest(name, allowed)}")
            continue
        try:
            made[name] = parameter(reader, name, item)
        except ValueError as error:
            reader.refuse(item.mark, str(error))
    return made


def _one_parameter(reader: Reader, key: Key, node: Node) -> Any:
    try:
        return parameter(reader, key.name, node)
    except ValueError as error:
        # the reader names the key itself
        raise ValueError(str(error).removeprefix(f"{key.name}: ")) from None


def _line(reader: Reader, key: Key, node: Node) -> tuple[Written, ...]:
    return read_line(reader, scalar(node), key.name)


def _rolls(reader: Reader, key: Key, node: Node) -> Any:
    return read_rolls(reader, node, key.name) or REFUSED


def _format(reader: Reader, key: Key, node: Node) -> Any:
    word = scalar(node).text.strip()
    if word != str(int(key.high)):
        raise ValueError(f"{quoted(word)} is no format that this version reads; write {key.name}: {key.high:g}")
    return REFUSED  # it fills no field


def quote(text: str) -> str:
    """Return text as a YAML scalar that every YAML reader takes for that text."""
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9 ._/-]*[A-Za-z0-9]|[A-Za-z]|\d+/\d+[td]?", text) and text.lower() not in (
        *_ON, *_OFF, "null", "y", "n",
    ):  # fmt: skip
        return text
    return "'" + text.replace("'", "''") + "'"


def _write_note(value: int, middle_c: int) -> str:
    return "none" if value < 0 else note_name(value, middle_c)


def _write_list(value: Any, middle_c: int) -> str:
    return "[" + ", ".join(quote(item) for item in value) + "]"


def _write_cents(value: dict[str, tuple[float, ...]], middle_c: int) -> str:
    rows = [f"{quote(name)}: [{', '.join(number_text(c) for c in cents)}]" for name, cents in value.items()]
    return "{" + ", ".join(rows) + "}"


def write_parameter(name: str, value: Any, middle_c: int) -> str:
    """Return a parameter's value as a file writes it."""
    if PARAMETERS[name].kind in ("float", "int", "seed"):
        return number_text(value)
    return quote(show_parameter(name, value, middle_c))


def _write_parameters(value: dict[str, Any], middle_c: int) -> str:
    return "{" + ", ".join(f"{name}: {write_parameter(name, item, middle_c)}" for name, item in value.items()) + "}"


KINDS: dict[str, Kind] = {
    "int": Kind(_int, lambda value, _: str(value), "whole number"),
    "float": Kind(_float, lambda value, _: number_text(value), "number"),
    "bool": Kind(_bool, lambda value, _: "on" if value else "off", "on or off"),
    "choice": Kind(_choice, lambda value, _: str(value), "one of"),
    "text": Kind(_text, lambda value, _: quote(value), "text"),
    "output": Kind(_output, lambda value, _: "", "name of an output"),
    "texts": Kind(_list(_text), _write_list, "list of texts"),
    "scales": Kind(_list(_scale), _write_list, "list of scales"),
    "divisions": Kind(_list(_division), _write_list, "list of divisions"),
    "note": Kind(_note, _write_note, "note"),
    "note or none": Kind(_note_or_none, _write_note, "note, or none"),
    "controller": Kind(_controller, lambda value, _: "none" if value < 0 else str(value), "0 to 119, or none"),
    "pair": Kind(_pair, lambda value, _: f"{number_text(value[0])} to {number_text(value[1])}", "range"),
    "notes": Kind(_notes, lambda value, c: f"{note_name(value[0], c)} to {note_name(value[1], c)}", "range of notes"),
    "trigger": Kind(_trigger, _write_trigger, "note, note 60, note C4 channel 10, cc 20, clock, start, or none"),
    "scales in cents": Kind(_user_scales, _write_cents, "names with lists of cents"),
    "tuning": Kind(
        _tuning,
        lambda value, c: "{" + ", ".join(f"{note_name(n, c)}: {number_text(cents)}" for n, cents in value) + "}",
        "notes with cents",
    ),
    "parameters": Kind(_parameters, _write_parameters, "parameters with values"),
    "parameter": Kind(_one_parameter, lambda value, _: str(value), "a parameter's value"),
    "arc": Kind(read_arc, write_arc, "parameters with lists of points"),
    "plan": Kind(read_plan, lambda value, _: write_plan(value, quote), "a list of acts, each `{at: BAR, do: ACT}`"),
    "act": Kind(read_act, lambda value, _: quote(value), "an act"),
    "line": Kind(_line, write_line, "steps"),
    "rolls": Kind(_rolls, write_rolls, "four lists of numbers"),
    "format": Kind(_format, lambda value, _: str(value), "format number"),
}  # fmt: skip
"""Every kind that a key may have (besides group, table and rows)."""
