"""What is played, rendered or foretold: rig, set and the parameters of the command line, put together in one place.

`replank play` and its host, `demo`, `render` and `forecast` begin here, so
that a piece is heard and foretold as it will be played.  Apart from
`host.starting`, so that a command does not load what only a host needs.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from replank.control.actions import is_move
from replank.control.parameters import PARAMETERS, PIECE_NAMES
from replank.control.setup import Setup
from replank.control.text import Setting, is_setting, read_word
from replank.host.files import BadFile, Mistake, load_rig, load_set

File = str | os.PathLike[str] | None


class BadStart(Exception):
    """What was given is wrong: one clear message, a line a mistake, and an exit code."""

    def __init__(self, message: str, code: int = 2) -> None:
        super().__init__(message)
        self.code = code


def read_files(rig: File, set_file: File, advice: list[Mistake] | None = None) -> Setup:
    """Return what rig and set say; a file that is None or empty says nothing.

    Args:
        rig, set_file: Their paths.
        advice: What is allowed but should be known is added to it.

    Raises:
        BadStart: A file is wrong; every mistake is a line.
    """
    try:
        setup = load_rig(rig, advice) if rig else Setup()
        return load_set(set_file, setup, advice) if set_file else setup
    except BadFile as error:
        raise BadStart("\n".join(str(mistake) for mistake in error.mistakes)) from None
    except OSError as error:
        raise BadStart(f"{error.filename}: {error.strerror}") from None


def read_values(words: Sequence[str], setup: Setup) -> dict[str, Any]:
    """Return the parameters of ``NAME=VALUE`` words, as ``-p`` gives them.

    Raises:
        BadStart: A word that sets nothing, an unknown name, a wrong value, a name given twice.
    """
    values: dict[str, Any] = {}
    for word in words:
        if is_move(word):
            raise BadStart(f"-p {word}: nothing plays yet that could be moved; write NAME=VALUE")
        if not is_setting(word):
            raise BadStart(f"-p {word}: write NAME=VALUE, such as -p length=12")
        try:
            read = read_word(word, setup.middle_c, tuple(setup.user_scales))
        except ValueError as error:
            raise BadStart(f"-p {word}: {error}") from None
        if not isinstance(read, Setting):
            raise BadStart(f"-p {word}: write NAME=VALUE, such as -p length=12")
        if read.name in values:
            raise BadStart(f"-p {word}: {read.name} is given twice")
        values[read.name] = read.value
    return values


def with_values(setup: Setup, values: dict[str, Any]) -> Setup:
    """Return a setup in which values of the command line hold, whatever rig and set say, in every piece."""
    own = {name: value for name, value in values.items() if name in PIECE_NAMES and PARAMETERS[name].kind != "seed"}
    pieces = tuple(
        replace(
            piece,
            values={**piece.values, **own},
            seed=values.get("seed", piece.seed),
            hold=values.get("hold", piece.hold),
        )
        for piece in setup.pieces
    )
    return replace(setup, values={**setup.values, **values}, pieces=pieces)


def with_clock(setup: Setup, source: str | None) -> Setup:
    """Return a setup whose clock comes from a source; None leaves it as the rig says."""
    return replace(setup, clock=replace(setup.clock, source=source)) if source else setup


def load_setup(facts: dict[str, Any]) -> Setup:
    """Return rig, set, clock source and parameters as `replank play` was told.

    Raises:
        BadStart: A file is wrong; every mistake is a line.
    """
    setup = with_clock(read_files(facts.get("rig"), facts.get("set")), facts.get("clock"))
    return with_values(setup, facts.get("values", {}))
