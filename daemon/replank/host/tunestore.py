"""Storing a tuning correction in a rig file: one line is written, everything else stays as it is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from replank.control.setup import Setup
from replank.host.files import BadFile
from replank.host.files.rig import read_rig
from replank.host.files.values import KINDS
from replank.host.files.yaml_reader import Mapping, Scalar, Sequence, parse_yaml
from replank.whole_file import write_whole

Pairs = tuple[tuple[int, float], ...]


def tuning_line(pairs: Pairs, middle_c: int = 4) -> str:
    """Return the line of a voice that holds a correction, as a rig is written."""
    return f"tuning: {KINDS['tuning'].write(pairs, middle_c)}"


def store_tuning(path: Path, voice: int, pairs: Pairs) -> Path:
    """Write a correction into a voice of a rig file, and return where the old file was kept.

    The new text is read back before it replaces the old: it has to give the
    same setup in everything but this correction.

    Args:
        path: The rig.
        voice: Index of the voice.
        pairs: (note, cents), rising.

    Raises:
        BadFile: The rig was refused as it is.
        ValueError: The line cannot be placed; it has to be written by hand.
        OSError: The folder cannot be written.
    """
    data = path.read_bytes()
    before = read_rig(parse_yaml(data, str(path)), path)[0]
    after = _placed(data.decode("utf-8"), parse_yaml(data, str(path)), voice, tuning_line(pairs, before.middle_c))
    if after is None or not _holds(after, path, before, voice, pairs):
        raise ValueError(f"{path}: the place for the correction was not found; write its line there by hand")
    kept = path.with_name(f"{path.name}.before-tune")
    write_whole(kept, data)
    write_whole(path, after.encode("utf-8"))
    return kept


def _placed(text: str, top: Mapping, voice: int, line: str) -> str | None:
    voices = top.pairs["voices"][1] if "voices" in top.pairs else None
    if not isinstance(voices, Sequence) or voice >= len(voices.items):
        return None
    node = voices.items[voice]
    if not isinstance(node, Mapping) or not node.pairs:
        return None
    lines = text.splitlines(keepends=True)
    first, value = next(iter(node.pairs.values()))
    in_braces = (node.mark.line, node.mark.column) != (first.line, first.column)
    if "tuning" in node.pairs:
        mark = node.pairs["tuning"][0]
        if in_braces or "}" not in lines[mark.line - 1][mark.column :]:
            return None
        end = "\n" if lines[mark.line - 1].endswith("\n") else ""
        lines[mark.line - 1] = lines[mark.line - 1][: mark.column - 1] + line + end
    else:
        row, column = lines[first.line - 1], first.column - 1
        if not in_braces and isinstance(value, Scalar) and row.endswith("\n"):
            lines.insert(first.line, " " * column + line + "\n")  # below the name
        else:
            joint = ", " if in_braces else "\n" + " " * column
            lines[first.line - 1] = row[:column] + line + joint + row[column:]
    return "".join(lines)


def _holds(text: str, path: Path, before: Setup, voice: int, pairs: Pairs) -> bool:
    try:
        after = read_rig(parse_yaml(text.encode("utf-8"), str(path)), path)[0]
    except BadFile:
        return False
    voices = list(before.voices)
    voices[voice] = replace(voices[voice], tuning=pairs)
    return after == replace(before, voices=tuple(voices))
