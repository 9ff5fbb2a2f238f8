"""A JACK server without hardware for tests, ended by its process id."""

import contextlib
import fcntl
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from scripts.benchparts.children import end_with_parent

from tests.jack_leftovers import clear

ROOT = Path(__file__).parent.parent


class NoServer(Exception):
    """Why there is no server."""


def answers(name: str) -> bool:
    """Tell whether a server of this name can be used; asked from a process that it cannot take with it."""
    command = [sys.executable, "-m", "tests.jack_answers"]
    env = {**os.environ, "JACK_DEFAULT_SERVER": name}
    return subprocess.run(command, cwd=ROOT, env=env, capture_output=True, timeout=20, check=False).returncode == 0


@contextlib.contextmanager
def _alone() -> Iterator[None]:
    """Keep others of this user from clearing up while a server starts."""
    with open(Path(tempfile.gettempdir()) / f"replank-tests-jack-{os.getuid()}", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _started(name: str, log: Path, waits: bool) -> subprocess.Popen[bytes]:
    # A period of 64 frames is the smallest that loses nothing.  -S: a cycle waits for all clients; otherwise
    # a busy machine loses messages and counts prove nothing.  -r is for where -R is not allowed.
    mode = ["-S"] if waits else []
    env = {**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"}
    for realtime in ("-R", "-r"):
        command = ["jackd", "-n", name, *mode, "--no-mlock", realtime, "-d", "dummy", "-r", "48000", "-p", "64"]
        with log.open("wb") as said:
            server = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=said, stderr=said, env=env, preexec_fn=end_with_parent
            )
        for _ in range(100):
            if server.poll() is not None:
                break
            if answers(name):
                return server
            time.sleep(0.1)
        server.kill()
        server.wait()
    last = log.read_text(errors="replace").split("\n")[-5:]
    raise NoServer("the JACK server did not start: " + "; ".join(line for line in last if line))


def end(process: subprocess.Popen[bytes]) -> None:
    """End a server so that it gives its place back: a user has eight, and one that is killed keeps its own."""
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextlib.contextmanager
def server(name: str, waits: bool = True) -> Iterator[None]:
    """Run a server for as long as it is needed.

    Args:
        name: Of the server.
        waits: A cycle waits for all clients (``-S``), and time with it; without, as on a stage, one that is late is
            not waited for, and what it would have heard or said in that cycle is lost.

    Raises:
        NoServer: There is no jackd, or it does not start.
    """
    if shutil.which("jackd") is None:
        raise NoServer("no JACK server and no jackd to start one (apt-get install jackd2)")
    with tempfile.TemporaryDirectory(prefix="replank-jack") as folder:
        with _alone():
            clear()
            process = _started(name, Path(folder) / "said", waits)
        try:
            yield
        finally:
            end(process)
