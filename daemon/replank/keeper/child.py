"""One process that the keeper started, with its heartbeat and its pace of restarts."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import BinaryIO

QUICK_RESTARTS = 5
"""Restarts within `QUICK_SECONDS` before the keeper takes a breath between them."""
QUICK_SECONDS = 10.0
BREATH_SECONDS = 1.0


def start_python(
    module: str, args: Iterable[str], fds: Iterable[int], log: Path, extra: Mapping[str, str] | None = None
) -> subprocess.Popen[bytes]:
    """Start ``python -m module`` in a session of its own, with `fds` inherited and output in the log.

    A log that cannot be written (a full or read-only disk) is done without: the line matters more.
    """
    environ = {**os.environ, "JACK_NO_START_SERVER": "1", "PYTHONUNBUFFERED": "1", **(extra or {})}
    with _opened(log) as output:
        return subprocess.Popen(
            [sys.executable, "-m", module, *args],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            pass_fds=tuple(fds),
            start_new_session=True,
            env=environ,
        )


def _opened(log: Path) -> BinaryIO:
    try:
        return log.open("ab")
    except OSError:
        return Path(os.devnull).open("ab")


class Pulse:
    """A heartbeat read from a pipe, judged fairly: after reading it, and not by a judge who slept.

    Args:
        fd: The pipe's read end, non-blocking from now on.
        limit: Seconds of silence after which the process counts as hung.
    """

    def __init__(self, fd: int, limit: float) -> None:
        os.set_blocking(fd, False)
        self.fd = fd
        self.limit = limit
        self.last = time.monotonic()
        self._looked = self.last

    def grant(self, seconds: float) -> None:
        """Let the silence begin only so many seconds from now."""
        self.last = time.monotonic() + seconds

    def is_silent(self) -> bool:
        """Read what there is; True if there was nothing for longer than the limit."""
        try:
            heard = bool(os.read(self.fd, 65536))
        except BlockingIOError:
            heard = False
        now = time.monotonic()
        overslept = now - self._looked > self.limit / 2
        self._looked = now
        if heard or overslept:  # a keeper that was held up gives a new term
            self.last = max(self.last, now)
        return now - self.last > self.limit


class Pace:
    """When a process may be started again: at once, unless it dies again and again."""

    def __init__(self) -> None:
        self._starts: list[float] = []

    def wait(self) -> float:
        """Count a start and return the seconds to wait before it."""
        now = time.monotonic()
        self._starts = [at for at in self._starts if now - at < QUICK_SECONDS]
        self._starts.append(now)
        return BREATH_SECONDS if len(self._starts) > QUICK_RESTARTS else 0.0
