"""On what, when and with what a measurement was made; and where it is written down."""

from __future__ import annotations

import os
import platform
import re
import subprocess
import time
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


def machine_line() -> str:
    """Return the machine in words."""
    model = "unknown processor"
    info = Path("/proc/cpuinfo")
    if info.exists():
        found = re.search(r"^(?:model name|Model)\s*:\s*(.+)$", info.read_text(), re.MULTILINE)
        model = " ".join(found[1].split()) if found else model
    kind = ", virtual" if info.exists() and "hypervisor" in info.read_text() else ""
    return f"{model}, {os.cpu_count()} cores{kind}; {platform.system()} {platform.release()}"


def software_line(packages: Iterable[str]) -> str:
    """Return interpreter and packages in words."""
    parts = [f"{platform.python_implementation()} {platform.python_version()}"]
    for name in packages:
        try:
            parts.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            pass
    return ", ".join(parts)


def commit() -> str:
    """Return the commit that is measured, with a mark where files differ from it; empty without git."""
    try:
        found = subprocess.run(
            ["git", "describe", "--always", "--dirty"], cwd=ROOT, capture_output=True, text=True, check=False
        )
    except OSError:
        return ""
    return found.stdout.strip()


def today() -> str:
    """Return the date."""
    return time.strftime("%Y-%m-%d")


def load() -> str:
    """Return the load average of the last minute in words."""
    return f"{os.getloadavg()[0]:.2f}"


class Steal:
    """How much time the hypervisor gave to others, from now on; figures of a machine that was robbed mean little."""

    def __init__(self) -> None:
        self._before = self._read()

    @staticmethod
    def _read() -> tuple[int, int]:
        fields = [int(word) for word in Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:]]
        return fields[7], sum(fields[:8])

    def percent(self) -> float:
        """Return it in per cent of all cores' time."""
        stolen, total = self._read()
        return 100 * (stolen - self._before[0]) / max(1, total - self._before[1])


def write_section(path: Path, name: str, text: str) -> None:
    """Put text between the two marks of a section, and leave the rest of the file alone.

    Raises:
        ValueError: The file has no such section.
    """
    begin, end = f"<!-- {name}: begin -->\n", f"<!-- {name}: end -->\n"
    whole = path.read_text()
    start, stop = whole.find(begin), whole.find(end)
    if start < 0 or stop < start:
        raise ValueError(f"{path}: it has no section between {begin.strip()!r} and {end.strip()!r}")
    path.write_text(whole[: start + len(begin)] + text + whole[stop:])
