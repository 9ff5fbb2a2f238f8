"""`replank export`: a recorded show as a MIDI file, or one of its lines as a piece for tonight."""

from __future__ import annotations

import json
from pathlib import Path

import click

from replank.cli.archives import database_option, find, opened, read_time, title
from replank.cli.exits import Fail
from replank.cli.numbers import Whole
from replank.control.notices import counted
from replank.control.setup import Setup, from_plain
from replank.host.files.mistakes import plain_text
from replank.host.shows.exporting import export, piece_text, state_at
from replank.host.shows.lasting import kept_at
from replank.host.shows.reading import Archive, Show, seconds_text
from replank.midi.files import write_score
from replank.whole_file import write_whole


@click.command(no_args_is_help=True)
@click.argument("show")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="File to write.  [default: show-N.mid]")
@click.option("--from", "begin", metavar="TIME", help="Begin of the part, within the show: 90, 1:30, 1:02:03.")
@click.option("--to", "end", metavar="TIME", help="End of the part.")
@click.option("--cycle", type=Whole(1), help="Instead: the line of this cycle, as a set with one piece.")
@database_option
@click.option("--json", "as_json", is_flag=True, help="Say what was written as one JSON line.")
def command(show: str, out: Path | None, begin: str | None, end: str | None, cycle: int | None,
            state_dir: Path | None, database: Path | None, as_json: bool) -> None:  # fmt: skip
    """Write a recorded show to a Standard MIDI File.

    Its tempo map is the clock as it was received: uneven clocks and pulses
    land where they were.  Mutations, pieces, snapshots, stars and gaps are
    markers.  The file is written whole or not at all.

    \b
    replank export last
    replank export "Open Night" --out open-night.mid
    replank export 3 --from 12:30 --to 15:00 --out encore.mid
    replank export 3 --cycle 88 --out tonight.yaml
    """
    if cycle is not None and (begin is not None or end is not None):
        raise Fail("--cycle is one line of a show; --from and --to are for the MIDI file of a part")
    if out is not None and (out.suffix.lower() in (".yaml", ".yml")) != (cycle is not None):
        what = "a MIDI file is written; --cycle N writes a line as a set" if cycle is None else "a set is written"
        raise Fail(f"--out {out}: {what}: name it {out.with_suffix('.mid' if cycle is None else '.yaml')}")
    with opened(state_dir, database) as archive:
        row = find(archive, show)
        if cycle is not None:
            _write_piece(archive, row, cycle, out or Path(f"show-{row.id}-cycle-{cycle}.yaml"), as_json)
            return
        _write_part(archive, row, begin, end, out or Path(f"show-{row.id}.mid"), as_json)


def _write_part(archive: Archive, show: Show, begin: str | None, end: str | None, out: Path, as_json: bool) -> None:
    start = show.base + (read_time("--from", begin) if begin is not None else 0)
    stop = show.base + read_time("--to", end) if end is not None else archive.last_time(show)
    length = seconds_text(max(archive.last_time(show), show.last) - show.base)
    if start >= max(archive.last_time(show), show.base + 1):
        raise Fail(f"--from {begin}: {title(show)} is {length} long" if begin else f"{title(show)} is empty")
    if stop <= start:
        raise Fail(f"--to {end}: that is not after --from {begin or 0}")
    made = export(archive, show, start, stop)
    try:
        size = write_score(out, made.score)
    except OSError as error:
        raise Fail(f"cannot write {out}: {error.strerror or error}") from None
    except ValueError as error:
        raise Fail(f"{out}: {error}") from None
    for damage in archive.damage:
        click.echo(f"replank: left out: a second of {damage.stream}: {damage.text}", err=True)
    if as_json:
        click.echo(json.dumps({"file": str(out), "bytes": size, "notes": made.notes, "markers": made.markers,
                               "clocks": made.clocks, "gaps": made.gaps, "seconds": (stop - start) / 1e9}))  # fmt: skip
        return
    map_words = f"tempo map of {made.clocks} clocks" if made.clocks else "no clock in it, so an even tempo"
    click.echo(f"{out}: {title(show)}, {seconds_text(stop - start)}, {counted(note=made.notes, marker=made.markers)}, "
               f"{map_words}" + (f", {counted(gap=made.gaps)}" if made.gaps else ""))  # fmt: skip


def _write_piece(archive: Archive, show: Show, cycle: int, out: Path, as_json: bool) -> None:
    kept = kept_at(archive, show, cycle)
    if kept is None:
        raise Fail(f"--cycle {cycle}: {title(show)} does not hold that cycle; it has {show.cycle}")
    setup: Setup = from_plain(state_at(archive, show, show.base)["setup"])
    name = f"{plain_text(show.name) or f'show {show.id}'}, cycle {cycle}"
    try:
        write_whole(out, piece_text(kept, setup, name).encode())
    except OSError as error:
        raise Fail(f"cannot write {out}: {error.strerror or error}") from None
    if as_json:
        click.echo(json.dumps({"file": str(out), "cycle": cycle, "steps": kept.form.length}))
    else:
        click.echo(f"{out}: a set with one piece, the {kept.form.length} steps of cycle {cycle}; "
                   f"play it with: replank play --set {out}")  # fmt: skip
