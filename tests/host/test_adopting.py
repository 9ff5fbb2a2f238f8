"""What a host does with a player that it did not start: whole daemons without MIDI ports, and its parts."""

import asyncio
import contextlib
import os
import signal
import time
from collections.abc import Callable, Iterator

import pytest

from replank import wire
from replank.control.setup import Setup
from replank.host.gaps import missed_steps
from replank.host.links import Link
from replank.performer.events import Act
from replank.pipes import Reader
from tests.real.daemon import Daemon

PATIENCE = 60.0


@pytest.fixture
def play() -> Iterator[Callable[..., Daemon]]:
    """Return how to start a daemon without MIDI ports, on a clock of its own."""
    with contextlib.ExitStack() as made:

        def start(*args: str, **options) -> Daemon:
            return made.enter_context(Daemon("--api", "none", "--clock", "internal", *args, **options))

        yield start


def until(what: Callable[[], bool], seconds: float = PATIENCE) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        with contextlib.suppress(Exception):  # nobody answers while a host is replaced
            if what():
                return True
        time.sleep(0.02)
    return False


def pids(daemon: Daemon) -> dict[str, int]:
    return daemon.state()["host"]["pids"]


def is_new(daemon: Daemon, before: dict[str, int], *names: str) -> bool:
    host = daemon.state()["host"]
    return host["playing"] and all(host["pids"][name] != before[name] for name in names)


ASKS_THE_DEAF = (
    "from replank.player.process import Player\n"
    "from replank import wire\n"
    "old = Player._obey\n"
    "Player._obey = lambda self, kind, payload: None if kind == wire.STATE and self.drain.closed"
    " else old(self, kind, payload)"
)


@pytest.mark.parametrize("order", [("host", "player"), ("player", "host")])
def test_host_and_player_killed_at_once_are_both_replaced(play, order):
    daemon = play("-p", "mutation_chance=0")
    daemon.say("length=7", "redraw@now", "start")
    line, before = daemon.pitches(), pids(daemon)
    time.sleep(0.5)
    for name in order:
        os.kill(before[name], signal.SIGKILL)
    assert until(lambda: is_new(daemon, before, "host", "player"))
    assert daemon.pitches() == line
    assert daemon.state()["host"]["generation"] == 2  # the first that was started plays: none was given up
    assert daemon.state()["performer"]["transport"]["running"]


def test_a_player_that_does_not_say_that_it_waits_is_noticed(play):
    """Negative control: the host asks in vain for a state and needs another player."""
    daemon = play(broken=("replank.player", ASKS_THE_DEAF))
    before = pids(daemon)
    for name in ("host", "player"):
        os.kill(before[name], signal.SIGKILL)
    assert until(lambda: is_new(daemon, before, "host", "player"))
    assert daemon.state()["host"]["generation"] > 2


def test_a_rig_that_is_wrong_by_now_does_not_end_the_line_with_its_host(play, tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: 1\n")
    daemon = play("--rig", str(rig))
    assert until(lambda: daemon.state()["host"]["disk"]["show"] > 0)
    daemon.say("length=7", "start")
    rig.write_text("rig: [1\n")
    before = pids(daemon)
    os.kill(before["host"], signal.SIGKILL)
    assert until(lambda: is_new(daemon, before, "host"))
    state = daemon.state()
    assert state["host"]["pids"]["player"] == before["player"]
    assert state["performer"]["parameters"]["length"] == 7
    assert state["performer"]["transport"]["running"]
    before = pids(daemon)  # nor with both
    for name in ("player", "host"):
        os.kill(before[name], signal.SIGKILL)
    assert until(lambda: is_new(daemon, before, "host", "player"))
    assert daemon.state()["performer"]["parameters"]["length"] == 7
    assert daemon.process.poll() is None


def test_a_line_cut_off_with_its_keeper_goes_on_at_the_next_start(play):
    daemon = play()
    daemon.say("length=7", "redraw@now")
    line = daemon.pitches()
    daemon.process.kill()
    daemon.process.wait()
    os.kill(daemon.ready["pids"]["player"], signal.SIGKILL)
    assert until(lambda: daemon.children() == [])
    daemon.close_pipes()
    daemon.start()
    assert daemon.pitches() == line


def test_a_host_ends_a_player_that_hangs_where_no_keeper_can(play):
    daemon = play()
    ready = daemon.ready["pids"]
    daemon.process.kill()
    daemon.process.wait()
    os.kill(ready["player"], signal.SIGSTOP)
    os.kill(ready["host"], signal.SIGTERM)
    assert until(lambda: daemon.children() == [])


def test_a_player_left_alone_can_be_ended_as_play_says(play):
    daemon = play()
    ready = daemon.ready["pids"]
    os.kill(ready["keeper"], signal.SIGKILL)
    os.kill(ready["host"], signal.SIGKILL)
    daemon.process.wait()
    assert until(lambda: daemon.children() == [ready["player"]])  # the spare ends by itself
    refused = daemon.run("play", "--api", "none", "--instance", daemon.instance)
    assert refused.returncode == 2
    assert f"kill {ready['player']}" in refused.stderr
    os.kill(ready["player"], signal.SIGTERM)
    assert until(lambda: daemon.children() == [])


def of_another_release(flag: str) -> str:
    """An upgrade in the middle of a show: hosts that adopt, and players made after the first of them, are new."""
    return (
        "import os, sys, replank\n"
        "is_host = sys.orig_argv[2] == 'replank.host'\n"
        f"if is_host and '\"adopt\": true' in sys.orig_argv[3]: open({flag!r}, 'w').close()\n"
        f"if os.path.exists({flag!r}): replank.ENGINE += 1"
    )


def upgraded(play, tmp_path, *args: str) -> tuple[Daemon, dict[str, int]]:
    patch = of_another_release(str(tmp_path / "flag"))
    daemon = play(*args, broken=("replank.host", patch))
    site = daemon.folder / "broken" / "sitecustomize.py"
    site.write_text(
        site.read_text().replace("== ['-m', 'replank.host']", "in (['-m', 'replank.host'], ['-m', 'replank.player'])")
    )
    return daemon, pids(daemon)


def test_a_player_of_another_release_that_no_stop_would_reach_is_replaced(play, tmp_path):
    daemon, before = upgraded(play, tmp_path)
    daemon.say("length=7", "start")
    os.kill(before["host"], signal.SIGKILL)
    assert until(lambda: is_new(daemon, before, "host", "player"))
    assert daemon.state()["performer"]["parameters"]["length"] == 7


# -- parts ---------------------------------------------------------------------


class Pipes:
    """A link whose other ends are ours."""

    def __init__(self, loop) -> None:
        self.command_out, command = os.pipe()
        record, self.record = os.pipe()
        self.taken: list[tuple[int, bytes]] = []
        self.link = Link(loop, command, record, lambda kind, payload: self.taken.append((kind, payload)))
        self.fds = (self.command_out, command, record, self.record)

    def serials(self) -> list[int]:
        os.set_blocking(self.command_out, False)
        try:
            found = Reader().feed(os.read(self.command_out, 1 << 16))
        except BlockingIOError:
            return []
        return [wire.unpack_command(payload)[1] for kind, payload in found if kind == wire.COMMAND]


@pytest.fixture
def pipes():
    loop = asyncio.new_event_loop()
    made = Pipes(loop)
    yield made
    loop.close()
    for fd in made.fds:
        os.close(fd)


def test_a_command_that_two_players_took_with_them_is_not_given_to_a_third(pipes):
    serial = pipes.link.command(Act("redraw", (), "", "client"))
    assert pipes.serials() == [serial]
    pipes.link.again()
    assert pipes.serials() == [serial]
    later = pipes.link.command(Act("undo", (), "", "client"))
    pipes.link.again()
    assert pipes.serials() == [later, later]
    assert list(pipes.link.unseen) == [later]


def test_serials_of_two_hosts_are_not_the_same(pipes):
    loop = asyncio.new_event_loop()
    other = Pipes(loop)
    assert other.link.command(Act("undo")) != pipes.link.command(Act("undo"))
    loop.close()
    for fd in other.fds:
        os.close(fd)


def is_note(data: bytes) -> bool:
    return data[0] & 0xF0 == 0x90 and data[2] > 0


@pytest.mark.parametrize(
    ("messages", "found"),
    [
        ([b"\x90\x24\x7f", b"\x80\x24\x00", b"\x90\x24\x7f"], (False, 2)),
        ([b"\x90\x24\x7f", b"\xfa", b"\x90\x24\x7f"], (True, 1)),
        ([], (False, 0)),
    ],
)
def test_pulses_that_nobody_played_are_counted(messages, found):
    assert tuple(missed_steps(messages, is_note, lambda data: False)) == found
    assert Setup().clock.mode == "midi"
