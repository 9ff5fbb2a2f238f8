"""What is wrong in a file, and where."""

from __future__ import annotations

import os
from typing import NamedTuple

MOST = 100
"""So many mistakes of one file are told; a file that is all wrong is not read aloud."""


class Mark(NamedTuple):
    """A place in a file; line and column are counted from 1."""

    file: str
    line: int
    column: int


class Mistake(NamedTuple):
    """One mistake: the place (line and column from 1) and what is wrong there, in one line."""

    file: str
    line: int
    column: int
    what: str

    def __str__(self) -> str:
        return f"{plain_text(self.file)}:{self.line}:{self.column}: {self.what}"


class BadFile(Exception):
    """A file was refused; the message is one line a mistake, in the order of the file."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = sorted(set(mistakes), key=lambda mistake: mistake[:3])
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))

    @classmethod
    def whole(cls, path: str | os.PathLike[str], what: str) -> BadFile:
        """Return the refusal of a file as a whole, told at its first character."""
        return cls([Mistake(os.fspath(path), 1, 1, what)])


def plain_text(text: str) -> str:
    """Return untrusted text with its control characters made visible."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)


def quoted(text: str, limit: int = 40) -> str:
    """Return untrusted text in quotes, cut to `limit` characters, as messages show it."""
    return repr(text if len(text) <= limit else text[: limit - 1] + "…")
