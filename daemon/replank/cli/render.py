"""`replank render`: the same performer, offline, into a MIDI file and a picture."""

from __future__ import annotations

import gc
import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

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
    tempo_option,
    values_option,
)
from replank.control.notices import counted
from replank.control.setup import Setup
from replank.midi.files import write_score
from replank.midi.offline import LONGEST, Take, play_cycles, sounding_notes
from replank.midi.rehearsing import Part, rehearse
from replank.midi.scoring import score_of
from replank.timing.divisions import PPQN, division_clocks
from replank.timing.order import cycle_steps
from replank.whole_file import write_whole

CYCLES, MOST_CYCLES = 64, 100_000


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
@click.option("--cycles", type=Whole(1, MOST_CYCLES), help=f"Cycles of a line without a set.  [default: {CYCLES}]")
@options(rig_option, set_option, piece_option, minutes_option, values_option, tempo_option, seed_option)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="MIDI file to write.")
@click.option("--picture", "picture_file", type=click.Path(path_type=Path), help="Also an SVG of the line's history.")
@click.option("--json", "as_json", is_flag=True, help="Say what was written as one JSON line.")
@_no_garbage_collection()
def command(
    cycles: int | None,
    rig: Path | None,
    set_file: Path | None,
    piece: str | None,
    minutes: float | None,
    words: tuple[str, ...],
    tempo: float | None,
    seed: int | None,
    out: Path,
    picture_file: Path | None,
    as_json: bool,
) -> None:
    """Play offline into a MIDI file, and a picture of how the line changed.

    A set is played piece after piece, each for the minutes that it plans, or
    for --minutes where it plans none; --piece plays one of them.  Without a
    set a line is played, for so many cycles or minutes.  Every mutation is a
    marker that says what changed; those that nobody can hear say so.  The
    same seed, files and parameters give the same MIDI file.

    \b
    Examples:
      replank render --cycles 64 --seed 7 -p scale=dorian -p length=12 --out line.mid
      replank render --cycles 200 -p "scale=whole tone" --out drift.mid --picture drift.svg
      replank render --rig rig.yaml --set set.yaml --seed 7 --out evening.mid
      replank render --set set.yaml --piece Meridian --minutes 3 --out meridian.mid
    """
    check_places(out, picture_file)
    prepared = prepare(rig, set_file, words, piece=piece, tempo=tempo)
    seed = _seed(seed, prepared)
    parts = _parts(prepared, minutes)
    if cycles is not None and parts:
        raise Fail(f"--cycles {cycles}: {'a set' if set_file else '--minutes'} says how long; leave --cycles out")
    _check_length(prepared, parts, cycles or CYCLES)
    values = prepared.values(prepared.pieces[0] if prepared.pieces else 0)
    try:
        if parts:
            take = rehearse(prepared.setup, seed, parts)
        else:
            take = play_cycles(prepared.setup, seed, cycles or CYCLES, values["tempo"])
    except ValueError as error:  # also Endless
        raise Fail(f"{f'--cycles {cycles}: ' if cycles else ''}{error}") from None
    prepared.say_advice()
    name = f"{_name(prepared)}, seed {seed}"
    score = score_of(take.messages, take.notices, prepared.setup, values, take.ticks(), take.tempos(), name)
    score.end = take.ticks().tick(take.end)
    key = f" · {values['root']} {values['scale']}" if len(prepared.pieces) < 2 else ""
    title = f"{name}{key} · {counted(cycle=take.cycles)}"
    try:
        write_score(out, score)
        if picture_file is not None:
            _write_picture(picture_file, take, title, prepared.setup)
    except OSError as error:
        raise Fail(f"cannot write {error.filename or out}: {error.strerror or error}") from None
    except ValueError as error:
        raise Fail(f"{out}: {error}") from None
    _say(take, seed, out, picture_file, as_json)


def _seed(seed: int | None, prepared: Prepared) -> int:
    if seed is not None and "seed" in prepared.given:
        raise Fail("--seed and -p seed= are the same; give one of them")
    return int(seed or prepared.given.get("seed") or secrets.randbits(62) + 1)


def _parts(prepared: Prepared, minutes: float | None) -> list[Part]:
    """Return what is played by minutes: of one piece those of --minutes, of a whole set those that pieces plan."""
    if not prepared.pieces:
        return [Part(0, minutes)] if minutes else []
    parts = []
    for number in prepared.pieces:
        piece = prepared.setup.pieces[number - 1]
        planned = (minutes or piece.minutes) if len(prepared.pieces) == 1 else (piece.minutes or minutes)
        if not planned:
            raise Fail(f"piece {number}, {piece.name}, plans no minutes; say how long: --minutes N")
        parts.append(Part(number, planned))
    return parts


def _name(prepared: Prepared) -> str:
    if len(prepared.pieces) == 1:
        return prepared.setup.pieces[prepared.pieces[0] - 1].name
    return f"replank, {len(prepared.pieces)} pieces" if prepared.pieces else "replank"


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


def _check_length(prepared: Prepared, parts: list[Part], cycles: int) -> None:
    """Refuse what would take hours to render, and steps that do not fit their bar."""
    clocks, minutes = 0.0, 0.0
    for part in parts or [Part(0, 0.0)]:
        values = prepared.values(part.piece)
        where = f"piece {part.piece}: " if part.piece else ""
        try:
            step = division_clocks(values["division"], values["meter"])
        except ValueError as error:
            raise Fail(f"{where}{error}") from None
        length = part.minutes or cycles * cycle_steps(values["direction"], values["length"]) * step / (
            PPQN * values["tempo"]
        )
        minutes, clocks = minutes + length, clocks + length * PPQN * values["tempo"]
    if clocks > LONGEST + 0.5:
        what = "" if parts else f"--cycles {cycles}: "
        raise Fail(f"{what}that is {minutes / 60:.0f} hours of music; at most {LONGEST} clocks are rendered")


def _write_picture(path: Path, take: Take, title: str, setup: Setup) -> None:
    from replank.cli.picture import picture, rows_of  # only a picture needs the inks

    write_whole(path, picture(rows_of(take.notices), title, setup.middle_c).encode())


def _say(take: Take, seed: int, out: Path, picture_file: Path | None, as_json: bool) -> None:
    mutations = [notice for notice in take.notices if notice.kind == "mutation"]
    notes = sounding_notes(take.messages)
    facts = {
        "file": str(out),
        "picture": None if picture_file is None else str(picture_file),
        "cycles": take.cycles,
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
        f"{out}: {counted(cycle=take.cycles, note=notes, mutation=len(mutations))}"
        f" ({facts['silent']} silent), {facts['seconds']} s, seed {seed}"
    )
    if picture_file is not None:
        click.echo(f"{picture_file}: the same as a picture")
