"""Where output goes: a pipe that closes, a disk that is full, a terminal without the characters; and ends by a signal.

Exit codes 130 and 141 are what shells report for a command ended by SIGINT and SIGPIPE (POSIX shells: 128 and the
signal's number, from memory).
"""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from tests.real.ending import end_all

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "from replank.cli.main import main; main()"]


@pytest.fixture
def environ(tmp_path):
    runtime = tempfile.mkdtemp(prefix="rp")  # short: a socket's path has at most about 100 bytes
    yield {
        **os.environ, "PYTHONPATH": str(ROOT / "daemon"), "XDG_RUNTIME_DIR": runtime,
        "XDG_STATE_HOME": str(tmp_path / "state"), "XDG_CONFIG_HOME": str(tmp_path / "config"),
        "TMPDIR": str(tmp_path), "COLUMNS": "80",
    }  # fmt: skip
    end_all(runtime)
    shutil.rmtree(runtime)


def closed_pipe():
    reading, writing = os.pipe()
    os.close(reading)
    return writing


@pytest.mark.parametrize("words", [["forecast"], ["where"], ["send", "--list"], ["--help"], ["check", "examples"]])
def test_a_closed_pipe_is_no_mistake(environ, words):
    """As behind `| head -1`: quiet, and no code that means a failed check or wrong input."""
    pipe = closed_pipe()
    done = subprocess.run([*COMMAND, *words], stdout=pipe, stderr=subprocess.PIPE, env=environ, cwd=ROOT, check=False)
    os.close(pipe)
    assert (done.returncode, done.stderr) == (141, b"")


def test_without_the_group_a_closed_pipe_would_say_that_a_check_failed(environ):
    """Negative control: click by itself ends with 1, which is a failed check here."""
    code = "import click\n@click.command()\ndef main():\n click.echo('x')\n click.echo('y')\nmain()"
    pipe = closed_pipe()
    done = subprocess.run([sys.executable, "-c", code], stdout=pipe, stderr=subprocess.PIPE, env=environ, check=False)
    os.close(pipe)
    assert done.returncode == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="elsewhere: /dev/full is Linux's")
@pytest.mark.parametrize("words", [["forecast"], ["--help"], ["where", "--json"]])
def test_a_full_disk_behind_the_output_is_one_line(environ, words):
    with open("/dev/full", "wb") as full:
        done = subprocess.run([*COMMAND, *words], stdout=full, stderr=subprocess.PIPE, env=environ, check=False)
    assert done.returncode == 2
    assert done.stderr.decode() == "replank: the output cannot be used: No space left on device\n"


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_a_terminal_without_the_characters_gets_others(environ, encoding):
    """Bars and middle dots are outside Latin-1."""
    environ |= {"PYTHONIOENCODING": encoding}
    code = "import click\nfrom replank.cli import where\nfrom replank.cli.main import main\n"
    code += "where.command.callback = lambda **_: click.echo('\\u2586\\u2586 D3')\nmain(['where'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environ, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.endswith(b" D3\n")


def running_demo(environ, folder):
    demo = subprocess.Popen(
        [*COMMAND, "demo", "--headless", "--api", "none", "--seconds", "600"], stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environ, cwd=folder, start_new_session=True,
    )  # fmt: skip
    for line in demo.stdout:
        if line.startswith(b"cycle"):
            return demo
    raise AssertionError(demo.stderr.read().decode())


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_demo_that_is_ended_leaves_nothing_behind(environ, tmp_path, number):
    """Also where its terminal is closed: its daemon has a session of its own and would play on."""
    demo = running_demo(environ, tmp_path)
    try:
        (socket,) = Path(environ["XDG_RUNTIME_DIR"]).glob("replank/*.sock")
    finally:
        demo.send_signal(number)
        _, said = demo.communicate(timeout=40)
    assert demo.returncode == (0 if number == signal.SIGINT else 128 + number)
    assert said == b""
    assert not socket.exists()
    assert not list(tmp_path.glob("replank-demo-*"))
    assert len(list(tmp_path.glob("*.mid"))) == (number == signal.SIGINT), "Ctrl-C is how a demo is ended early"
