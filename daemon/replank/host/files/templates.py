"""Writes a first rig and a first set from the declared keys.

A line that begins with ``#`` and no space is a key with its default: taking
the ``#`` away changes nothing until its value is changed too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from replank.control.parameters import DEFAULTS, PARAMETERS
from replank.control.setup import Piece, Setup
from replank.host.files.rig import RIG_KEYS
from replank.host.files.schema import Key
from replank.host.files.sets import SET_KEYS
from replank.host.files.values import KINDS, write_parameter

_RIG_HEAD = """\
# The rig: what is plugged in.  Check it with:  replank check rig.yaml
# A line that begins with '#' and a key shows a default; take the '#' away to change it.
# 'connect' holds parts of port names as 'replank ports' lists them; without it you patch by hand.
"""
_SET_HEAD = """\
# The set: the pieces of a show, in order.  Check it with:  replank check rig.yaml set.yaml
# A line that begins with '#' and a key shows a default; take the '#' away to change it.
# 'line' is a written line: notes or numbers are steps, '.' a rest, ':pin' pins a step; docs/files.md has the rest.
"""
_RIG_ACTIVE = {"rig", "inputs", "outputs", "voices", "name", "role"}
_SET_ACTIVE = {"set", "pieces", "name", "minutes", "root", "scale", "length", "mutation_chance"}


def rig_template() -> str:
    """Return a first rig: that of no file at all, with every key explained."""
    return _RIG_HEAD + "\n".join(_keys(RIG_KEYS, Setup(), "", _RIG_ACTIVE, set())) + "\n"


def set_template() -> str:
    """Return a first set: two pieces, the first with every key explained."""
    first = Piece(name="first piece", minutes=5.0)
    second = Piece(name="second piece", minutes=5.0, values={"root": "A", "scale": "dorian", "length": 12})
    made = _keys(SET_KEYS, {"pieces": (first, second)}, "", _SET_ACTIVE, set())
    return _SET_HEAD + "\n".join(made) + "\n"


def _value(thing: Any, name: str) -> Any:
    """Return a field of an object, a row of a mapping, or a piece's parameter; None where it has none."""
    if isinstance(thing, Piece) and name in PARAMETERS and name not in ("seed", "hold"):
        return thing.values.get(name, DEFAULTS[name])
    return thing.get(name) if isinstance(thing, dict) else getattr(thing, name, None)


def written_value(key: Key, thing: Any, middle_c: int = 4) -> str:
    """Return a key's value as a file writes it, or its example where that is empty."""
    if key.kind == "format":
        return f"{key.high:g}"
    values = [_value(thing, name) for name in key.fills]
    if key.kind == "output":
        return Setup().outputs[0].name
    if any(value in (None, (), "", {}) for value in values):
        return key.example or ("[]" if key.kind in ("scales", "divisions") else "{}")
    if key.kind == "parameter":
        return write_parameter(key.name, values[0], middle_c)
    return KINDS[key.kind].write(values[0] if len(values) == 1 else tuple(values), middle_c)


def _keys(keys: Iterable[Key], thing: Any, indent: str, active: set[str], told: set[str]) -> Iterator[str]:
    """Yield the lines of an object's keys; what `told` holds is not explained again."""
    for key in keys:
        is_new = key.help not in told
        told.add(key.help)
        if not is_new and key.name not in active:
            continue
        off = "" if key.name in active else "#"
        if key.kind in ("group", "table"):
            yield f"{indent}{off}{key.name}:  # {key.help}"
            inner = thing if key.kind == "group" else _value(thing, key.name) or (key.makes and key.makes())
            # a group is switched on as a whole
            yield from _keys(key.keys, inner, f"{indent}{off}  ", active if not off else _everything(key), told)
        elif key.kind == "rows":
            yield f"\n{indent}{key.name}:  # {key.help}"
            for row in _value(thing, key.name) or ():
                lines = list(_keys(key.keys, row, f"{indent}    ", active, told))
                lines[0] = f"{indent}  - {lines[0].lstrip()}"
                yield from lines
        else:
            line = f"{indent}{off}{key.name}: {written_value(key, thing)}"
            yield f"{line:<43} # {key.help}{_limits(key)}" if is_new else line


def _everything(key: Key) -> set[str]:
    return {inner.name for inner in key.keys}


def _limits(key: Key) -> str:
    if key.choices and key.kind == "choice":
        return f" {', '.join(key.choices)}."
    if key.low < key.high < 1e9 and key.kind in ("int", "float"):
        return f" {key.low:g} to {key.high:g}{f' {key.unit}' if key.unit else ''}."
    return ""
