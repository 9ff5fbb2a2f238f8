"""Facts of the machine that decide whether a set can be played: priority, power, disk, JACK period.

Each function reads the system and says what it found in words; what cannot be
read on this system is said to be not measured, never guessed.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import NamedTuple

POWER = Path("/sys/class/power_supply")
CPUS = Path("/sys/devices/system/cpu")
LEAST_FREE = 512 * 1024 * 1024
"""Bytes of free disk below which a show should not begin."""
LOW_BATTERY = 40
"""Per cent below which a set should not begin without mains."""

LONGEST_PERIOD_MS = 3.0
"""A JACK period is the jitter of every message; above this it is heard."""

PASS, FAIL, UNKNOWN = "pass", "fail", "not measured"


class Fact(NamedTuple):
    """One thing that was looked at.

    Attributes:
        state: ``pass``, ``fail`` or ``not measured``.
        text: What was found.
        advice: What to do about a failure; empty otherwise.
    """

    state: str
    text: str
    advice: str = ""


class Period(NamedTuple):
    """A JACK server's period: `frames` at `rate` hertz."""

    frames: int
    rate: int

    @property
    def milliseconds(self) -> float:
        """Its length, and so the jitter that it forces: messages leave at its start only."""
        return self.frames * 1000.0 / self.rate


def jack_period(name: str = "replank-period") -> Period | None:
    """Ask the JACK server for its period; None where there is none.

    Opens a client without ports for a moment; must not be called in a process that plays.
    """
    try:
        import jack
    except (ImportError, OSError):  # OSError: the library of JACK itself is absent
        return None
    jack.set_error_function(lambda text: None)
    jack.set_info_function(lambda text: None)
    try:
        client = jack.Client(name, no_start_server=True)
    except jack.JackError:
        return None
    try:
        return Period(int(client.blocksize), int(client.samplerate))
    finally:
        client.close()


def scheduling(pid: int) -> Fact:
    """Return whether a process runs with raised priority."""
    getter = getattr(os, "sched_getscheduler", None)
    if getter is None:
        return Fact(UNKNOWN, "this system does not tell scheduling priorities")
    try:
        policy = getter(pid)
        if policy & ~getattr(os, "SCHED_RESET_ON_FORK", 0) in (os.SCHED_FIFO, os.SCHED_RR):
            kind = "SCHED_FIFO" if policy & os.SCHED_FIFO else "SCHED_RR"
            return Fact(PASS, f"player (process {pid}) runs {kind}, priority {os.sched_getparam(pid).sched_priority}")
        nice = os.getpriority(os.PRIO_PROCESS, pid)
    except ProcessLookupError:
        return Fact(FAIL, f"there is no process {pid}", "start the daemon again: replank play")
    except PermissionError:
        return Fact(UNKNOWN, f"this user may not look at process {pid}")
    return Fact(
        FAIL,
        f"player (process {pid}) runs at normal priority, nice {nice}: other programs can delay notes",
        "allow real-time priority: rtprio 95 for your group in /etc/security/limits.d, or LimitRTPRIO= in the service",
    )


def power(folder: Path = POWER) -> Fact:
    """Return whether the machine runs on mains, and how full its battery is.

    Args:
        folder: Where Linux lists supplies (sysfs, `Documentation/ABI/testing/sysfs-class-power`).
    """
    if not folder.is_dir():
        return Fact(UNKNOWN, "this system does not tell its power supply")
    mains: list[bool] = []
    batteries: list[tuple[int, str]] = []
    for supply in sorted(folder.iterdir()):
        kind = _line(supply / "type")
        if kind in ("Mains", "USB") and _line(supply / "online") in ("0", "1"):
            mains.append(_line(supply / "online") == "1")
        elif kind == "Battery" and _line(supply / "scope") != "Device":  # not the mouse's
            charge = _line(supply / "capacity")
            if charge.isdigit():
                batteries.append((int(charge), _line(supply / "status").lower()))
    if not batteries:
        return Fact(PASS, "mains: this machine has no battery")
    level = sum(found for found, _ in batteries) // len(batteries)
    is_fed = any(mains) or all(status in ("charging", "full", "not charging") for _, status in batteries)
    if is_fed:
        return Fact(PASS, f"on mains, battery {level} %")
    advice = "plug in the mains: batteries end, and many machines slow down on them"
    return Fact(FAIL if level < LOW_BATTERY else PASS, f"on battery, {level} %", advice if level < LOW_BATTERY else "")


def governor(folder: Path = CPUS) -> Fact:
    """Return how the processor chooses its speed."""
    found = {_line(path) for path in folder.glob("cpu[0-9]*/cpufreq/scaling_governor")} - {""}
    if not found:
        return Fact(UNKNOWN, "this system does not tell how its processor chooses its speed")
    words = ", ".join(sorted(found))
    if "powersave" in found and _line(folder / "cpu0/cpufreq/scaling_driver") not in ("intel_pstate", "amd-pstate-epp"):
        return Fact(FAIL, f"processor speed: {words}", "choose the performance governor for the evening")
    return Fact(PASS, f"processor speed: {words}")


def disk(folder: Path) -> Fact:
    """Return whether there is room for a show where shows are kept, or will be."""
    place = folder
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        free = shutil.disk_usage(place).free
    except OSError as error:
        return Fact(FAIL, f"{folder}: {error.strerror}", "choose another folder for shows (XDG_STATE_HOME)")
    text = f"{free / 1e9:.1f} GB free for shows in {folder}"
    if free < LEAST_FREE:
        return Fact(FAIL, text, "make room: a show takes some megabytes an hour, and other programs write too")
    if not os.access(place, os.W_OK):
        return Fact(FAIL, f"{folder} cannot be written", "choose another folder for shows (XDG_STATE_HOME)")
    return Fact(PASS, text)


def _line(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""
