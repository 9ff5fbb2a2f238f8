"""`replank forecast`: how fast a line will change, before anybody hears it."""

from __future__ import annotations

import json
from typing import Any

import click

from replank.cli.exits import Fail
from replank.cli.numbers import Whole
from replank.cli.values import read_values
from replank.control.pace import Pace, pace
from replank.control.parameters import DEFAULTS, KINDS, Value
from replank.control.setup import Setup
from replank.line.halflife import plan
from replank.timing.divisions import PPQN, bar_clocks

_ROWS = (
    ("at first", "the line is at home: a homing there changes nothing"),
    ("in the long run", "as much of the line is at home as homing says"),
    ("chosen at all", "rests, accents and homings that find the step at home count too"),
)


@click.command(epilog="Everything is computed from closed forms; nothing is played.")
@click.option("-p", "given", multiple=True, metavar="NAME=VALUE", help="A parameter; may be repeated.")
@click.option("--pinned", type=Whole(0, 64), default=0, show_default=True, help="Played steps that are pinned.")
@click.option("--bars", default="8,16,32,64,128", show_default=True, metavar="N,N", help="Say what is untouched then.")
@click.option("--want", metavar="N", help="Find settings for a half-life: 40bars, 5min, or 20cycles.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(given: tuple[str, ...], pinned: int, bars: str, want: str | None, as_json: bool) -> None:
    """Say how fast a line will change.

    The half-life is the time until half of the unpinned steps have been touched
    by a pitch mutation.

    \b
    replank forecast
    replank forecast -p mutation_chance=0.3 -p length=12 -p tempo=120
    replank forecast -p homing=0.2 --pinned 4 --bars 16,32
    replank forecast -p tempo=100 --want 5min
    """
    values = {**DEFAULTS, **read_values(given, Setup())}
    at = _bars(bars)
    if pinned > int(values["length"]):
        raise Fail(f"--pinned {pinned}: only {values['length']} steps are played")
    homing = float(values["homing"])
    paces = [pace(values, pinned), pace(values, pinned, homing), pace(values, pinned, chosen=True)]
    wanted = _plan(values, paces[1], want) if want else None
    if as_json:
        rows = {
            name.replace(" ", "_"): {**row._asdict(), "untouched": {f"{n:g}": row.untouched_after(n) for n in at}}
            for (name, _), row in zip(_ROWS, paces, strict=True)
        }
        click.echo(json.dumps({"computed": True, **rows, **({"plan": wanted} if wanted else {})}, indent=2))
        return
    cycle = f"a cycle is {_bars_words(paces[0].cycle_bars)} at {values['tempo']:g} BPM"
    click.echo(f"{paces[0].steps} steps may change; {cycle}")
    click.echo("half of them touched after (computed)")
    for (name, why), row in zip(_ROWS, paces, strict=True):
        click.echo(f"  {name:<16} {_half(row):<44} {why}")
    click.echo("untouched after  " + "  ".join(f"{f'{n:g} bars':>9}" for n in at))
    for (name, _), row in zip(_ROWS, paces, strict=True):
        click.echo(f"  {name:<16}" + "".join(f"{row.untouched_after(n):>9.0%}  " for n in at).rstrip())
    if wanted:
        click.echo(wanted["text"])


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
