"""`replank check`: validate rig, set and profile files."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from replank.cli.exits import WRONG_INPUT
from replank.control.profiles import Profile
from replank.control.setup import Setup
from replank.host.files.drawing import draw_profile
from replank.host.files.kinds import Checked, check_file, default_files
from replank.host.files.mistakes import BadFile, plain_text
from replank.host.files.yaml_reader import read_yaml


@click.command(no_args_is_help=True)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.option("--draw", "draw", is_flag=True, help="Draw profiles: what is where on the box.")
@click.option("--quiet", "-q", is_flag=True, help="Say nothing about files that are good.")
def command(files: tuple[Path, ...], as_json: bool, draw: bool, quiet: bool) -> None:
    """Validate files; a folder stands for the .yaml files in it.

    A rig is read first, and sets and profiles in its light: its own scales and
    its name for note 60.  Each mistake is a line FILE:LINE:COLUMN: what is
    wrong; the exit code is then 2.  A good file is described in a few lines;
    voltages and cable times are computed from the rig, not measured.

    \b
    replank check rig.yaml set.yaml
    replank check profiles/
    replank check --draw profiles/eight-knobs-eight-buttons.yaml
    replank check --json rig.yaml
    """
    setup, results = Setup(), []
    for file in _rigs_first(_files(files)):
        try:
            result: Checked | BadFile = check_file(file, setup)
        except BadFile as error:
            result = error
        if isinstance(result, Checked):
            setup = result.setup
        results.append((file, result))
    if as_json:
        rows = [_plain(file, result) for file, result in results]
        click.echo(json.dumps({"ok": all(row["ok"] for row in rows), "files": rows}, indent=2))
    else:
        for _, result in results:
            _say(result, quiet)
            if draw and isinstance(result, Checked) and result.profile:
                click.echo()
                click.echo(draw_profile(Profile.from_plain(result.profile)))
    if any(isinstance(result, BadFile) for _, result in results):
        sys.exit(WRONG_INPUT)


def _files(given: tuple[Path, ...]) -> list[Path]:
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = default_files(path)
            if not inside:
                raise click.UsageError(f"{plain_text(str(path))} holds no .yaml file")
            found += inside
        else:
            found.append(path)
    return found


def _rigs_first(files: list[Path]) -> list[Path]:
    """Return the files with those that say they are rigs in front."""

    def is_later(path: Path) -> bool:
        try:
            return "rig" not in read_yaml(path).pairs
        except BadFile:
            return True

    return sorted(files, key=is_later)


def _say(result: Checked | BadFile, quiet: bool) -> None:
    if isinstance(result, BadFile):
        click.echo(str(result))
        return
    for mistake in result.advice:
        click.echo(f"{mistake} (allowed)", err=True)
    if not quiet:
        click.echo(f"{plain_text(result.file)}: a good {result.kind}")
        for line in result.summary:
            click.echo(f"  {plain_text(line)}")


def _plain(file: Path, result: Checked | BadFile) -> dict[str, Any]:
    if isinstance(result, BadFile):
        wrong = [{"file": m.file, "line": m.line, "column": m.column, "what": m.what} for m in result.mistakes]
        return {"file": str(file), "ok": False, "kind": None, "mistakes": wrong, "summary": [], "advice": []}
    advice = [{"line": m.line, "column": m.column, "what": m.what} for m in result.advice]
    return {
        "file": str(file), "ok": True, "kind": result.kind, "mistakes": [], "summary": result.summary, "advice": advice,
    }  # fmt: skip
