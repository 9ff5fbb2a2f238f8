"""`replank init`: write a first rig and set."""

from __future__ import annotations

from pathlib import Path

import click

from replank.cli.exits import Fail
from replank.host.files.templates import rig_template, set_template
from replank.host.paths import config_dir
from replank.whole_file import write_whole


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
def command(folder: Path | None) -> None:
    """Write a first rig.yaml and set.yaml into FOLDER, every key explained.

    Without FOLDER they go where `replank play` looks for them (`replank where`
    says where that is).  Files that are there are never overwritten.

    \b
    replank init
    replank init tonight
    """
    where = folder or config_dir()
    files = {where / "rig.yaml": rig_template(), where / "set.yaml": set_template()}
    there = [str(path) for path in files if path.exists() or path.is_symlink()]
    if there:
        raise Fail(f"{' and '.join(there)} would be overwritten; move what is there away, or name another folder")
    try:
        where.mkdir(parents=True, exist_ok=True)
        for path, text in files.items():
            write_whole(path, text.encode())
            click.echo(f"wrote {path}")
    except (FileExistsError, NotADirectoryError):
        raise Fail(f"{where} cannot be made: there is a file where a folder should be; name another") from None
    except OSError as error:
        raise Fail(f"{error.filename or where} cannot be written: {error.strerror}; name another folder") from None
    rig, pieces = files
    click.echo(f"next: edit them, then  replank check {rig} {pieces}")
