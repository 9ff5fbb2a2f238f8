"""The set: the ordered pieces of a show, as `set.yaml` says them.

A piece's parameters stand beside its other keys: ``root: D``, ``length: 12``.
"""

from __future__ import annotations

import os
from collections.abc import Mapping as Values
from dataclasses import replace
from typing import Any, NamedTuple

from replank.control.pace import pace
from replank.control.parameters import DEFAULTS, PARAMETERS, PIECE_NAMES
from replank.control.setup import Piece, Setup
from replank.host.files.mistakes import BadFile, Mark, quoted
from replank.host.files.pieces import moved_notes
from replank.host.files.reader import Reader
from replank.host.files.schema import Key
from replank.host.files.yaml_reader import Mapping, Node, Sequence, read_yaml
from replank.line.halflife import MOST, rate_for

FORMAT = 1

VALUE_NAMES = tuple(name for name in PIECE_NAMES if name != "seed")
"""The parameters that a piece may set beside its own keys."""

PIECE_KEYS = (
    Key("name", "text", "What it is called."),
    Key("minutes", "float", "Planned length; 0 unplanned.", (), 0, 600, "minutes"),
    Key("line", "line", "A written line; without it one is drawn. `length` is its length where nothing else is said.",
        ("notes",), example="D3 . F3 A3! / C4 . . D3"),
    Key("seed", "int", "Seed of all chance; 0 a new one each show.", (), 0, PARAMETERS["seed"].high),
    Key("hold", "bool", "Begins with mutation held."),
    Key("half_life_bars", "float", "Bars until a pitch mutation has touched half of the steps; sets mutation_chance.",
        ("half_life",), 0.25, 100_000, "bars", example="32"),
    Key("scales", "scales", "The scales that a knob walks."),
    Key("divisions", "divisions", "The divisions that a knob walks."),
    *(Key(name, "parameter", PARAMETERS[name].help) for name in VALUE_NAMES),
)  # fmt: skip
SET_KEYS = (
    Key("set", "format", "Says that this is a set, and the number of its format.", (), FORMAT, FORMAT),
    Key("scales", "scales", "The scales that a knob walks in pieces that name none."),
    Key("divisions", "divisions", "The divisions that a knob walks in pieces that name none."),
    Key("values", "parameters", "Parameters of every piece that does not say otherwise.", choices=VALUE_NAMES,
        example="{tempo: 104}"),
    Key("pieces", "rows", "The pieces, in the order of the show.", (), 1, 128, keys=PIECE_KEYS),
)  # fmt: skip


class HalfLife(NamedTuple):
    """What a wanted half-life needs.

    Attributes:
        chance: `mutation_chance`, 0 to 1.
        count: `mutation_count`, above the one given where that was too few.
    """

    chance: float
    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody calls here


def load_set(path: str | os.PathLike[str], setup: Setup | None = None) -> Setup:
    """Return `setup` with the pieces of a set.

    Args:
        path: The file.
        setup: The rig, which says how notes are named and which scales there are.

    Raises:
        BadFile: With every mistake.
    """
    setup = setup or Setup()
    return replace(setup, pieces=read_set(read_yaml(path), setup)[0])


def read_set(top: Mapping, setup: Setup) -> tuple[tuple[Piece, ...], Reader]:
    """Return the pieces of a set's nodes, and the reader with its advice.

    Raises:
        BadFile: With every mistake.
    """
    reader = Reader(setup.middle_c, setup.user_scales)
    if "set" not in top.pairs:
        reader.refuse(top.mark, f"a set says so with 'set: {FORMAT}'")
    shell = tuple(key for key in SET_KEYS if key.name != "pieces")
    pairs = {name: pair for name, pair in top.pairs.items() if name != "pieces"}
    common = reader.table(Mapping(top.mark, pairs), shell, "a set")
    nodes = top.pairs["pieces"][1] if "pieces" in top.pairs else None
    if nodes is None:
        reader.refuse(top.mark, "a set has no 'pieces:'; it needs one at least")
    elif not isinstance(nodes, Sequence) or not 1 <= len(nodes.items) <= 128:
        reader.refuse(nodes.mark, "pieces is a list of 1 to 128; begin each with '- '")
    else:
        pieces = tuple(_piece(reader, node, common, setup) for node in nodes.items)
        _check_names(reader, pieces, nodes)
        if not reader.mistakes:
            _advise_notes(reader, pieces, nodes, setup)
    if reader.mistakes:
        raise BadFile(reader.mistakes)
    return pieces, reader


def _advise_notes(reader: Reader, pieces: tuple[Piece, ...], nodes: Sequence, setup: Setup) -> None:
    for piece, node in zip(pieces, nodes.items, strict=True):
        if isinstance(node, Mapping) and "line" in node.pairs and (moved := moved_notes(piece, setup)):
            mark = node.pairs["line"][1].mark
            reader.advise(mark, f"outside the piece's scale or register: {', '.join(moved)}")


def _piece(reader: Reader, node: Node, common: dict[str, Any], setup: Setup) -> Piece:
    made = reader.table(node, PIECE_KEYS, "a piece")
    before = len(reader.mistakes)
    values = {**common.get("values", {}), **{name: made.pop(name) for name in VALUE_NAMES if name in made}}
    notes = made.get("notes", ())
    if notes and "length" not in values:
        values["length"] = len(notes)
    half_life = made.pop("half_life", None)
    if half_life is not None and isinstance(node, Mapping) and len(reader.mistakes) == before:
        mark = node.pairs["half_life_bars"][1].mark
        if "mutation_chance" in node.pairs:
            reader.refuse(mark, "half_life_bars sets mutation_chance, which is here too; keep one of them")
        else:
            _solve(reader, mark, half_life, values, notes, setup, "mutation_count" in node.pairs)
    for name in ("scales", "divisions"):
        made.setdefault(name, common.get(name, ()))
    return Piece(values=values, **made)


def _solve(
    reader: Reader, mark: Mark, bars: float, values: dict[str, Any], notes: tuple[tuple[int, bool], ...],
    setup: Setup, count_is_given: bool,
) -> None:  # fmt: skip
    """Put the chance, and where it must be the count, of a wanted half-life into `values`."""
    defaults = {**DEFAULTS, **setup.values}
    length = int({**defaults, **values}["length"])
    pinned = sum(notes[step % len(notes)][1] for step in range(length)) if notes else 0
    found = solve_half_life({**defaults, **values, "hold": False}, bars, pinned, setup.user_scales)
    if found is None:
        reader.refuse(mark, f"no settings make half of the steps change in {bars:g} bars; make length or cycle shorter")
        return
    if found.count > int({**defaults, **values}["mutation_count"]):
        need = f"a half-life of {bars:g} bars needs {found.count} mutations at a time"
        if count_is_given:
            reader.refuse(mark, f"{need}; say mutation_count: {found.count}, or more")
            return
        reader.advise(mark, f"{need}: mutation_count is {found.count}")
        values["mutation_count"] = found.count
    values["mutation_chance"] = found.chance


def solve_half_life(
    values: Values[str, Any], bars: float, pinned: int = 0, scales: Values[str, tuple[float, ...]] = {}
) -> HalfLife | None:
    """Return the settings of a wanted half-life, by the closed forms; None where there are none.

    Args:
        values: All parameters by name.
        bars: Bars until half of the unpinned steps are expected touched, in
            the long run (as much of the line at home as `homing` says).
        pinned: Played steps that are pinned.
        scales: A person's own scales, in cents by name.
    """
    homing, count = float(values["homing"]), int(values["mutation_count"])
    for tried in range(count, MOST + 1):
        full = pace({**values, "mutation_chance": 1.0, "mutation_count": tried}, pinned, homing, scales=scales)
        if not full.steps or full.rate <= 0:
            return None
        wanted = rate_for(full.steps, bars / full.cycle_bars)
        if full.rate >= wanted:
            # a chance of five digits is as good, and can be read
            return HalfLife(round(wanted / full.rate, 5), tried)
    return None


def _check_names(reader: Reader, pieces: tuple[Piece, ...], nodes: Sequence) -> None:
    names = [piece.name for piece in pieces]
    for number, name in enumerate(names):
        if name != Piece().name and name in names[:number]:
            reader.refuse(nodes.items[number].mark, f"{quoted(name)} is the name of another piece; give each its own")
