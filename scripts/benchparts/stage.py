"""A JACK server of our own without hardware, and the measuring peer beside it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from .children import Children, Trouble, read_answer

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
ASKS = (
    "import jack, sys; jack.set_error_function(lambda t: None); jack.Client(sys.argv[1], no_start_server=True).close()"
)
SERVER = "replank-bench"
"""One name for all runs: a server that was killed keeps one of eight places until one of its name starts again."""


class Stage:
    """The server and the peer of one pass.

    Args:
        children: They are started and ended there.
        folder: Temporary files.
        rate, period: Frames a second, frames.

    Raises:
        Trouble: No jackd, or it does not start.
    """

    def __init__(self, children: Children, folder: Path, rate: int, period: int) -> None:
        if shutil.which("jackd") is None:
            raise Trouble("there is no jackd; install it: sudo apt-get install jackd2")
        self.children, self.folder, self.rate, self.period = children, folder, rate, period
        self.log = folder / f"log-{rate}-{period}"
        # the sources of this copy, whatever is installed
        self.env = {
            **os.environ,
            "JACK_DEFAULT_SERVER": SERVER,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "PYTHONPATH": str(ROOT / "daemon"),
        }
        self.realtime = True
        self._server = self._start_server()
        self._peer: subprocess.Popen[str] | None = None
        try:
            self._start_peer()
        except BaseException:
            self.close()
            raise

    def _start_peer(self) -> None:
        self._peer = self.children.start([sys.executable, str(HERE / "peer.py"), "bench"], self.env, self.log)
        facts = self.hear(20)
        if (facts["rate"], facts["period"]) != (self.rate, self.period):
            raise Trouble(f"the server runs at {facts['rate']} Hz and {facts['period']} frames, not as asked")

    def _start_server(self) -> subprocess.Popen[str]:
        for realtime in (True, False):
            server = self.children.start(
                ["jackd", "-n", self.env["JACK_DEFAULT_SERVER"], "--no-mlock", "-R" if realtime else "-r",
                 "-d", "dummy", "-r", str(self.rate), "-p", str(self.period)],
                self.env, self.log, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                restore_signals=False,  # SIGPIPE stays ignored: a client that dies must not take the server along
            )  # fmt: skip
            end = time.monotonic() + 10
            while time.monotonic() < end and server.poll() is None:
                # a process that may be thrown away asks: a client of a server that dies stays behind
                asked = subprocess.run(
                    [sys.executable, "-c", ASKS, "bench-asks"],
                    env=self.env,
                    capture_output=True,
                    timeout=20,
                    check=False,
                )
                if asked.returncode == 0 and server.poll() is None:
                    self.realtime = realtime
                    return server
                time.sleep(0.1)
            self.children.end(server)
        tail = self.log.read_text(errors="replace").strip().splitlines()[-5:]
        raise Trouble("jackd did not start:\n" + "\n".join(tail))

    def ask(self, do: str, seconds: float = 20.0, **fields: Any) -> dict[str, Any]:
        """Let the peer do something and return its answer."""
        self.tell(do, **fields)
        return self.hear(seconds)

    def tell(self, do: str, **fields: Any) -> None:
        """Tell the peer what to do."""
        assert self._peer is not None and self._peer.stdin is not None
        try:
            self._peer.stdin.write(json.dumps({"do": do, **fields}) + "\n")
            self._peer.stdin.flush()
        except BrokenPipeError:
            raise Trouble("the measuring peer has ended") from None

    def hear(self, seconds: float) -> dict[str, Any]:
        """Return the peer's next answer."""
        assert self._peer is not None
        return read_answer(self._peer, seconds, "the measuring peer", self.log)

    def close(self) -> None:
        """End peer and server, in this order: the peer takes its clients out of the graph first."""
        if self._peer is not None:
            if self._peer.stdin is not None:
                self._peer.stdin.close()
                self._peer.stdin = None
            self.children.wait(self._peer, 5)
        self.children.end(self._server)
