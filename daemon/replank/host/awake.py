"""Sleep of the machine: noticed on waking, and kept away where the platform allows it.

A suspended machine sends no note-offs, so what sounded goes on sounding at the
receivers, and clocks pass unheard.  The monotonic clock stands still meanwhile;
another clock counts on, and the difference of both grows by the time slept.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import sys
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from replank.performer.events import Slept

if TYPE_CHECKING:
    from replank.host.app import Host

LOOK_SECONDS = 0.5
LEAST_NS = 1_000_000_000
"""Shorter differences are the clocks' own; no machine suspends and wakes within a second."""
MOST_APART_NS = 100_000_000
"""Readings of both clocks further apart than this are not compared."""
BEGIN_SECONDS = 3.0
"""After the start, when nothing competes with it any more."""
TRY_SECONDS = 2.0
"""An inhibitor that lives so long has got what it asked for."""

Clocks = Callable[[], tuple[int, int] | None]


def read_clocks() -> tuple[int, int] | None:
    """Return (ns with sleep counted, ns without); None where this system has no such pair, or was interrupted.

    Linux: CLOCK_BOOTTIME is CLOCK_MONOTONIC plus the time suspended
    (clock_gettime(2)).  macOS: CLOCK_MONOTONIC goes on during sleep, the clock
    behind `time.monotonic` (mach_absolute_time) does not.
    """
    number = getattr(time, "CLOCK_BOOTTIME", None)
    if number is None and sys.platform == "darwin":
        number = time.CLOCK_MONOTONIC
    if number is None:
        return None
    before = time.monotonic_ns()
    counted = time.clock_gettime_ns(number)
    after = time.monotonic_ns()
    return (counted, before) if after - before < MOST_APART_NS else None


class SleepWatch:
    """Tells how long the machine slept.

    Args:
        clocks: Returns (ns with sleep counted, ns without), or None.
    """

    def __init__(self, clocks: Clocks = read_clocks) -> None:
        self._clocks = clocks
        self._apart: int | None = None

    def look(self) -> int:
        """Return the nanoseconds slept since the last look; 0 for less than a second."""
        read = self._clocks()
        if read is None:
            return 0
        apart = read[0] - read[1]
        slept = apart - self._apart if self._apart is not None else 0
        self._apart = apart
        return slept if slept >= LEAST_NS else 0


def inhibitor(platform: str, which: Callable[[str], str | None], environ: Mapping[str, str]) -> list[str]:
    """Return the command that holds idle suspend off as long as its standard input is open; empty without one.

    Args:
        platform: As `sys.platform`.
        which: Finds a program, as `shutil.which`.
        environ: REPLANK_MAY_SLEEP=1 leaves the machine alone.
    """
    if environ.get("REPLANK_MAY_SLEEP") == "1":
        return []
    if platform == "linux" and which("systemd-inhibit"):
        words = ["--what=idle", "--who=replank", "--why=a line is being played", "--mode=block"]
        return ["systemd-inhibit", *words, "cat"]
    if platform == "darwin" and which("caffeinate"):
        return ["caffeinate", "-d", "-i", "cat"]  # -d: the display, -i: idle sleep
    return []


class Awake:
    """The host's watch over sleep.

    Args:
        host: Whose player is told.

    Attributes:
        text: In words, what keeps the machine awake.
    """

    def __init__(self, host: Host) -> None:
        self._host = host
        self._watch = SleepWatch()
        self.text = "not asked yet"

    async def run(self) -> None:
        """Watch for ever."""
        holding = asyncio.create_task(self._hold_off())
        try:
            while True:
                self._look()
                await asyncio.sleep(LOOK_SECONDS)
        finally:
            holding.cancel()

    def _look(self) -> None:
        slept = self._watch.look()
        if slept and self._host.playing:
            with contextlib.suppress(BufferError):
                self._host.link.command(Slept(slept))

    async def _hold_off(self) -> None:
        """Keep idle suspend and blanking away as long as this process lives."""
        command = inhibitor(sys.platform, shutil.which, os.environ)
        if not command:
            self.text = "nothing here keeps this machine awake; switch its automatic suspend off for the show"
            return
        await asyncio.sleep(BEGIN_SECONDS)
        try:
            holding = await asyncio.create_subprocess_exec(
                *command, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.DEVNULL, start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            self.text = f"{command[0]}: {error.strerror}; switch automatic suspend off for the show"
            return
        try:
            await asyncio.wait_for(holding.wait(), TRY_SECONDS)
            self.text = f"{command[0]} was refused; switch automatic suspend off for the show"
        except TimeoutError:
            self.text = f"idle suspend is held off ({command[0]})"
            await holding.wait()  # its standard input closes with this process
            self.text = f"{command[0]} has ended; this machine may suspend when idle"
        self._host.notice("power", text=self.text)
