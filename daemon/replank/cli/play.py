"""`replank play`: the headless daemon."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

import click

from replank.cli.daemons import socket_of
from replank.cli.exits import Fail
from replank.cli.options import options, prepare, rig_option, seed_option, set_option, tempo_option, values_option
from replank.host import paths
from replank.keeper.claim import Taken, claim

APIS = ("auto", "jack", "alsa", "coremidi", "none")
CLOCKS = ("external", "internal", "practice")
_RATE = re.compile(r"(\d+(?:\.\d+)?)(?:/min)?")
_PERCENT = re.compile(r"(\d+(?:\.\d+)?) ?%?")


def read_drift(text: str) -> float:
    """Return the share of ``3%`` or ``3``.

    Raises:
        Fail: Not 0 to 50 %.
    """
    found = _PERCENT.fullmatch(text.strip())
    if found is None or not 0 <= float(found[1]) <= 50:
        raise Fail(f"--drift {text}: write 0% to 50%, such as 3%")
    return float(found[1]) / 100


def read_dropout(text: str) -> float:
    """Return the drop-outs a minute of ``1/min`` or ``0.5/min``.

    Raises:
        Fail: Not 0 to 10 a minute.
    """
    found = _RATE.fullmatch(text.strip())
    if found is None or not 0 <= float(found[1]) <= 10:
        raise Fail(f"--dropout {text}: write 0/min to 10/min, such as 1/min")
    return float(found[1])


def host_facts(
    *,
    api: str = "auto",
    clock: str | None = None,
    tempo: float | None = None,
    drift: str | None = None,
    dropout: str | None = None,
    rig: Path | None = None,
    set_file: Path | None = None,
    state_dir: Path | None = None,
    instance: str = paths.DEFAULT_INSTANCE,
    words: tuple[str, ...] = (),
    seed: int | None = None,
    fresh: bool = False,
    resume: bool = False,
    own_files: bool = True,
) -> dict[str, Any]:
    """Return what the host is told, with files read and every word checked.

    Raises:
        Fail: Anything is wrong.
    """
    socket = socket_of(instance)
    facts: dict[str, Any] = {
        "api": api,
        "clock": clock,
        "rig": _found(rig, paths.default_rig() if own_files else None),
        "set": _found(set_file, paths.default_set() if own_files else None),
        "values": {},
        "seed": seed or 0,
        "fresh": fresh,
        "resume": resume,
        "instance": instance,
        "state_dir": str((state_dir or paths.state_dir()).resolve()),
        "socket": str(socket),
        "practice": None,
    }
    prepared = prepare(facts["rig"], facts["set"], words, clock=clock, tempo=tempo)
    setup, facts["values"] = prepared.setup, prepared.given
    practice = {"drift": read_drift(drift or "0%"), "dropouts": read_dropout(dropout or "0/min")}
    if setup.clock.source != "practice" and (drift or dropout):
        raise Fail(f"{'--drift' if drift else '--dropout'} belongs to the practice clock: --clock practice")
    if setup.clock.source == "practice":
        facts["practice"] = {
            "tempo": float(prepared.values(1 if prepared.pieces else 0)["tempo"]),
            **practice,
            "seed": seed or 0,
        }
    return facts


def _found(given: Path | None, default: Path | None) -> str | None:
    if given is not None:
        return str(given.resolve())
    return str(default) if default is not None and default.is_file() else None


@contextmanager
def claimed(facts: dict[str, Any], as_json: bool) -> Iterator[tuple[list[str], tuple[int, int]]]:
    """Claim the instance; give the keeper's command line and the descriptors that it inherits.

    Both descriptors are closed here afterwards: the keeper has its own.

    Raises:
        Fail: The instance is taken, or a folder cannot be used.
    """
    state_dir, instance = Path(facts["state_dir"]), facts["instance"]
    try:
        state_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not os.access(state_dir, os.W_OK | os.X_OK):  # the show goes on; nothing of it is kept
            text = f"state folder {state_dir} may not be written: nothing is kept; name another: --state-dir DIR"
            click.echo(f"replank: {text}", err=True)
    except OSError as error:
        raise Fail(
            f"state folder {state_dir} cannot be made: {error.strerror}; name another: --state-dir DIR"
        ) from None
    try:
        held = claim(Path(facts["socket"]), instance)
    except (Taken, paths.UnsafeFolder) as error:
        raise Fail(str(error)) from None
    except OSError as error:
        raise Fail(f"{error.filename or facts['socket']}: {error.strerror}") from None
    config = {
        "socket": str(held.socket),
        "lock": str(held.lock),
        "listen_fd": held.listen_fd,
        "lock_fd": held.lock_fd,
        "log": str(state_dir / f"{instance}.log"),
        "instance": instance,
        "json": as_json,
        "host": facts,
    }
    try:
        yield [sys.executable, "-m", "replank.keeper", json.dumps(config)], (held.listen_fd, held.lock_fd)
    finally:
        os.close(held.listen_fd)
        os.close(held.lock_fd)


def keep(facts: dict[str, Any], as_json: bool) -> NoReturn:
    """Claim the instance and become its keeper; this process's memory holds nothing else then."""
    with claimed(facts, as_json) as (arguments, fds):
        for fd in fds:
            os.set_inheritable(fd, True)
        sys.stdout.flush()
        os.execv(sys.executable, arguments)


@click.command()
@click.option("--api", type=click.Choice(APIS), default="auto", show_default=True, help="MIDI system.")
@click.option("--clock", type=click.Choice(CLOCKS), help="Where the clock comes from.  [default: as the rig says]")
@tempo_option
@click.option("--drift", metavar="PERCENT", help="How far the practice clock wavers, such as 3%.")
@click.option("--dropout", metavar="N/min", help="How often the practice clock fails, such as 1/min.")
@options(rig_option, set_option)
@click.option("--state-dir", type=click.Path(path_type=Path, file_okay=False), help="Folder of shows and patching.")
@click.option("--instance", default=paths.DEFAULT_INSTANCE, show_default=True, help="Name, where several play at once.")
@options(values_option, seed_option)
@click.option("--fresh", is_flag=True, help="Begin anew: no line, snapshots or pieces of the last show.")
@click.option("--resume", is_flag=True, help="Let the last show's line go on, also if that show ended in order.")
@click.option("--json", "as_json", is_flag=True, help="Say what is ready as one JSON line.")
def command(as_json: bool, **given: Any) -> None:
    """Play: the headless daemon.  It goes on until Ctrl-C or SIGTERM.

    When the ports are open it says so in one line.  A cable that is out, a
    clock that does not come, a MIDI system that is not there yet: it waits
    and goes on when they come.  Nothing sounds before Start: of its own clock
    (--clock internal) that is:  replank send start

    \b
    replank play
    replank play --rig rig.yaml --set set.yaml
    replank play --clock internal --tempo 96 -p scale=dorian
    replank play --clock practice --drift 3% --dropout 1/min
    """
    keep(host_facts(**given), as_json)
