"""`replank shows`: the list of recorded shows, or what is in one."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import click

from replank.cli.archives import database_option, find, opened, title
from replank.control.notices import counted
from replank.host.files.mistakes import plain_text
from replank.host.shows import schema
from replank.host.shows.reading import Archive, Mark, Show, clock_text, seconds_text

HEAD = ("show", "began", "length", "cycles", "mutations", "stars", "gaps", "name")


@click.command()
@click.argument("show", required=False)
@database_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(show: str | None, state_dir: Path | None, database: Path | None, as_json: bool) -> None:
    """List recorded shows, or the stars, pieces, snapshots and gaps of one.

    A show is meant by its number, its name, or last.  The newest 200 shows and
    2 GB are kept, and shows with a name or a star longer than others.

    \b
    replank shows
    replank shows last
    replank shows "Open Night" --json
    """
    with opened(state_dir, database) as archive:
        if show is not None:
            _one(archive, find(archive, show), as_json)
            return
        shows = archive.shows()
        if as_json:
            click.echo(json.dumps([plain(row) for row in shows]))
        elif not shows:
            click.echo("no show has been recorded yet")
        else:
            _table([HEAD, *(_row(row) for row in shows)])


def plain(show: Show) -> dict[str, Any]:
    """Return a show as JSON has it; times in seconds, `began` of the Unix epoch."""
    return {
        "show": show.id, "name": show.name, "began": show.began / 1e9, "seconds": (show.last - show.base) / 1e9,
        "closed": show.closed == 1, "cycles": show.cycle, "mutations": show.mutations, "stars": show.stars,
        "gaps": show.gaps, "inputs": show.inputs, "outputs": show.outputs, "seed": show.seed,
        "engine": show.engine, "program": show.program, "instance": show.instance,
    }  # fmt: skip


def _row(show: Show) -> tuple[str, ...]:
    began = time.strftime("%Y-%m-%d %H:%M", time.localtime(show.began / 1e9))
    length = seconds_text(show.last - show.base) + ("" if show.closed == 1 else " …")
    numbers = (show.cycle, show.mutations, show.stars, show.gaps)
    return (str(show.id), began, length, *map(str, numbers), plain_text(show.name))


def _table(rows: list[tuple[str, ...]]) -> None:
    widths = [max(len(row[n]) for row in rows) for n in range(len(HEAD))]
    for row in rows:
        cells = [cell.ljust(width) if n in (1, 2, 7) else cell.rjust(width)
                 for n, (cell, width) in enumerate(zip(row, widths, strict=True))]  # fmt: skip
        click.echo("  ".join(cells).rstrip())


def _one(archive: Archive, show: Show, as_json: bool) -> None:
    kinds = (schema.STAR, schema.PIECE, schema.SNAPSHOT, schema.GAP)
    marks = archive.marks(show, *kinds)
    if as_json:
        rows = [{"kind": mark.kind, "seconds": (mark.now - show.base) / 1e9, "cycle": mark.cycle, "text": mark.text}
                for mark in marks]  # fmt: skip
        click.echo(json.dumps({**plain(show), "marks": rows}))
        return
    began = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(show.began / 1e9))
    numbers = counted(cycle=show.cycle, mutation=show.mutations)
    click.echo(f"{title(show)}: began {began}, {seconds_text(show.last - show.base)}, {numbers}, "
               f"engine {show.engine}, seed {show.seed}")  # fmt: skip
    if show.closed != 1:
        click.echo("it has no end: it is being played now, or it was cut off")
    for mark in marks:
        click.echo(_words(mark, show))


def _words(mark: Mark, show: Show) -> str:
    cycle = f"cycle {mark.cycle}" if mark.cycle else "at start"
    return f"{clock_text(max(mark.now - show.base, 0))}  {cycle:<11} {mark.kind:<9} {plain_text(mark.text)}"
