"""`replank demo`: the whole thing without any hardware."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

import click

from replank.cli.exits import ABSENT, Fail
from replank.cli.numbers import MOST_SEED, SEED_METAVAR, Number, Whole
from replank.cli.options import values_option
from replank.cli.play import claimed, host_facts
from replank.cli.render import check_places
from replank.cli.rows import Cell, cycle_rows, wants_colour
from replank.control.notices import counted
from replank.host.client import Client, NoDaemon
from replank.host.feed import show_path
from replank.host.shows.exporting import export
from replank.host.shows.packing import Damaged
from replank.host.shows.reading import Archive
from replank.host.shows.store import Unusable
from replank.host.starting import choose_api
from replank.midi.bay import NoSystem
from replank.midi.files import write_score
from replank.midi.jack import JackBay

READY_SECONDS = 60.0
SECONDS = 60


@click.command()
@click.option("--headless", is_flag=True, help="Print the line cycle by cycle instead of opening the dashboard.")
@click.option("--seconds", type=Whole(5, 3600), help=f"How long.  [default: {SECONDS} where headless]")
@click.option("--tempo", type=Number(20, 400), default=96.0, show_default=True, help="Of the practice clock.")
@click.option("--drift", default="3%", show_default=True, help="How far the drummer wavers.")
@click.option("--dropout", default="1/min", show_default=True, help="How often the cable fails.")
@click.option("--seed", type=Whole(1, MOST_SEED, SEED_METAVAR), help="Seed of all chance; a new one if not given.")
@values_option
@click.option(
    "--api", type=click.Choice(("auto", "jack", "alsa", "coremidi", "none")), default="auto", help="MIDI system."
)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="MIDI file to write at the end.")
def command(
    headless: bool,
    seconds: int | None,
    tempo: float,
    drift: str,
    dropout: str,
    seed: int | None,
    words: tuple[str, ...],
    api: str,
    out: Path | None,
) -> None:
    """Play and watch without any hardware.

    A practice clock plays the drummer: Start, a tempo that wavers, drop-outs,
    Stop and Start again.  Where a MIDI system runs, ports are opened too, and
    a synth can be patched to the one called out.  At the end a MIDI file of
    what was heard is written.

    \b
    replank demo
    replank demo --headless --seconds 30
    replank demo -p scale=dorian -p length=12 --seed 7
    """
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _ended)
    check_places(out or Path("replank-demo.mid"))
    chosen = api if api != "auto" else choose_api("auto", _jack_answers) or "none"
    folder = Path(tempfile.mkdtemp(prefix="replank-demo-"))
    try:
        facts = host_facts(
            api=chosen, clock="practice", tempo=tempo, drift=drift, dropout=dropout, state_dir=folder,
            instance=f"demo-{os.getpid()}", words=words, seed=seed, own_files=False,
        )  # fmt: skip
        with running(facts) as ready:
            if headless or not sys.stdout.isatty():
                _show(Path(facts["socket"]), ready, seconds or SECONDS)
            else:
                _watch(Path(facts["socket"]), seconds)
        _write(folder, out or _free_name(Path("replank-demo.mid")))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    click.echo("Next: patch a synth to it and a drum machine's clock into it with `replank play`; `replank ports` says "
               "what there is, `replank init` writes a rig to begin with.")  # fmt: skip


def _ended(number: int, _: FrameType | None) -> NoReturn:
    """End in order, the daemon first: it is in a session of its own, where a closed terminal does not reach it."""
    raise SystemExit(128 + number)


def _jack_answers() -> bool:
    try:
        JackBay("replank-look").close()
    except NoSystem:
        return False
    return True


@contextmanager
def running(facts: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Let a daemon run; give what it said when it was ready, and end it in the end.

    Raises:
        Fail: It did not get ready.
    """
    with claimed(facts, as_json=True) as (arguments, fds):
        keeper = subprocess.Popen(
            arguments, pass_fds=fds, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, start_new_session=True
        )
    try:
        assert keeper.stdout is not None
        line = keeper.stdout.readline()
        if not line:
            raise Fail("the demo did not get going; the lines above say why", ABSENT)
        yield json.loads(line)
    finally:
        keeper.send_signal(signal.SIGTERM)
        try:
            keeper.wait(15)
        except subprocess.TimeoutExpired:
            keeper.kill()
            keeper.wait()
        assert keeper.stdout is not None
        keeper.stdout.close()


def _watch(socket: Path, seconds: int | None) -> None:
    from replank.cli.watch import open_dashboard

    if seconds is not None:
        signal.signal(signal.SIGALRM, lambda *_: os.kill(os.getpid(), signal.SIGINT))
        signal.alarm(seconds)
    open_dashboard(socket)
    signal.alarm(0)


def _show(socket: Path, ready: dict[str, Any], seconds: int) -> None:
    """Print what happens until the time is over or Ctrl-C."""
    shown = ", ".join(f"{name} {port}" for name, port in ready["ports"].items() if port)
    click.echo(f"ports: {shown}" if shown else "no MIDI system is running here: the demo plays without ports")
    end = time.monotonic() + seconds
    try:
        with Client(socket, timeout=0.5) as client:
            client.ask("subscribe", levels=["step", "event", "warn", "error"], state=False)
            state = client.ask("state")["state"]["performer"]
            printer = Printer(state, sys.stdout.isatty())
            while time.monotonic() < end:
                try:
                    for line in client.lines():
                        for row in printer.take(line):
                            click.echo(row)
                        if time.monotonic() >= end:
                            break
                    else:
                        raise Fail("the daemon ended by itself", ABSENT)
                except TimeoutError:
                    continue
    except NoDaemon as error:
        raise Fail(str(error), ABSENT) from None
    except KeyboardInterrupt:
        click.echo()


class Printer:
    """Turns notices into rows.

    Args:
        view: The performer's state when it began.
        is_terminal: Whether rows go to a terminal.
    """

    def __init__(self, view: dict[str, Any], is_terminal: bool) -> None:
        line = view["line"]
        self._low, self._high, self._middle_c = line["low"], line["high"], view["middle_c"]
        self._length = line["length"]
        self._in_colour = wants_colour(is_terminal)
        self._cells: dict[int, Cell] = {}
        self._changed: set[int] = set()
        self._cycle = 0

    def take(self, line: dict[str, Any]) -> list[str]:
        """Return the rows that one line of the socket brings."""
        kind, data = line.get("notice"), line.get("data", {})
        if kind == "step":
            rows = self.flush() if data["index"] in self._cells or data["cycle"] != self._cycle else []
            self._cycle = data["cycle"]
            self._length = max(self._length, data["index"])
            is_changed = data["index"] in self._changed
            self._cells[data["index"]] = Cell(data["note"], bool(data["accent"]), is_changed)
            self._changed.discard(data["index"])
            return rows
        if kind == "mutation":
            self._changed.add(data["index"])
            return [*self.flush(), f"    {line['text']}"]
        if kind == "parameter" and data.get("name") == "length":
            self._length = int(data["value"])
        if kind in ("clock", "phase", "transport", "panic", "player", "host", "gap"):
            return [*self.flush(), f"    {line['text']}"]
        return []

    def flush(self) -> list[str]:
        """Return the cycle that was collected."""
        cells, self._cells = self._cells, {}
        if not cells:
            return []
        row = [cells.get(index, Cell(-1)) for index in range(1, self._length + 1)]
        width = shutil.get_terminal_size((80, 24)).columns
        return cycle_rows(
            row, f"cycle {self._cycle:3}", self._low, self._high, in_colour=self._in_colour, width=width,
            middle_c=self._middle_c,
        )  # fmt: skip


def _write(folder: Path, out: Path) -> None:
    """Write the MIDI file of what was heard."""
    try:
        with Archive(show_path(folder)) as archive:
            show = archive.find("last")
            made = export(archive, show, show.base, archive.last_time(show))
        size = write_score(out, made.score)
    except (Unusable, Damaged, FileNotFoundError, ValueError) as error:
        raise Fail(f"no MIDI file could be written: {error}") from None
    except OSError as error:
        raise Fail(f"cannot write {out}: {error.strerror or error}") from None
    click.echo(f"{out}: {counted(note=made.notes, marker=made.markers)}, {size} bytes")


def _free_name(wanted: Path) -> Path:
    """Return the name, or one with a number where that is taken."""
    number, found = 1, wanted
    while found.exists():
        number += 1
        found = wanted.with_stem(f"{wanted.stem}-{number}")
    return found
