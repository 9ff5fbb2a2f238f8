"""The options by which commands are told what to play, and the setup that they come to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from replank.cli.exits import Fail
from replank.cli.numbers import MOST_SEED, SEED_METAVAR, Number, Whole
from replank.control.setup import Piece, Setup, values_of
from replank.host.prepare import BadStart, read_files, read_values, with_clock, with_values

Command = TypeVar("Command", bound=Callable[..., Any])
LONGEST_MINUTES = 600
"""Minutes that a piece may plan, or that are rendered of one."""


def _file() -> click.Path:
    return click.Path(path_type=Path, exists=True, dir_okay=False)


rig_option = click.option("--rig", type=_file(), help="Rig file: ports, voices, scales.")
set_option = click.option("--set", "set_file", type=_file(), help="Set file: the pieces.")
piece_option = click.option("--piece", metavar="NAME|N", help="One piece of the set, by name or number.")
minutes_option = click.option("--minutes", type=Number(0.05, LONGEST_MINUTES, "N"), help="Minutes of music.")
values_option = click.option(
    "-p", "words", metavar="NAME=VALUE", multiple=True, help="Set any parameter, in every piece; may be repeated."
)
tempo_option = click.option("--tempo", type=Number(20, 400), help="Quarter notes a minute of our own clock.")
seed_option = click.option(
    "--seed", type=Whole(0, MOST_SEED, SEED_METAVAR), help="Seed of all chance; a new one if not given."
)


def options(*some: Callable[[Command], Command]) -> Callable[[Command], Command]:
    """Return several options as one decorator; the help lists them in this order."""

    def add(command: Command) -> Command:
        for option in reversed(some):
            command = option(command)
        return command

    return add


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a command was told to play.

    Attributes:
        setup: Rig, set and parameters in one.
        given: The parameters of the command line, which hold in every piece.
        pieces: Numbers, from 1, of the pieces that are meant: one, or all of the set; none without a set.
        advice: What the files may say but a person should know, a line each.
    """

    setup: Setup
    given: dict[str, Any]
    pieces: tuple[int, ...]
    advice: tuple[str, ...]

    def piece(self, number: int) -> Piece | None:
        """Return a piece by its number; None for 0."""
        return self.setup.pieces[number - 1] if number else None

    def values(self, number: int = 0) -> dict[str, Any]:
        """Return every parameter as a piece begins, or as a line without a piece does."""
        return values_of(self.piece(number), self.setup)

    def say_advice(self) -> None:
        """Print what the files' person should know, on standard error."""
        for line in self.advice:
            click.echo(f"{line} (allowed)", err=True)


def prepare(
    rig: Path | str | None = None,
    set_file: Path | str | None = None,
    words: Sequence[str] = (),
    *,
    piece: str | None = None,
    clock: str | None = None,
    tempo: float | None = None,
) -> Prepared:
    """Return what options come to.

    Args:
        rig, set_file: Files; None for none.
        words: ``NAME=VALUE`` of ``-p``.
        piece: Number or name of a piece of the set.
        clock: Where the clock comes from, if not from where the rig says.
        tempo: As ``-p tempo=``.

    Raises:
        Fail: Any of it is wrong; every mistake of a file is a line.
    """
    advice: list[Any] = []
    try:
        setup = with_clock(read_files(rig, set_file, advice), clock)
        given = read_values(words, setup)
    except BadStart as error:
        raise Fail(str(error), error.code) from None
    if tempo is not None:
        if "tempo" in given:
            raise Fail("--tempo and -p tempo= are the same; give one of them")
        given["tempo"] = tempo
    numbers = tuple(range(1, len(setup.pieces) + 1))
    if piece is not None:
        numbers = (_number(setup, piece),)
    return Prepared(with_values(setup, given), given, numbers, tuple(str(mistake) for mistake in advice))


def _number(setup: Setup, piece: str) -> int:
    from replank.performer.arguments import find_piece  # only this needs the performer

    if not setup.pieces:
        raise Fail(f"--piece {piece}: name the set that it is in: --set FILE")
    try:
        return find_piece(setup, piece)
    except ValueError as error:
        raise Fail(f"--piece {piece}: {error}") from None
