"""Finds the profiles that a rig names, and reads them.

A profile NAME is the file ``NAME.yaml`` beside the rig, in ``profiles``
beside it, in ``profiles`` of the configuration folder, or among those that
come with the program; the first that is there is taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from replank.control.compiling import compile_profile
from replank.control.notices import counted
from replank.control.parameters import nearest
from replank.control.plain import BadProfile
from replank.host.files.mistakes import BadFile, Mark, Mistake, quoted
from replank.host.files.yaml_reader import Mapping, Node, Scalar, Sequence, read_yaml
from replank.host.paths import config_dir, shipped_profiles

Place = tuple[str | int, ...]
"""Keys and list places from the top; with ``"key"`` in front, the key itself."""

_NAME = re.compile(r"[\w][\w .-]{0,63}")


def profile_folders(beside: Path) -> list[Path]:
    """Return the folders in which profiles are looked for, in that order."""
    return [beside, beside / "profiles", config_dir() / "profiles", shipped_profiles()]


def find_profile(name: str, beside: Path) -> Path:
    """Return the file of a profile.

    Raises:
        ValueError: No such profile; the message names the nearest one.
    """
    if _NAME.fullmatch(name):
        for folder in profile_folders(beside):
            if (path := folder / f"{name}.yaml").is_file():
                return path
    known = {path.stem for folder in profile_folders(beside)[1:] if folder.is_dir() for path in folder.glob("*.yaml")}
    raise ValueError(f"there is no profile {quoted(name)}{nearest(name, sorted(known))}")


def plain_and_marks(node: Node) -> tuple[Any, dict[Place, Mark]]:
    """Return nodes as dicts, lists and text, and the place of each value by its path.

    Every scalar stays the text that was written.  A path is the keys and list
    positions from the top, ``("controls", 3, "cc")``; the place of a mapping's
    key is that of its value's path with ``"key"`` before it: ``("key", "controls")``.
    """
    marks: dict[Place, Mark] = {}

    def walk(inner: Node, path: Place) -> Any:
        marks[path] = inner.mark
        if isinstance(inner, Scalar):
            return inner.text
        if isinstance(inner, Sequence):
            return [walk(item, (*path, number)) for number, item in enumerate(inner.items)]
        made = {}
        for name, (mark, value) in inner.pairs.items():
            marks[("key", *path, name)] = mark
            made[name] = walk(value, (*path, name))
        return made

    return walk(node, ()), marks


def read_profile(top: Mapping, scales: Iterable[str] = (), middle_c: int = 4) -> dict[str, Any]:
    """Return the compiled profile of a file's nodes as plain data, as `Setup.profiles` holds it.

    Raises:
        BadFile: With every mistake.
    """
    plain, marks = plain_and_marks(top)
    try:
        return compile_profile(plain, scales, middle_c).to_plain()
    except BadProfile as error:
        mistakes = []
        for wrong in error.wrongs:
            also = f"line {_mark(marks, wrong.also).line}" if wrong.also is not None else ""
            mistakes.append(Mistake(*_mark(marks, wrong.path), wrong.what.replace("{also}", also)))
        raise BadFile(mistakes) from None


def _mark(marks: dict[Place, Mark], path: Place) -> Mark:
    """Return the place of a path, or of the nearest thing around it that is in the file."""
    while path not in marks and path:
        path = path[1:] if path[0] == "key" else path[:-1]
    return marks[path]


def load_profiles(
    named: Iterable[tuple[str, Mark]], beside: Path, scales: Iterable[str] = (), middle_c: int = 4
) -> tuple[dict[str, Any], list[Mistake]]:
    """Return the profiles of a rig by name, and the mistakes of the rig and of those files."""
    made: dict[str, Any] = {}
    wrong: list[Mistake] = []
    for name, mark in named:
        if name in made:
            continue
        try:
            made[name] = read_profile(read_yaml(find_profile(name, beside)), scales, middle_c)
        except ValueError as error:
            wrong.append(Mistake(*mark, str(error)))
        except BadFile as error:
            made[name] = {}  # its mistakes are told once
            wrong += error.mistakes
    return made, wrong


def summary_of_profile(profile: dict[str, Any]) -> list[str]:
    """Return what a profile holds, a line each."""
    return [f"{profile['title']}: {counted(control=len(profile['controls']))}"]
