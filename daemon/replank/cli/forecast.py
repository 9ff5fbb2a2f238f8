"""`replank forecast`: how long a line stays itself and how fast it changes, before anybody hears it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import click

from replank.cli.exits import Fail
from replank.cli.foretelling import Asked, Foretold, foretell
from replank.cli.numbers import Whole
from replank.cli.options import (
    Prepared,
    minutes_option,
    options,
    piece_option,
    prepare,
    rig_option,
    seed_option,
    set_option,
    values_option,
)
from replank.host.files.plans import by_pulses

EVENINGS = 8
"""Evenings that are played where no seed says which; of a long set fewer."""
MOST_MINUTES = 140.0
"""Minutes of music, at 96 BPM, that are played in all where nobody says how many evenings: some three seconds."""


@click.command(
    epilog="Counted figures come from playing the prepared piece offline, a minute of it in some 20 ms; computed ones "
    "from closed forms, with the settings as they are at the beginning."
)
@options(rig_option, set_option, piece_option, minutes_option, values_option, seed_option)
@click.option(
    "--evenings", type=Whole(0, 64), metavar="N",
    help=f"Evenings to play where no seed says which; 0 only computes.  [default: {EVENINGS}, fewer of a long set]",
)  # fmt: skip
@click.option("--pinned", type=Whole(0, 64), metavar="N", help="Pin the steps 1 to N as well.")
@click.option("--bars", metavar="N,N", help="Say also how many steps keep their pitch for so many bars (computed).")
@click.option("--want", metavar="N", help="Find settings for a half-life from the beginning: 40bars, 5min, 20cycles.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, with every figure.")
def command(
    rig: Path | None,
    set_file: Path | None,
    piece: str | None,
    minutes: float | None,
    words: tuple[str, ...],
    seed: int | None,
    evenings: int | None,
    pinned: int | None,
    bars: str | None,
    want: str | None,
    as_json: bool,
) -> None:
    """Say how long a line stays itself, and how fast it will change.

    First the share of the played steps that still sound as the piece began:
    the same note, rest and accent, and nearly the same velocity, in the key and
    with the settings of then.  Then the changes a minute that can be heard, and
    the half-life: the time until half of the steps that may change have
    changed their pitch.  A piece with a seed is foretold as it will be on the
    night while no hand touches it; any other as the mean of several evenings.
    Of a set each piece is foretold, or the one of --piece, as far as it plans
    minutes or --minutes says; a piece that begins held and that no plan lets go,
    from when a hand does.

    \b
    replank forecast
    replank forecast -p mutation_chance=0.3 -p length=12 -p tempo=120
    replank forecast -p homing=0.2 --pinned 4 --bars 16,32
    replank forecast -p tempo=100 --want 5min
    replank forecast --rig rig.yaml --set set.yaml
    replank forecast --set set.yaml --piece Meridian --minutes 10 -p homing=0.2
    """
    if seed is not None and any(word.partition("=")[0] == "seed" for word in words):
        raise Fail("--seed and -p seed= are the same; give one of them")
    if seed:
        words = (*words, f"seed={seed}")
    prepared = prepare(rig, set_file, words, piece=piece)
    numbers = prepared.pieces or (0,)
    asked = Asked(minutes, _bars(bars), want, pinned or 0, evenings or 0)
    if evenings is None:
        asked = asked._replace(evenings=_evenings(prepared, asked, numbers))
    found = [foretell(prepared, number, asked) for number in numbers]
    prepared.say_advice()
    if as_json:
        rows = [one.plain() for one in found]
        click.echo(json.dumps({"pieces": rows} if prepared.pieces else rows[0], indent=2))
        return
    for number, one in enumerate(found):
        if number:
            click.echo()
        for line in one.lines():
            click.echo(line)
    _say_how(found, by_pulses(prepared.setup))


def _evenings(prepared: Prepared, asked: Asked, numbers: Sequence[int]) -> int:
    """Return how many evenings are played of the pieces without a seed; one with a seed is played once."""
    left, each = MOST_MINUTES, 0.0
    for number in numbers:
        length = asked.length(prepared, number)
        if prepared.values(number)["seed"]:
            left -= length
        else:
            each += length
    return max(1, min(EVENINGS, int(left / each))) if each else EVENINGS


def _bars(text: str | None) -> list[float]:
    if text is None:
        return []
    try:
        found = [float(word) for word in text.split(",")]
    except ValueError:
        found = []
    if not found or not all(0 <= n <= 1e6 for n in found):
        raise Fail(f"--bars {text}: write numbers of bars with commas between, such as 16,32,64")
    return found


def _say_how(found: list[Foretold], pulses: bool) -> None:
    click.echo()
    if any(one.evenings for one in found):
        click.echo("Counted: played offline; from the least to the most where there are several evenings.")
    click.echo("Computed: from the settings at the beginning; arcs, plans, phrases and visits home are not in it.")
    if pulses and any(one.evenings for one in found):
        click.echo("Counted to a MIDI clock at the tempo above: with pulses the minutes are those of your pulses.")
