"""`replank where`: which files and folders are used."""

from __future__ import annotations

import json
from pathlib import Path

import click

from replank.cli.daemons import socket_of
from replank.host import paths


@click.command()
@click.option("--instance", default=paths.DEFAULT_INSTANCE, show_default=True, help="Which running player is meant.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(instance: str, as_json: bool) -> None:
    """Say which files and folders are used, and which of them are there.

    XDG_CONFIG_HOME, XDG_STATE_HOME and XDG_RUNTIME_DIR move them; a relative
    path in one of those is invalid by their specification and is ignored.

    \b
    replank where
    replank where --json
    """
    socket = socket_of(instance)
    rows: dict[str, tuple[Path, str]] = {
        "rig": (paths.default_rig(), "what is plugged in, where play is given none"),
        "set": (paths.default_set(), "the pieces, where play is given none"),
        "profiles": (paths.config_dir() / "profiles", "knob boxes of your own"),
        "shipped_profiles": (paths.shipped_profiles(), "knob boxes that come with the program"),
        "state": (paths.state_dir(), "shows, snapshots, patching"),
        "socket": (socket, "where a running player is asked and told"),
    }
    if as_json:
        plain = {name: {"path": str(path), "exists": path.exists()} for name, (path, _) in rows.items()}
        click.echo(json.dumps(plain, indent=2))
        return
    width = max(len(name) for name in rows)
    for name, (path, what) in rows.items():
        there = "" if path.exists() else " (not there)"
        click.echo(f"{name.replace('_', ' '):<{width}}  {path}{there}")
        click.echo(f"{'':<{width}}    {what}")
