"""A running `replank play` for tests, and broken builds of it for negative controls."""

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Self

from replank.host.client import Client
from tests.real.ending import end_all, started_with

ROOT = Path(__file__).parent.parent.parent
COMMAND = [sys.executable, "-c", "from replank.cli.main import main; main()"]


class Daemon:
    """`replank play --json` in a process of its own, with folders of its own.

    Args:
        args: Further arguments.
        broken: (module run with -m, Python text that breaks it): a build that a test must reject.
    """

    PATIENCE = 20.0
    """Seconds within which it has to end when asked to."""
    count = 0

    def __init__(
        self, *args: str, broken: tuple[str, str] | None = None, instance: str | None = None, wait: bool = True
    ):
        Daemon.count += 1
        self.folder = Path(tempfile.mkdtemp(prefix="rp"))
        self.instance = instance or f"t{os.getpid() % 10000}-{Daemon.count}"
        self.env = {
            **os.environ,
            "XDG_RUNTIME_DIR": str(self.folder),
            "XDG_STATE_HOME": str(self.folder / "state"),
            "XDG_CONFIG_HOME": str(self.folder / "config"),
            "PYTHONPATH": str(ROOT / "daemon"),
        }
        if broken is not None:
            self._break(*broken)
        self.args = args
        self.ready: dict = {}
        self.process: subprocess.Popen | None = None
        try:
            self.start(wait)
        except BaseException:
            self.end()
            raise

    def _break(self, module: str, text: str) -> None:
        patch = self.folder / "broken"
        patch.mkdir()
        lines = [
            f"import sys\nif sys.orig_argv[1:3] == ['-m', {module!r}]:",
            *(f"    {line}" for line in text.splitlines()),
        ]
        (patch / "sitecustomize.py").write_text("\n".join(lines) + "\n")
        self.env["PYTHONPATH"] = f"{patch}{os.pathsep}{self.env['PYTHONPATH']}"

    def start(self, wait: bool = True) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, "play", "--json", "--api", "jack", "--instance", self.instance, *self.args],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=self.env, cwd=self.folder,
        )  # fmt: skip
        if wait:
            self.wait_ready()

    def wait_ready(self, seconds: float = 40.0) -> None:
        ready, _, _ = select.select([self.process.stdout], [], [], seconds)
        line = self.process.stdout.readline() if ready else b""
        if not line:
            self._kill()
            raise AssertionError(f"never ready: {self.process.stderr.read().decode()}\n{self.log()}")
        self.ready = json.loads(line)

    def log(self) -> str:
        path = self.folder / "state" / "replank" / f"{self.instance}.log"
        return path.read_text(errors="replace") if path.exists() else ""

    # -- asking ----------------------------------------------------------------

    @property
    def socket(self) -> Path:
        return self.folder / "replank" / f"{self.instance}.sock"

    def client(self, timeout: float = 10.0) -> Client:
        return Client(self.socket, timeout)

    def state(self) -> dict:
        with self.client() as client:
            return client.ask("state")["state"]

    def say(self, *words: str) -> dict:
        with self.client() as client:
            return client.ask("say", words=list(words))

    def transport(self) -> dict:
        return self.state()["performer"]["transport"]

    def pitches(self) -> list[int]:
        line = self.state()["performer"]["line"]
        return [step["note"] for step in line["steps"][: line["length"]]]

    @property
    def port(self) -> dict:
        return self.ready["ports"]

    def pid(self, name: str) -> int:
        return self.state()["host"]["pids"][name]

    def run(self, *args: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            [*COMMAND, *args], capture_output=True, text=True, env=self.env, cwd=self.folder, timeout=60, check=False
        )

    # -- ending ----------------------------------------------------------------

    def stop(self, number: int = signal.SIGTERM) -> int:
        if self.process.poll() is None:
            self.process.send_signal(number)
        try:
            self.process.wait(self.PATIENCE)
        except subprocess.TimeoutExpired:
            self._kill()  # all of it: what lives on holds the pipe that is read below
            raise AssertionError(f"did not end\n{self.log()}") from None
        finally:
            self.errors = self.process.stderr.read().decode()
            self.close_pipes()
        return self.process.returncode

    def children(self) -> list[int]:
        """Process ids of everything of it that lives."""
        return [pid for pid, words in started_with(self.folder) if b"replank." in words]

    def _kill(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        end_all(self.folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.clean()

    def clean(self) -> None:
        """End everything that is left of it, also where it does not end as it should."""
        try:
            if self.process.poll() is None:
                self.stop()
            end = time.monotonic() + 5
            while self.children() and time.monotonic() < end:
                time.sleep(0.02)
        finally:
            self.end()

    def end(self) -> None:
        """Kill what lives and remove what it wrote."""
        try:
            self._kill()
        finally:
            if self.process is not None:
                self.close_pipes()
            shutil.rmtree(self.folder, ignore_errors=True)

    def close_pipes(self) -> None:
        self.process.stdout.close()
        self.process.stderr.close()
