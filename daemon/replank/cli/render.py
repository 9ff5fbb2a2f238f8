"""`replank render`: the same performer, offline, into a MIDI file and a picture."""

from __future__ import annotations

import gc
import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from replank.cli.exits import Fail
from replank.cli.values import read_values
from replank.control.notices import counted
from replank.control.parameters import DEFAULTS, check, find
from replank.control.setup import Setup
from replank.midi.files import write_score
from replank.midi.offline import LONGEST, Endless, Take, play_cycles, sounding_notes
from replank.midi.scoring import score_of
from replank.midi.tempo import tempo_us
from replank.timing.divisions import PPQN, division_clocks
from replank.timing.order import cycle_steps
from replank.whole_file import write_whole

MOST_CYCLES = 100_000


@contextmanager
def _no_garbage_collection() -> Iterator[None]:
    """Look for no unreachable cycles: a take only grows, and to look through it again and again slows it by a tenth."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@click.command(no_args_is_help=True)
@click.option("--cycles", type=int, default=64, show_default=True, help=f"Cycles to play, 1 to {MOST_CYCLES}.")
@click.option("--seed", type=int, help="Seed of all chance; a new one if not given, and said.")
@click.option("-p", "words", metavar="NAME=VALUE", multiple=True, help="Set any parameter; may be repeated.")
@click.option("--tempo", type=float, help="Quarter notes a minute, 20 to 400.  [default: 96]")
@click.option("--rig", type=click.Path(path_type=Path), help="Rig file: voices, channels, scales.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="MIDI file to write.")
@click.option("--picture", "picture_file", type=click.Path(path_type=Path), help="Also an SVG of the line's history.")
@click.option("--json", "as_json", is_flag=True, help="Say what was written as one JSON line.")
@_no_garbage_collection()
def command(
    cycles: int,
    seed: int | None,
    words: tuple[str, ...],
    tempo: float | None,
    rig: Path | None,
    out: Path,
    picture_file: Path | None,
    as_json: bool,
) -> None:
    """Play a line offline into a MIDI file, and a picture of how it changed.

    Every mutation is a marker that says what changed; those that nobody can
    hear say so.  The same seed, rig and parameters give the same file.

    \b
    Examples:
      replank render --cycles 64 --seed 7 -p scale=dorian -p length=12 --out line.mid
      replank render --cycles 200 -p "scale=whole tone" --out drift.mid --picture drift.svg
    """
    if not 1 <= cycles <= MOST_CYCLES:
        raise Fail(f"--cycles: {cycles} is outside 1 to {MOST_CYCLES}")
    check_places(out, picture_file)
    setup = _setup(rig)
    given = read_values(words, setup)
    tempo = _one_of("tempo", tempo, given)
    seed = _one_of("seed", seed, given) or secrets.randbits(62) + 1
    given |= {"tempo": tempo}
    setup = replace(setup, values={**setup.values, **given})
    values = {**DEFAULTS, **setup.values}
    _check_length(values, cycles)
    try:
        take = play_cycles(setup, int(seed), cycles, tempo)
    except Endless as error:
        raise Fail(f"--cycles {cycles}: {error}") from None
    name = f"replank, seed {seed}"
    ticks = take.ticks()
    score = score_of(take.messages, take.notices, setup, values, ticks, [(0, tempo_us(tempo))], name)
    score.end = ticks.tick(take.end)
    title = f"{name} · {values['root']} {values['scale']} · {counted(cycle=cycles)}"
    try:
        write_score(out, score)
        if picture_file is not None:
            _write_picture(picture_file, take, title, setup)
    except OSError as error:
        raise Fail(f"cannot write {error.filename or out}: {error.strerror or error}") from None
    except ValueError as error:
        raise Fail(f"{out}: {error}") from None
    _say(take, cycles, int(seed), out, picture_file, as_json)


def _setup(rig: Path | None) -> Setup:
    if rig is None:
        return Setup()
    from replank.host.files import BadFile, load_rig  # only a rig needs the reader of files

    try:
        return load_rig(rig)
    except BadFile as error:
        raise Fail("\n".join(str(mistake) for mistake in error.mistakes)) from None
    except OSError as error:
        raise Fail(f"{rig}: {error.strerror or error}") from None


def check_places(*paths: Path | None) -> None:
    """Refuse, before anything is played, what could not be written afterwards."""
    wanted = [path for path in paths if path is not None]
    if len({path.resolve() for path in wanted}) < len(wanted):
        raise Fail(f"{wanted[0]}: the MIDI file and the picture need two names")
    for path in wanted:
        folder = path.resolve().parent
        if not folder.is_dir():
            raise Fail(f"cannot write {path}: there is no folder {folder}")
        if path.exists() and not path.is_file():
            raise Fail(f"cannot write {path}: it is not a file")
        if not os.access(folder, os.W_OK):
            raise Fail(f"cannot write {path}: the folder {folder} may not be written")


def _one_of(name: str, option: float | None, given: dict[str, Any]) -> Any:
    """Return what --NAME or -p NAME=... says; both are one too many."""
    if option is None:
        return given.pop(name, find(name).default)
    if name in given:
        raise Fail(f"--{name} and -p {name}= are the same; give one of them")
    try:
        return check(name, option)
    except ValueError as error:
        raise Fail(f"--{error}") from None


def _check_length(values: dict[str, Any], cycles: int) -> None:
    try:
        clocks = cycles * cycle_steps(values["direction"], values["length"])
        clocks *= division_clocks(values["division"], values["meter"])
    except ValueError as error:
        raise Fail(str(error)) from None
    if clocks > LONGEST:
        hours = clocks / PPQN / values["tempo"] / 60
        raise Fail(f"--cycles {cycles}: that is {hours:.0f} hours of music; at most {LONGEST} clocks are rendered")


def _write_picture(path: Path, take: Take, title: str, setup: Setup) -> None:
    from replank.cli.picture import picture, rows_of  # only a picture needs the inks

    write_whole(path, picture(rows_of(take.notices), title, setup.middle_c).encode())


def _say(take: Take, cycles: int, seed: int, out: Path, picture_file: Path | None, as_json: bool) -> None:
    mutations = [notice for notice in take.notices if notice.kind == "mutation"]
    notes = sounding_notes(take.messages)
    facts = {
        "file": str(out),
        "picture": None if picture_file is None else str(picture_file),
        "cycles": cycles,
        "seed": seed,
        "notes": notes,
        "mutations": len(mutations),
        "silent": sum(bool(notice.data["silent"]) for notice in mutations),
        "seconds": round(take.seconds, 3),
    }
    if as_json:
        click.echo(json.dumps(facts))
        return
    click.echo(
        f"{out}: {counted(cycle=cycles, note=notes, mutation=len(mutations))}"
        f" ({facts['silent']} silent), {facts['seconds']} s, seed {seed}"
    )
    if picture_file is not None:
        click.echo(f"{picture_file}: the same as a picture")
