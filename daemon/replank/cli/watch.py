"""`replank watch`: the dashboard of a running daemon."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from replank.cli.daemons import socket_of
from replank.cli.exits import ABSENT, Fail
from replank.cli.numbers import Whole
from replank.host.paths import DEFAULT_INSTANCE


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--instance", default=DEFAULT_INSTANCE, show_default=True, help="Which daemon, where several play.")
@click.option("--socket", type=click.Path(path_type=Path), help="The daemon's socket, instead of the instance's.")
@click.option("--fps", type=Whole(1, 60), default=20, show_default=True,
              help="Pictures a second; fewer over a slow line.")  # fmt: skip
@click.option("--calm", is_flag=True, help="Opens without motion.")
@click.option("--light", is_flag=True, help="Opens on light ground.")
def command(instance: str, socket: Path | None, fps: int, calm: bool, light: bool) -> None:
    """Open the dashboard on a running daemon.

    Any number of dashboards may watch one daemon; closing one never stops the
    line.  Where no daemon runs it waits, and attaches when one comes.

    \b
    Examples:
      replank watch
      replank watch --instance rehearsal
      ssh stage replank watch --fps 10 --calm
    """
    path = socket or socket_of(instance)
    if not has_terminal():
        raise Fail("the dashboard needs a terminal; without one there is: replank status", ABSENT)
    open_dashboard(path, fps=fps, calm=calm, light=light)


def has_terminal() -> bool:
    """Return whether the dashboard can be drawn; it is written to standard error."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def open_dashboard(path: Path, *, fps: int = 20, calm: bool = False, light: bool = False) -> None:
    """Run the dashboard on a socket until it is closed, then say what plays on."""
    # Textual reads its own limit when it is imported
    os.environ.setdefault("TEXTUAL_FPS", str(max(fps, 20)))
    from replank.dashboard.app import Watch

    said = Watch(lambda: path, fps=fps, calm=calm, light=light).run()
    if said:
        click.echo(said)
