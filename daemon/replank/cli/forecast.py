"""`replank forecast`: how fast a line will change, before anybody hears it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import click

from replank.cli.exits import Fail
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
from replank.control.pace import Pace, pace
from replank.control.parameters import KINDS, Value
from replank.host.files.mistakes import plain_text
from replank.host.files.pieces import pinned_of
from replank.host.files.plans import by_pulses
from replank.line.halflife import plan
from replank.timing.divisions import PPQN, bar_clocks

_ROWS = (
    ("at first", "the line is at home: a homing there changes nothing"),
    ("in the long run", "as much of the line is at home as homing says"),
    ("chosen at all", "rests, accents and homings that find the step at home count too"),
)


@click.command(epilog="Everything is computed from closed forms; nothing is played.")
@options(rig_option, set_option, piece_option, minutes_option, values_option, seed_option)
@click.option("--pinned", type=Whole(0, 64), help="Played steps that are pinned.  [default: as the piece is written]")
@click.option("--bars", default="8,16,32,64,128", show_default=True, metavar="N,N", help="Say what is untouched then.")
@click.option("--want", metavar="N", help="Find settings for a half-life: 40bars, 5min, or 20cycles.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(
    rig: Path | None,
    set_file: Path | None,
    piece: str | None,
    minutes: float | None,
    words: tuple[str, ...],
    seed: int | None,
    pinned: int | None,
    bars: str,
    want: str | None,
    as_json: bool,
) -> None:
    """Say how fast a line will change.

    The half-life is the time until half of the unpinned steps have been touched
    by a pitch mutation.  Of a set each piece is foretold, or the one of
    --piece, as far as it plans minutes or --minutes says; a piece that begins
    held, from when it is let go.

    \b
    replank forecast
    replank forecast -p mutation_chance=0.3 -p length=12 -p tempo=120
    replank forecast -p homing=0.2 --pinned 4 --bars 16,32
    replank forecast -p tempo=100 --want 5min
    replank forecast --rig rig.yaml --set set.yaml
    replank forecast --set set.yaml --piece Meridian --minutes 10 -p homing=0.2
    """
    prepared = prepare(rig, set_file, words, piece=piece)
    at = _bars(bars)
    found = [_foretell(prepared, number, minutes, pinned, at, want) for number in prepared.pieces or (0,)]
    prepared.say_advice()
    if as_json:
        rows = [one.plain() for one in found]
        click.echo(json.dumps({"computed": True, **({"pieces": rows} if prepared.pieces else rows[0])}, indent=2))
        return
    for number, one in enumerate(found):
        if number:
            click.echo()
        for line in one.lines():
            click.echo(line)


class Foretold(NamedTuple):
    """What is computed of one piece, or of a line without one.

    Attributes:
        name: Of the piece; empty without one.
        number: Of the piece; 0 without one.
        is_held: It begins with mutation held.
        tempo: Quarter notes a minute.
        paces: In the order of `_ROWS`.
        at: Bars after which it is said what is untouched.
        wanted: Settings for a half-life that was asked for.
    """

    name: str
    number: int
    is_held: bool
    tempo: float
    paces: list[Pace]
    at: list[float]
    wanted: dict[str, Any] | None

    def plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        rows = {
            name.replace(" ", "_"): {**row._asdict(), "untouched": {f"{n:g}": row.untouched_after(n) for n in self.at}}
            for (name, _), row in zip(_ROWS, self.paces, strict=True)
        }
        head = {"number": self.number, "name": self.name, "held": self.is_held} if self.number else {}
        return {**head, **rows, **({"plan": self.wanted} if self.wanted else {})}

    def lines(self) -> Iterator[str]:
        """Yield it as people read it."""
        if self.number:
            held = "; it begins held, so this counts from when it is let go" if self.is_held else ""
            yield plain_text(f"piece {self.number}: {self.name}{held}")
        cycle = f"a cycle is {_bars_words(self.paces[0].cycle_bars)} at {self.tempo:g} BPM"
        yield f"{self.paces[0].steps} steps may change; {cycle}"
        yield "half of them touched after (computed)"
        for (name, why), row in zip(_ROWS, self.paces, strict=True):
            yield f"  {name:<16} {_half(row):<44} {why}"
        yield "untouched after  " + "  ".join(f"{f'{n:g} bars':>9}" for n in self.at)
        for (name, _), row in zip(_ROWS, self.paces, strict=True):
            yield f"  {name:<16}" + "".join(f"{row.untouched_after(n):>9.0%}  " for n in self.at).rstrip()
        if self.wanted:
            yield self.wanted["text"]


def _foretell(
    prepared: Prepared, number: int, minutes: float | None, pinned: int | None, at: list[float], want: str | None
) -> Foretold:  # fmt: skip
    piece, values = prepared.piece(number), prepared.values(number)
    if pinned is None:
        pinned = pinned_of(piece.line, int(values["length"])) if piece else 0
    if pinned > int(values["length"]):
        raise Fail(f"--pinned {pinned}: only {values['length']} steps are played")
    is_held = bool(piece and values["hold"] and "hold" not in prepared.given)
    values = {**values, "hold": values["hold"] and not is_held}
    pulses, homing = by_pulses(prepared.setup), float(values["homing"])
    try:
        paces = [
            pace(values, pinned, pulses=pulses),
            pace(values, pinned, homing, pulses=pulses),
            pace(values, pinned, chosen=True, pulses=pulses),
        ]
    except ValueError as error:
        raise Fail(f"piece {number}: {error}" if number else str(error)) from None
    planned = minutes or (piece.minutes if piece else 0.0)
    if planned and not pulses:
        at = sorted({*at, round(planned * float(values["tempo"]) * PPQN / bar_clocks(str(values["meter"])), 3)})
    wanted = _plan(values, paces[1], want) if want else None
    return Foretold(piece.name if piece else "", number, is_held, float(values["tempo"]), paces, at, wanted)


def _bars_words(bars: float) -> str:
    return f"{bars:g} bar" + ("" if bars == 1 else "s")


def _bars(text: str) -> list[float]:
    try:
        found = [float(word) for word in text.split(",")]
    except ValueError:
        found = []
    if not found or not all(0 <= n <= 1e6 for n in found):
        raise Fail(f"--bars {text}: write numbers of bars with commas between, such as 16,32,64")
    return found


def _half(row: Pace) -> str:
    if row.cycles is None or row.bars is None or row.minutes is None:
        return "never"
    time = f"{row.minutes * 60:.0f} s" if row.minutes < 2 else f"{row.minutes:.1f} minutes"
    return f"{row.cycles:.1f} cycles, {row.bars:.1f} bars, {time}"


def _plan(values: dict[str, Value], now: Pace, want: str) -> dict[str, Any]:
    cycles = _cycles(values, now, want)
    if not now.steps:
        raise Fail("--want: every step is pinned, so nothing can change")
    weights = [float(values[f"weight_{kind}"]) for kind in KINDS]
    homing = float(values["homing"])
    found = plan(now.steps, cycles, weights, homing, homing, int(values["mutation_count"]))
    # the plan takes one moment a cycle, as mutate_every=cycle is
    if found.reached:
        settings = f"mutation_chance={found.chance:.3f} mutation_count={found.count} mutate_every=cycle"
        text = f"for {want} in the long run: {settings}"
    else:
        text = f"{want} is faster than {found.count} mutations in every cycle; shorten the line or the cycle"
    return {"want_cycles": cycles, "mutation_chance": found.chance, "mutation_count": found.count,
            "reached": found.reached, "text": text}  # fmt: skip


def _cycles(values: dict[str, Value], now: Pace, want: str) -> float:
    word = want.strip().lower().replace(" ", "")
    number = word.rstrip("abcdefghijklmnopqrstuvwxyz")
    unit = word[len(number) :].rstrip("s")
    try:
        amount = float(number)
    except ValueError:
        amount = 0.0
    bar_minutes = bar_clocks(str(values["meter"])) / PPQN / float(values["tempo"])
    per = {"cycle": 1.0, "bar": 1 / now.cycle_bars, "min": 1 / (bar_minutes * now.cycle_bars)}
    per["minute"] = per["min"]
    if unit not in per or not 0 < amount < 1e6:
        raise Fail(f"--want {want}: write 40bars, 5min or 20cycles")
    return amount * per[unit]
