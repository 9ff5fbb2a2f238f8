"""Reads plain data by what is wanted in its place; notes every mistake and goes on."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, NamedTuple

from replank.control.parameters import nearest

Path = tuple[str | int, ...]
"""Keys and list places from the top; ``("key", ...)`` means the key, not its value."""


class Wrong(NamedTuple):
    """One mistake.

    Attributes:
        path: Its place.
        what: What is wrong; ``{also}`` stands for the other place.
        also: The other place, where there are two.
    """

    path: Path
    what: str
    also: Path | None = None


class BadProfile(ValueError):
    """A profile was refused; the message is one line a mistake."""

    def __init__(self, wrongs: list[Wrong]) -> None:
        self.wrongs = wrongs
        lines = [f"{written_path(w.path)}: {w.what.replace('{also}', written_path(w.also or ()))}" for w in wrongs]
        super().__init__("\n".join(lines))


def written_path(path: Path) -> str:
    """Return a path as people read it: ``controls[3].moves``."""
    text = ""
    for part in path[1:] if path[:1] == ("key",) else path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text or "the profile"


class PlainReader:
    """Reads dicts, lists and text as a YAML reader leaves them.

    Attributes:
        wrongs: The mistakes so far.
    """

    def __init__(self) -> None:
        self.wrongs: list[Wrong] = []

    def refuse(self, path: Path, what: str, also: Path | None = None) -> None:
        self.wrongs.append(Wrong(path, what, also))

    def mapping(self, plain: Any, path: Path, keys: Iterable[str], thing: str) -> dict[str, Any]:
        if not isinstance(plain, dict):
            self.refuse(path, f"{thing} is written as keys with values")
            return {}
        made = {}
        for name, value in plain.items():
            if name not in keys:
                self.refuse(("key", *path, name), f"{thing} has no key {name!r}{nearest(str(name), keys)}")
            elif isinstance(value, (dict, list)) or (value is not None and str(value).strip()):
                made[name] = value
            else:
                self.refuse((*path, name), f"{name} has no value")
        return made

    def items(self, plain: Any, path: Path) -> list[Any]:
        if isinstance(plain, list):
            return plain
        self.refuse(path, f"{path[-1]} is a list")
        return []

    def text(self, rows: dict[str, Any], name: str, path: Path, default: str = "", longest: int = 200) -> str:
        value = rows.get(name, default)
        if isinstance(value, (dict, list)):
            self.refuse((*path, name), f"{name} is one value")
            return default
        word = ("yes" if value else "no") if isinstance(value, bool) else str(value).strip()
        if len(word) > longest or not word.isprintable():
            self.refuse((*path, name), f"{name} is longer than {longest} characters, or has some that cannot be shown")
            return default
        return word

    def choice(self, rows: dict[str, Any], name: str, path: Path, known: Iterable[str], default: str = "") -> str:
        word = self.text(rows, name, path, default)
        if name in rows and word not in known:
            self.refuse((*path, name), f"{name}: {word!r} is not one of {', '.join(known)}{nearest(word, known)}")
            return default
        return word

    def switch(self, rows: dict[str, Any], name: str, path: Path, default: bool = False) -> bool:
        word = self.text(rows, name, path).lower()
        if name in rows and word not in ("yes", "no", "on", "off", "true", "false"):
            self.refuse((*path, name), f"{name}: {word!r} is neither yes nor no")
        return word in ("yes", "on", "true") if name in rows else default

    def number(self, rows: dict[str, Any], name: str, path: Path, low: float, high: float, default: float) -> float:
        if name not in rows:
            return default
        word = self.text(rows, name, path)
        if not re.fullmatch(r"[+-]?\d{1,9}(\.\d{1,9})?", word):
            self.refuse((*path, name), f"{name}: {word!r} is no number")
        elif not low <= float(word) <= high:
            self.refuse((*path, name), f"{name}: {word} is outside {low:g} to {high:g}")
        else:
            return float(word)
        return default

    def whole(self, rows: dict[str, Any], name: str, path: Path, low: int, high: int, default: int) -> int:
        value = self.number(rows, name, path, low, high, default)
        if value != int(value):
            self.refuse((*path, name), f"{name}: {value:g} is no whole number")
            return default
        return int(value)

    def on_channel(self, rows: dict[str, Any], path: Path, default: int) -> int:
        if self.text(rows, "channel", path) == "any":
            return 0
        return self.whole(rows, "channel", path, 1, 16, default)
