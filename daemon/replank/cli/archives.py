"""What the commands on recorded shows share: opening the database, finding a show, times."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from replank.cli.exits import ABSENT, Fail
from replank.host.files.mistakes import plain_text
from replank.host.shows.packing import Damaged
from replank.host.shows.reading import Archive, Show
from replank.host.shows.store import Unusable, default_path

_TIME = re.compile(r"(?:(?:(\d{1,3}):)?(\d{1,3}):)?(\d{1,6}(?:\.\d{1,9})?)")


def database_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option that names another database."""
    return click.option("--state-dir", type=click.Path(path_type=Path, file_okay=False),
                        help="Folder of shows, as given to play.")(
           click.option("--file", "database", type=click.Path(path_type=Path, dir_okay=False),
                        help="Show database, such as one that was set aside.")(command))  # fmt: skip


@contextmanager
def opened(state_dir: Path | None, database: Path | None) -> Iterator[Archive]:
    """Open the database, and turn what may be wrong with it into one clear line.

    Raises:
        Fail: No database (exit code 3), or one that cannot be read (2).
    """
    if state_dir is not None and database is not None:
        raise Fail("--state-dir and --file both name a database; give one of them")
    path = database or (state_dir / default_path().name if state_dir else default_path())
    try:
        with Archive(path) as archive:
            yield archive
    except FileNotFoundError:
        raise Fail(f"no show has been recorded yet: there is no {path}", ABSENT) from None
    except Unusable as error:
        raise Fail(str(error)) from None
    except Damaged as error:
        raise Fail(f"{path}: {error}") from None


def find(archive: Archive, word: str) -> Show:
    """Return the show that a person means.

    Raises:
        Fail: There is none such.
    """
    try:
        return archive.find(word)
    except ValueError as error:
        raise Fail(plain_text(str(error))) from None


def read_time(option: str, text: str) -> int:
    """Return the nanoseconds of a time within a show: ``90``, ``1:30``, ``1:02:03.5``.

    Raises:
        Fail: Not a time.
    """
    found = _TIME.fullmatch(text.strip())
    if found is None:
        raise Fail(f"{option} {text}: write seconds, m:ss or h:mm:ss, such as 1:02:03")
    hours, minutes, (whole, _, part) = int(found[1] or 0), int(found[2] or 0), found[3].partition(".")
    return (hours * 3600 + minutes * 60 + int(whole)) * 1_000_000_000 + int(part.ljust(9, "0"))


def title(show: Show) -> str:
    """Return what a show is called, without control characters."""
    return f"show {show.id}" + (f" ({plain_text(show.name)})" if show.name else "")
