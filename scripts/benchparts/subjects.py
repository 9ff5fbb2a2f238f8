"""What is measured: the daemon as people start it, a bare Python echo, a C++ echo, an idle process."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import select
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from pathlib import Path
from typing import Any, Protocol

from .arithmetic import percentile
from .children import Trouble, cpu_seconds, read_answer
from .stage import HERE, ROOT, Stage

REPLANK = [sys.executable, "-c", "from replank.cli.main import main; main()"]
NOTE_PER_CLOCK = ("division=1c", "rest_chance=0", "slide_chance=0", "length=64")
"""Every clock is a step and every step is struck, so that each clock has an answer."""
KNOB_PARAMETERS = (
    "mutation_chance", "homing", "accent_chance", "velocity_spread",
    "gate", "leap", "velocity_centre", "accent_velocity",
)  # fmt: skip
"""What the storm's knobs move: nothing that makes a step silent."""
FIRST_CC = 20
DASHBOARDS = 3


class Subject(Protocol):
    """Something that answers a clock.

    Attributes:
        clock, out: Full names of its ports.
        knobs: Full name of its knob port, or None.
        pids: Its processes by name.
    """

    pids: dict[str, int]

    @property
    def clock(self) -> str: ...
    @property
    def out(self) -> str: ...
    @property
    def knobs(self) -> str | None: ...

    def finish(self) -> dict[str, Any]:
        """Say, after a block, what it knows of it: ``service_us`` (p50, p99 and max of its last second), and counts."""
        ...

    def close(self) -> None:
        """End it."""
        ...


class Daemon:
    """`replank play`, with folders of its own.

    Args:
        stage: Where it plays.
        seed: Of its chance.
        dashboards: How many `replank watch` are attached; the last of them is stopped (SIGSTOP).
    """

    def __init__(self, stage: Stage, seed: int, dashboards: int = 0) -> None:
        self._stage = stage
        folder = Path(tempfile.mkdtemp(prefix="daemon", dir=stage.folder))  # it remembers patches
        self._env = {
            **stage.env,
            "XDG_RUNTIME_DIR": str(folder),
            "XDG_STATE_HOME": str(folder / "state"),
            "XDG_CONFIG_HOME": str(folder / "config"),
        }
        words = [word for value in NOTE_PER_CLOCK for word in ("-p", value)]
        self._process = stage.children.start(
            [*REPLANK, "play", "--json", "--api", "jack", "--clock", "external", "--fresh", "--seed", str(seed),
             "--instance", "bench", "--rig", str(write_rig(folder)), *words],
            self._env, stage.log, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        self._watching: list[Dashboard] = []
        ready = self._wait_until_ready(folder / "state" / "replank" / "bench.log")
        self.clock, self.out, self.knobs = (str(ready["ports"][name]) for name in ("clock", "out", "knobs"))
        self.pids = {name: int(ready["pids"][name]) for name in ("keeper", "player", "host")}
        self._socket = str(ready["socket"])
        self._children = [self.pids["player"], self.pids["host"]]
        stage.children.answer_for(self._children)
        self._wait_for_spare()
        for _ in range(dashboards):
            self._watching.append(Dashboard(stage, self._env, self._socket))
        if dashboards:
            self._wait_for_clients(dashboards)
            self._watching[-1].stand_still()

    def _wait_until_ready(self, log: Path) -> dict[str, Any]:
        try:
            return read_answer(self._process, 60, "replank play", self._stage.log)
        except Trouble as error:
            tail = log.read_text(errors="replace")[-1500:].strip() if log.exists() else ""
            raise Trouble(f"{error}\nits log ends:\n{tail}") from None

    def _wait_for_spare(self) -> None:
        """Wait until the keeper's spare player has loaded, which happens once, soon after a start."""
        keeper = self.pids["keeper"]
        listed = Path(f"/proc/{keeper}/task/{keeper}/children")
        end = time.monotonic() + 10
        while time.monotonic() < end:
            spare = [int(pid) for pid in listed.read_text().split() if int(pid) not in self._children]
            if spare:
                self.pids["spare"] = spare[0]
                break
            time.sleep(0.1)
        used = -1.0
        while "spare" in self.pids and time.monotonic() < end:
            now = cpu_seconds(self.pids["spare"])
            if now == used:
                return
            used = now
            time.sleep(0.4)

    def _wait_for_clients(self, count: int) -> None:
        end = time.monotonic() + 30
        while self._state()["clients"] < count + 1:  # this question is one, too
            if time.monotonic() > end:
                raise Trouble("the dashboards did not attach")
            time.sleep(0.2)

    def _state(self) -> dict[str, Any]:
        """Return the host's part of the state, over the socket, without the project's own client."""
        with socket.socket(socket.AF_UNIX) as connection:
            connection.settimeout(20)
            connection.connect(self._socket)
            with connection.makefile("rw", encoding="utf-8") as lines:
                lines.readline()  # the greeting
                lines.write(json.dumps({"id": 1, "do": "state"}) + "\n")
                lines.flush()
                answer = json.loads(lines.readline())
        host = answer["state"]["host"]
        return host if isinstance(host, dict) else {}

    def finish(self) -> dict[str, Any]:
        try:
            host = self._state()
        except (OSError, ValueError):
            return {"service_us": {}, "silent_hosts": 1}
        player = host.get("player", {})
        return {
            "service_us": host.get("latency_us") or {},
            "differences": host["differences"],
            "record_drops": host["drops"],
            "replaced": host["replaced"],
            "late_deadlines": player.get("late", 0),
            "failures": player.get("failures", 0),
        }

    def close(self) -> None:
        for one in self._watching:
            one.close()
        self._stage.children.end(self._process, 20)
        end = time.monotonic() + 5
        while any(Path(f"/proc/{pid}").exists() for pid in self._children) and time.monotonic() < end:
            time.sleep(0.02)
        self._stage.children.forget(pid for pid in self._children if not Path(f"/proc/{pid}").exists())


def write_rig(folder: Path) -> Path:
    """Write a rig whose knob port has eight knobs that move parameters, and whose line plays where Start was lost."""
    lines = ["profile: 1", "title: storm", "channel: any", "controls:"]
    lines += [
        f"  - {{label: {name}, sends: cc {FIRST_CC + n}, moves: {name}}}" for n, name in enumerate(KNOB_PARAMETERS)
    ]
    (folder / "storm.yaml").write_text("\n".join(lines) + "\n")
    path = folder / "rig.yaml"
    path.write_text(
        "rig: 1\nclock: {without_start: play}\ninputs:\n  - {name: clock, role: clock}\n"
        "  - {name: knobs, role: knobs, profile: storm}\noutputs:\n  - {name: out}\n"
    )
    return path


class Dashboard:
    """`replank watch` in a terminal of its own, whose output is read as a terminal would."""

    def __init__(self, stage: Stage, env: dict[str, str], daemon: str) -> None:
        self._stage = stage
        self._main, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
        self._process = stage.children.start(
            [*REPLANK, "watch", "--socket", daemon], {**env, "TERM": "xterm-256color"}, stage.log,
            stdin=other, stdout=other, stderr=other,
        )  # fmt: skip
        os.close(other)
        self._over = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while not self._over.is_set():
            try:
                if select.select([self._main], [], [], 0.2)[0]:
                    os.read(self._main, 65536)
            except OSError:
                return  # it has ended

    def stand_still(self) -> None:
        """Stop it where it is, as Ctrl-Z or a frozen terminal would."""
        self._process.send_signal(signal.SIGSTOP)

    def close(self) -> None:
        self._stage.children.end(self._process)
        self._over.set()
        self._reader.join(2)
        os.close(self._main)


class Echo:
    """A program that answers each clock with prepared messages.

    Args:
        stage: Where it plays.
        command: Program and first arguments; its client name and the file of messages follow.
        messages: That file.
    """

    knobs = None

    def __init__(self, stage: Stage, command: list[str], messages: Path) -> None:
        self._stage = stage
        self._process = stage.children.start([*command, "bench-echo", str(messages)], stage.env, stage.log)
        ready = read_answer(self._process, 30, "the echo", stage.log)
        self.clock, self.out = str(ready["clock"]), str(ready["out"])
        self.pids = {"echo": self._process.pid}

    def finish(self) -> dict[str, Any]:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.stdin = None
        said = read_answer(self._process, 10, "the echo", self._stage.log)
        return {"service_us": last_second(said["services_ns"])}

    def close(self) -> None:
        self._stage.children.end(self._process)


class Idle:
    """A Python process that opens as many ports and does nothing with them."""

    def __init__(self, stage: Stage, inputs: int, outputs: int) -> None:
        self._stage = stage
        self._process = stage.children.start(
            [sys.executable, str(HERE / "python_echo.py"), "bench-idle", "--idle", str(inputs), str(outputs)],
            stage.env, stage.log,
        )  # fmt: skip
        read_answer(self._process, 30, "the idle process", stage.log)
        self.pids = {"idle": self._process.pid}

    def close(self) -> None:
        self._stage.children.end(self._process)


def last_second(services_ns: list[int], clocks: int = 98) -> dict[str, float]:
    """Return p50, p99 and max in microseconds of the last clocks, as the player tells its last second."""
    rising = sorted(services_ns[-clocks:])
    if not rising:
        return {}
    return {name: percentile(rising, share) / 1000 for name, share in (("p50", 500), ("p99", 990), ("max", 1000))}


def python_echo() -> list[str]:
    """Return the command of the bare Python echo."""
    return [sys.executable, str(HERE / "python_echo.py")]


def cpp_echo(folder: Path) -> tuple[list[str] | None, str]:
    """Compile the C++ echo; return its command, or None and why not."""
    compiler = shutil.which("g++") or shutil.which("c++")
    if compiler is None:
        return None, "no C++ compiler (apt-get install g++)"
    flags = ["-D__UNIX_JACK__", "-I/usr/include/rtmidi", "-lrtmidi"]
    if shutil.which("pkg-config"):
        asked = subprocess.run(
            ["pkg-config", "--cflags", "--libs", "rtmidi"], capture_output=True, text=True, check=False
        )
        if asked.returncode == 0:
            flags = asked.stdout.split()
    program = folder / "echo"
    made = subprocess.run(
        [compiler, "-O2", "-std=c++17", "-o", str(program), str(HERE / "echo.cpp"), *flags],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    if made.returncode != 0:
        first = (made.stderr.strip().splitlines() or ["it says nothing"])[0]
        return None, f"it does not compile: {first} (the headers of RtMidi: apt-get install librtmidi-dev)"
    return [str(program)], ""
