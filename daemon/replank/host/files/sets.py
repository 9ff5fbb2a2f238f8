"""The set: the ordered pieces of a show, as `set.yaml` says them.

A piece's parameters stand beside its other keys: ``root: D``, ``length: 12``.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

from replank.control import tension
from replank.control.pace import ground, solve_half_life
from replank.control.parameters import DEFAULTS, PARAMETERS, PIECE_NAMES, SNAPSHOT_NAMES
from replank.control.setup import KeptLine, Piece, Setup, values_of
from replank.host.files.mistakes import BadFile, Mark, Mistake, quoted
from replank.host.files.pieces import moved_notes
from replank.host.files.plans import advise_plans, by_pulses, refuse_next
from replank.host.files.reader import Reader
from replank.host.files.schema import Key
from replank.host.files.yaml_reader import Mapping, Node, Sequence, read_yaml
from replank.line import generate
from replank.line.chance import DRAW, Numbers

FORMAT = 1
LONGEST_KEPT = 60
"""Characters of a kept line's name, as of a snapshot's."""

VALUE_NAMES = tuple(name for name in PIECE_NAMES if name != "seed")
"""The parameters that a piece may set beside its own keys."""

KEPT_NAMES = SNAPSHOT_NAMES
"""The parameters that a kept line may set beside its own keys: those that a snapshot holds."""

_ROLLS = (
    "{rest: [0.9, 0.7, 0.8, 0.6], accent: [0.1, 0.5, 0.9, 0.3], "
    "velocity: [0.5, 0.4, 0.7, 0.2], link: [0.2, 0.6, 0.8, 0.4]}"
)
LINE_KEYS = (
    Key("line", "line", "A written line; without it one is drawn. `length` is its length where nothing else is said.",
        example="D3:pin . F3:accent | A3"),
    Key("rolls", "rolls", "The rolls of each step of `line`, as `export` writes them; without it they are drawn.",
        example=_ROLLS),
    Key("home", "line", "The form that the line returns to, as many steps; without it the line is its own home.",
        example="D3:pin . F3 | A3"),
    Key("home_rolls", "rolls", "The rolls of each step of `home`; without it those of the line.",
        example=_ROLLS),
)  # fmt: skip
PIECE_KEYS = (
    Key("name", "text", "What it is called."),
    Key("minutes", "float", "Planned length; 0 unplanned.", (), 0, 600, "minutes"),
    *LINE_KEYS,
    Key("seed", "int", "Seed of all chance; 0 a new one each show.", (), 0, PARAMETERS["seed"].high),
    Key("hold", "bool", "Begins with mutation held."),
    Key("half_life_bars", "float", "Bars from its beginning until half of the steps are touched; sets mutation_chance.",
        ("half_life",), 0.25, 100_000, "bars", example="32"),
    Key("scales", "scales", "The scales that a knob walks."),
    Key("divisions", "divisions", "The divisions that a knob walks."),
    Key("arc", "arc", "Parameters that move over the piece's time: a time (minutes, or 32bars) and a value each.",
        example="{rest_chance: [0 0.5, 3 0.1, 5 0.4]}"),
    Key("plan", "plan", "What happens at bars of the piece, the first of which is 1.",
        example="[{at: 17, do: redraw}, {at: 33, do: 'gate=0.4'}]"),
    *(Key(name, "parameter", PARAMETERS[name].help) for name in VALUE_NAMES),
)  # fmt: skip
KEPT_KEYS = (
    *LINE_KEYS,
    *(Key(name, "parameter", PARAMETERS[name].help) for name in KEPT_NAMES),
)
SET_KEYS = (
    Key("set", "format", "Says that this is a set, and the number of its format.", (), FORMAT, FORMAT),
    Key("scales", "scales", "The scales that a knob walks in pieces that name none."),
    Key("divisions", "divisions", "The divisions that a knob walks in pieces that name none."),
    Key("values", "parameters", "Parameters of every piece that does not say otherwise.", choices=VALUE_NAMES,
        example="{tempo: 104}"),
    Key("kept", "named", "Lines under names, there to recall when the show begins.", (), 1, 64, keys=KEPT_KEYS,
        example="{blue: {line: D3 F3 A3 . | C4, root: D}}"),
    Key("pieces", "rows", "The pieces, in the order of the show.", (), 1, 128, keys=PIECE_KEYS),
)  # fmt: skip


def load_set(
    path: str | os.PathLike[str], setup: Setup | None = None, advice: list[Mistake] | None = None
) -> Setup:  # fmt: skip
    """Return `setup` with the pieces of a set.

    Args:
        path: The file.
        setup: The rig, which says how notes are named and which scales there are.
        advice: What is allowed but should be known is added to it.

    Raises:
        BadFile: With every mistake.
    """
    setup = setup or Setup()
    made, reader = read_set(read_yaml(path), setup)
    if advice is not None:
        advice += reader.advice
    return made


def read_set(top: Mapping, setup: Setup) -> tuple[Setup, Reader]:
    """Return `setup` with the pieces and kept lines of a set's nodes, and the reader with its advice.

    Raises:
        BadFile: With every mistake.
    """
    reader = Reader(setup.middle_c, setup.user_scales)
    if "set" not in top.pairs:
        reader.refuse(top.mark, f"a set says so with 'set: {FORMAT}'")
    shell = tuple(key for key in SET_KEYS if key.name not in ("pieces", "kept"))
    pairs = {name: pair for name, pair in top.pairs.items() if name not in ("pieces", "kept")}
    common = reader.table(Mapping(top.mark, pairs), shell, "a set")
    kept = _kept(reader, top.pairs["kept"][1], common, setup) if "kept" in top.pairs else ()
    reader.kept = tuple(line.name for line in kept)
    nodes = top.pairs["pieces"][1] if "pieces" in top.pairs else None
    if nodes is None:
        reader.refuse(top.mark, "a set has no 'pieces:'; it needs one at least")
    elif not isinstance(nodes, Sequence) or not 1 <= len(nodes.items) <= 128:
        reader.refuse(nodes.mark, "pieces is a list of 1 to 128; begin each with '- '")
    else:
        pieces = tuple(_piece(reader, node, common, setup) for node in nodes.items)
        _check_names(reader, pieces, nodes)
        if isinstance(last := nodes.items[-1], Mapping):
            refuse_next(reader, last, pieces[-1])
        if not reader.mistakes:
            _advise(reader, pieces, nodes, setup)
    if reader.mistakes:
        raise BadFile(reader.mistakes)
    return replace(setup, pieces=pieces, kept=kept), reader


def _advise_notes(reader: Reader, piece: Piece | KeptLine, node: Node, setup: Setup) -> None:
    if isinstance(node, Mapping) and "line" in node.pairs and (moved := moved_notes(piece, setup)):
        mark = node.pairs["line"][1].mark
        reader.advise(mark, f"outside its scale or register: {', '.join(moved)}")


def _kept(reader: Reader, node: Node, common: dict[str, Any], setup: Setup) -> tuple[KeptLine, ...]:
    """Return the kept lines; those of whom something was refused are left out."""
    if not isinstance(node, Mapping) or not 1 <= len(node.pairs) <= 64:
        reader.refuse(node.mark, "kept is 1 to 64 names, each with a line: 'blue: {line: D3 F3 A3, root: D}'")
        return ()
    made: dict[str, KeptLine] = {}
    for written, (mark, inner) in node.pairs.items():
        before, name = len(reader.mistakes), " ".join(written.split())
        if not 1 <= len(name) <= LONGEST_KEPT or not name.isprintable() or ":" in name or "@" in name:
            what = f"a name has 1 to {LONGEST_KEPT} characters and none of ':' and '@', which acts use"
            reader.refuse(mark, f"kept: {quoted(written)}: {what}")
        elif name.lower() in (other.lower() for other in made):
            reader.refuse(mark, f"kept: {quoted(name)} is here already; capital letters do not matter")
        fields = reader.table(inner, KEPT_KEYS, f"kept {quoted(name)}")
        _check_line(reader, inner, fields, len(reader.mistakes) == before)
        if isinstance(inner, Mapping) and "line" not in inner.pairs:
            reader.refuse(mark, f"kept {quoted(name)} has no 'line:'")
        if len(reader.mistakes) > before:
            continue
        own = {name: fields.pop(name) for name in KEPT_NAMES if name in fields}
        usual = {name: value for name, value in common.get("values", {}).items() if name in KEPT_NAMES}
        values = {**usual, "length": len(fields["line"]), **own}
        made[name] = KeptLine(name, values=values, **fields)
        _advise_notes(reader, made[name], inner, setup)
    return tuple(made.values())


def _check_line(reader: Reader, node: Node, made: dict[str, Any], is_good: bool) -> None:
    """Refuse what stands beside a written line and does not fit it; steps are counted where all was good so far."""
    if not isinstance(node, Mapping):
        return
    for name, base in (("rolls", "line"), ("home", "line"), ("home_rolls", "home")):
        if name not in node.pairs:
            continue
        mark = node.pairs[name][0]
        if base not in node.pairs:
            reader.refuse(mark, f"{name} belongs to a written {base}, and there is none here")
        elif is_good and name in made and base in made and len(made[name]) != len(made[base]):
            reader.refuse(mark, f"{name} is for as many steps as {base}: {len(made[base])}, not {len(made[name])}")


def _advise(reader: Reader, pieces: tuple[Piece, ...], nodes: Sequence, setup: Setup) -> None:
    for piece, node in zip(pieces, nodes.items, strict=True):
        assert isinstance(node, Mapping)  # anything else was refused
        _advise_notes(reader, piece, node, setup)
        _advise_scheme(reader, piece, node, setup)
        advise_plans(reader, piece, node, setup)


def _advise_scheme(reader: Reader, piece: Piece, node: Mapping, setup: Setup) -> None:
    """Say where a scheme that somebody asked for does not fit the length of the line."""
    scheme, length = piece.values.get("scheme", "free"), int(values_of(piece, setup)["length"])
    if scheme == "free" or (length >= 16 and length % 4 == 0):
        return
    own = next((node.pairs[name][1].mark for name in ("scheme", "length", "line") if name in node.pairs), node.mark)
    text = f"scheme: {scheme} needs 16 steps or more, in four equal parts; a line of {length} is drawn free"
    reader.advise(own, text)


def _piece(reader: Reader, node: Node, common: dict[str, Any], setup: Setup) -> Piece:
    first = len(reader.mistakes)
    made = reader.table(node, PIECE_KEYS, "a piece")
    before = len(reader.mistakes)
    values = {**common.get("values", {}), **{name: made.pop(name) for name in VALUE_NAMES if name in made}}
    _check_line(reader, node, made, before == first)
    line = made.get("line", ())
    if line and "length" not in values:
        values["length"] = len(line)
    half_life = made.pop("half_life", None)
    if half_life is not None and isinstance(node, Mapping) and len(reader.mistakes) == before:
        mark = node.pairs["half_life_bars"][1].mark
        if "mutation_chance" in node.pairs:
            reader.refuse(mark, "half_life_bars sets mutation_chance, which is here too; keep one of them")
        else:
            _solve(reader, mark, half_life, values, made, setup, "mutation_count" in node.pairs)
    for name in ("scales", "divisions"):
        made.setdefault(name, common.get(name, ()))
    return Piece(values=values, **made)


def _solve(
    reader: Reader, mark: Mark, bars: float, values: dict[str, Any], made: dict[str, Any], setup: Setup,
    count_is_given: bool,
) -> None:  # fmt: skip
    """Put the chance, and where it must be the count, of a wanted half-life into `values`."""
    defaults = {**DEFAULTS, **setup.values}
    whole = {**defaults, **values, "hold": False}
    heard = {**whole, **tension.sounding(whole)}
    line = None
    if made.get("line"):
        rolls = Numbers(made.get("seed") or 1, DRAW, 0)
        line = generate.written(made["line"], rolls, made.get("rolls", ()))[: int(whole["length"])]
    twins = None if line is None else 0.0
    on = ground(heard, pulses=by_pulses(setup), scales=setup.user_scales, line=line, twins=twins)
    found = solve_half_life(whole, bars, on)
    if found is None:
        what = f"no settings make half of the steps change in {bars:g} bars"
        reader.refuse(mark, f"{what}; make length, cycle or settle_new shorter")
        return
    if found.count > int({**defaults, **values}["mutation_count"]):
        need = f"a half-life of {bars:g} bars needs {found.count} mutations at a time"
        if count_is_given:
            reader.refuse(mark, f"{need}; say mutation_count: {found.count}, or more")
            return
        reader.advise(mark, f"{need}: mutation_count is {found.count}")
        values["mutation_count"] = found.count
    values["mutation_chance"] = found.chance


def _check_names(reader: Reader, pieces: tuple[Piece, ...], nodes: Sequence) -> None:
    names = [piece.name for piece in pieces]
    for number, name in enumerate(names):
        if name != Piece().name and name in names[:number]:
            reader.refuse(nodes.items[number].mark, f"{quoted(name)} is the name of another piece; give each its own")
