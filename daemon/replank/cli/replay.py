"""`replank replay`: perform a recorded show again, and compare."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterator
from pathlib import Path

import click

from replank import ENGINE
from replank.cli.archives import database_option, find, opened, title
from replank.cli.exits import ABSENT, CHECK_FAILED, Fail
from replank.cli.live import perform_live
from replank.cli.numbers import Number, Whole
from replank.control.notices import counted
from replank.host.shows.comparing import Difference, Report, check
from replank.host.shows.reading import Archive, Show, clock_text, seconds_text
from replank.host.shows.replaying import Played, perform, stretches
from replank.wire import is_note_on

APIS = ("auto", "alsa", "jack", "coremidi")


@click.command(no_args_is_help=True)
@click.argument("show")
@click.option("--check", "is_check", is_flag=True, help="Compare with what was sent; exit code 1 where it differs.")
@click.option("--live", is_flag=True, help="Perform it through MIDI ports of its own, in its own timing.")
@click.option("--from", "cycle", type=Whole(1), help="With --live: begin at this cycle.")
@click.option("--wait", type=Number(0, 600), default=5.0, show_default=True,
              help="With --live: seconds between opening the ports and the first note.")  # fmt: skip
@click.option("--api", type=click.Choice(APIS), default="auto", show_default=True, help="With --live: MIDI system.")
@database_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(show: str, is_check: bool, live: bool, cycle: int | None, wait: float, api: str,
            state_dir: Path | None, database: Path | None, as_json: bool) -> None:  # fmt: skip
    """Perform a recorded show again from its inputs.

    Offline it goes as fast as the machine can and says what was played; the
    digest is the same wherever the same show is replayed.  With --check, what
    is played is compared with what was sent, message by message, and the state
    with every one that was kept.

    \b
    replank replay last --check
    replank replay 3 --live
    replank replay "Open Night" --live --from 120
    """
    if is_check and live:
        raise Fail("--check compares at full speed, --live plays in the show's timing; give one of them")
    if cycle is not None and not live:
        raise Fail("--from goes with --live")
    with opened(state_dir, database) as archive:
        row = find(archive, show)
        if row.engine != ENGINE:
            raise Fail(f"{title(row)} was played by engine {row.engine}, this is engine {ENGINE}: its notes need the "
                       f"release that played it, {row.program}; export works with any release", ABSENT)  # fmt: skip
        if is_check:
            _check(archive, row, as_json)
        elif live:
            perform_live(archive, row, cycle or 0, wait, api)
        else:
            _offline(archive, row, as_json)


def _check(archive: Archive, show: Show, as_json: bool) -> None:
    report = check(archive, show)
    if as_json:
        click.echo(json.dumps({
            "show": show.id, "same": not report.total, "differences": report.total,
            "first": [difference._asdict() for difference in report.differences], "inputs": report.inputs,
            "messages": report.messages, "notes": report.notes, "states": report.states,
            "unkept": report.unkept, "stretches": report.stretches, "gaps": len(report.gaps),
        }))  # fmt: skip
    else:
        _say(report, show)
    if report.total:
        raise SystemExit(CHECK_FAILED)


def _say(report: Report, show: Show) -> None:
    for gap in report.gaps:
        click.echo(f"gap at {clock_text(max(gap.now - show.base, 0))}: {gap.text}")
    for difference in report.differences:
        click.echo(_words(difference, show))
    if report.total > len(report.differences):
        click.echo(f"and {report.total - len(report.differences)} more differences")
    done = counted(input=report.inputs, message=report.messages, note=report.notes, state=report.states) + " compared"
    if report.unkept:
        done += f"; {report.unkept} messages at a cut were on their way to the disk"
    verdict = "differs from its record" if report.total else "replays to the same notes"
    if not report.stretches:
        verdict = "holds no state to start from"
    click.echo(f"{title(show)} {verdict}: {done}")


def _words(difference: Difference, show: Show) -> str:
    where = clock_text(max(difference.now - show.base, 0))
    if difference.cycle:
        where += f", cycle {difference.cycle}, step {difference.step}"
    if difference.input >= 0:
        where += f", input {difference.input}"
    return f"{difference.kind} at {where}: {difference.text}"


def everything(archive: Archive, show: Show) -> Iterator[Played]:
    """Yield what the performer makes of a whole show."""
    for stretch in stretches(archive, show):
        yield from perform(archive, show, stretch)


def _offline(archive: Archive, show: Show, as_json: bool) -> None:
    began, digest = time.monotonic(), hashlib.sha256()
    notes = mutations = messages = 0
    for played in everything(archive, show):
        for output, data in played.messages:
            digest.update(bytes((output, len(data))) + data)
            messages += 1
            notes += is_note_on(data)
        mutations += sum(notice.kind == "mutation" for notice in played.notices)
    took = time.monotonic() - began
    if as_json:
        click.echo(json.dumps({"show": show.id, "messages": messages, "notes": notes, "mutations": mutations,
                               "seconds": (show.last - show.base) / 1e9, "took": round(took, 3),
                               "digest": digest.hexdigest()}))  # fmt: skip
        return
    click.echo(f"{title(show)}: {seconds_text(show.last - show.base)} replayed in {took:.1f} s, "
               f"{counted(note=notes, mutation=mutations)}, digest {digest.hexdigest()[:16]}")  # fmt: skip
