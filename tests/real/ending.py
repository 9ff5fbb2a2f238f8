"""Processes that a test started, and what they started in turn: found by a folder of their environment, ended by id."""

import contextlib
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path


def started_with(folder: Path | str) -> Iterator[tuple[int, bytes]]:
    """Yield process ids and command lines of what lives and has this folder in its environment."""
    mine = os.fsencode(folder)
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes()
                environ = (entry / "environ").read_bytes()
            except OSError:
                continue
            if mine in environ:
                yield int(entry.name), words


def end_all(folder: Path | str) -> None:
    """Kill all of them; what is being started meanwhile too."""
    end = time.monotonic() + 20
    while (left := [pid for pid, _ in started_with(folder)]) and time.monotonic() < end:
        for pid in left:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        time.sleep(0.02)
    assert not left, f"cannot be ended: {left}"
