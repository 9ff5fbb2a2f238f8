"""Processes that a measurement starts and ends, by their ids only; and what they cost."""

from __future__ import annotations

import ctypes
import json
import os
import select
import signal
import subprocess
import time
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any

PR_SET_PDEATHSIG = 1
SERVER_SAYS = ("Jack", "ALSA", "Copyright", "jackd")
TICKS = os.sysconf("SC_CLK_TCK")


class Trouble(Exception):
    """Something needed is absent or failed; the message is for people."""


def end_with_parent() -> None:
    """In a new child: be ended by the kernel when whoever started it is killed (prctl(2))."""
    ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


class Children:
    """Everything that was started here and may still live; leaving the block ends it."""

    def __init__(self) -> None:
        self._alive: list[subprocess.Popen[str]] = []
        self._others: list[int] = []

    def __enter__(self) -> Children:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for child in reversed(self._alive.copy()):
            self.end(child)
        for pid in self._others:
            _kill(pid, signal.SIGKILL)

    def start(self, command: list[str], env: dict[str, str], log: Path, **options: Any) -> subprocess.Popen[str]:
        """Start a process in a session of its own, so that Ctrl-C reaches the measurement alone.

        Args:
            command: Program and arguments.
            env: Its environment.
            log: File that its errors are appended to.
            options: Further arguments of Popen; standard input and output are pipes otherwise.
        """
        with log.open("a") as errors:
            given: dict[str, Any] = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, **options}
            child = subprocess.Popen(
                command, env=env, stderr=given.pop("stderr", errors), text=True, start_new_session=True,
                preexec_fn=end_with_parent, **given,
            )  # fmt: skip
        self._alive.append(child)
        return child

    def answer_for(self, pids: Iterable[int]) -> None:
        """Take care of processes that a child of ours started, should it fail to end them."""
        self._others += pids

    def forget(self, pids: Iterable[int]) -> None:
        """These have ended; their ids may be others' now."""
        gone = set(pids)
        self._others = [pid for pid in self._others if pid not in gone]

    def end(self, child: subprocess.Popen[str], seconds: float = 10.0, by: int = signal.SIGTERM) -> None:
        """End a process and wait for it; SIGKILL where it does not."""
        if child.poll() is None:
            child.send_signal(by)
            child.send_signal(signal.SIGCONT)
        self.wait(child, seconds)

    def wait(self, child: subprocess.Popen[str], seconds: float = 10.0) -> None:
        """Wait for a process that was told to end; SIGKILL where it does not."""
        try:
            child.wait(seconds)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait(seconds)
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except BrokenPipeError:
                    pass  # it did not read the last of it
        if child in self._alive:
            self._alive.remove(child)


def _kill(pid: int, number: int) -> None:
    try:
        os.kill(pid, number)
    except ProcessLookupError:
        pass


def read_answer(child: subprocess.Popen[str], seconds: float, what: str, log: Path) -> dict[str, Any]:
    """Return the next JSON line that a process says.

    Raises:
        Trouble: It ended, or said nothing in time.
    """
    assert child.stdout is not None
    ready, _, _ = select.select([child.stdout], [], [], seconds)
    line = child.stdout.readline() if ready else ""
    if not line:
        how = f"ended with {child.poll()}" if child.poll() is not None else f"said nothing for {seconds:g} s"
        said = log.read_text(errors="replace").splitlines() if log.exists() else []
        tail = [line for line in said if not line.startswith(SERVER_SAYS)][-5:]
        raise Trouble("\n".join([f"{what} {how}", *tail]))
    answer = json.loads(line)
    if isinstance(answer, dict) and "error" in answer:
        raise Trouble(f"{what}: {answer['error']}")
    return answer if isinstance(answer, dict) else {}


class Usage:
    """What processes cost from now on.

    Args:
        pids: By the names that the costs are told under.
    """

    def __init__(self, pids: dict[str, int]) -> None:
        self._pids = pids
        self._began = time.monotonic()
        self._before = {name: cpu_seconds(pid) for name, pid in pids.items()}

    def read(self) -> dict[str, dict[str, float]]:
        """Return CPU in per cent of one core since the beginning, and private memory now in MB; nothing of the dead."""
        passed = time.monotonic() - self._began
        found = {}
        for name, pid in self._pids.items():
            try:
                seconds, memory = cpu_seconds(pid) - self._before[name], private_bytes(pid)
            except (FileNotFoundError, ProcessLookupError):
                continue  # the keeper has replaced it
            found[name] = {"cpu_percent": 100 * seconds / passed, "private_mb": memory / 1e6}
        return found


def cpu_seconds(pid: int) -> float:
    """Return the user and system time that a process's threads have used (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def private_bytes(pid: int) -> int:
    """Return the memory that a process shares with nobody (proc(5), smaps_rollup)."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(1024 * int(line.split()[1]) for line in lines if line.startswith(("Private_Clean", "Private_Dirty")))
