"""Says what a file is, reads it, and says in a few lines what is in it."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from replank.control.setup import KeptLine, Piece, Setup, values_of
from replank.control.voltage import describe
from replank.control.wire import report
from replank.host.files.mistakes import BadFile, Mistake, plain_text
from replank.host.files.pieces import volts_of
from replank.host.files.plans import minutes_text, summary_of_plans
from replank.host.files.profiles import read_profile, summary_of_profile
from replank.host.files.rig import RIG_KEYS, read_rig
from replank.host.files.schema import Key
from replank.host.files.sets import SET_KEYS, read_set
from replank.host.files.yaml_reader import Mapping, read_yaml

KINDS = ("rig", "set", "profile")
"""What a file can be; its top says so with that word and the number of its format."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A file that is good.

    Attributes:
        file: Its path as it was given.
        kind: rig, set or profile.
        summary: What is in it, a line each.
        advice: What is allowed but worth knowing.
        setup: The setup with this file in it (rig and set), else as it was given.
        profile: The compiled profile as plain data, empty for others.
    """

    file: str
    kind: str
    summary: list[str]
    advice: list[Mistake]
    setup: Setup
    profile: dict[str, Any] = field(default_factory=dict)


def kind_of(top: Mapping) -> str:
    """Return what a file says it is.

    Raises:
        BadFile: It says nothing, or two things.
    """
    said = [kind for kind in KINDS if kind in top.pairs]
    if len(said) == 1:
        return said[0]
    if said:
        mark = top.pairs[said[1]][0]
        raise BadFile([Mistake(*mark, f"the file says that it is a {said[0]} and a {said[1]}; it is one of them")])
    likely = _likely(top)
    guess = f"; it looks like a {likely}: begin it with '{likely}: 1'" if likely else ""
    what = f"the file does not say what it is; a rig has 'rig: 1', a set 'set: 1', a profile 'profile: 1'{guess}"
    raise BadFile([Mistake(*top.mark, what)])


def _likely(top: Mapping) -> str:
    tables: dict[str, tuple[Key, ...]] = {"rig": RIG_KEYS, "set": SET_KEYS}
    counts = {kind: sum(key.name in top.pairs for key in keys) for kind, keys in tables.items()}
    counts["profile"] = 2 * ("controls" in top.pairs)
    best = max(counts, key=lambda kind: counts[kind])
    return best if counts[best] else ""


def check_file(path: str | os.PathLike[str], setup: Setup | None = None) -> Checked:
    """Read a file of any kind.

    Args:
        path: The file.
        setup: The rig in whose light a set or profile is read.

    Raises:
        BadFile: With every mistake.
    """
    setup, top, name = setup or Setup(), read_yaml(path), os.fspath(path)
    kind = kind_of(top)
    if kind == "rig":
        made, reader = read_rig(top, path)
        made = replace(made, pieces=setup.pieces, kept=setup.kept)
        return Checked(name, kind, summary_of_rig(made), reader.advice, made)
    if kind == "set":
        made, reader = read_set(top, setup)
        lines = []
        for number, piece in enumerate(made.pieces, 1):
            more = [*summary_of_plans(piece, setup), *volts_of(piece, setup)]
            lines += [summary_of_piece(number, piece, setup), *(f"  {line}" for line in more)]
        for kept in made.kept:
            lines += [summary_of_kept(kept, setup), *(f"  {line}" for line in volts_of(kept, setup))]
        return Checked(name, kind, lines, reader.advice, made)
    profile = read_profile(top, setup.user_scales, setup.middle_c)
    return Checked(name, kind, summary_of_profile(profile), [], setup, profile)


def summary_of_rig(setup: Setup) -> list[str]:
    """Return what a rig holds, and what follows from it for voltages and cables."""
    rate = "24 a quarter note" if setup.clock.mode == "midi" else "one pulse a step"
    lines = [f"clock {setup.clock.source}, {rate}"]
    for entry in setup.inputs:
        reads = f", read by profile {entry.profile}" if entry.profile else ""
        lines.append(f"input {entry.name} ({entry.role}){_patched(entry.connect)}{reads}")
    lines += [f"output {output.name}{_patched(output.connect)}" for output in setup.outputs]
    for voice in setup.voices:
        lines.append(f"voice {voice.name} on {setup.outputs[voice.output].name}, channel {voice.channel}")
        if voice.voltage is not None:
            lines += [f"  {line}" for line in describe(voice.voltage, setup.middle_c)]
    if any(output.din for output in setup.outputs):
        lines += report(setup)
    return lines


def _patched(names: tuple[str, ...]) -> str:
    return f", patched to {' or '.join(names)}" if names else ", patched by hand"


def summary_of_piece(number: int, piece: Piece, setup: Setup) -> str:
    """Return a piece in one line."""
    values = values_of(piece, setup)
    parts = [f"{values['root']} {values['scale']}", f"{values['length']} steps of {values['division']}"]
    parts += [minutes_text(piece.minutes)] if piece.minutes else []
    parts += ["a written line"] if piece.line else []
    parts += [f"mutation_chance {values['mutation_chance']:g}"] if not piece.hold else ["held"]
    return f"piece {number}: {piece.name}: {', '.join(parts)}"


def summary_of_kept(kept: KeptLine, setup: Setup) -> str:
    """Return a kept line in one line."""
    values = values_of(kept, setup)
    parts = [f"{values['root']} {values['scale']}", f"{values['length']} steps"]
    parts += ["with its rolls"] if kept.rolls else []
    parts += ["a home of its own"] if kept.home else []
    return f"kept {plain_text(kept.name)}: {', '.join(parts)}"


def default_files(folder: Path) -> list[Path]:
    """Return the files of a folder that `check` looks at when it is given the folder."""
    return sorted(path for path in folder.glob("*.yaml") if path.is_file())
