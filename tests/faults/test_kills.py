"""SIGKILL and SIGSTOP of every process, at random instants mid-note, over real JACK ports."""

import contextlib
import os
import signal
import time

import pytest

from tests.faults.stage import PATIENCE, Peer, complaints, plug, seeded, survived

pytestmark = [pytest.mark.real, pytest.mark.timeout(600)]


def replaced(trial, name: str, before: int) -> bool:
    """Wait until another process has taken the place of `before`, and serves."""
    daemon = trial.daemon
    return Peer.until(lambda: daemon.answers() and daemon.pid(name) != before, PATIENCE)


def kill(trial, name: str, rng) -> None:
    """Kill a process at a random instant of the playing line, and let it be replaced."""
    trial.begin()
    time.sleep(rng.uniform(0.0, 0.25))
    pid = trial.daemon.pid(name)
    trial.fault()
    os.kill(pid, signal.SIGKILL)
    assert replaced(trial, name, pid)
    trial.well()


def test_kills_of_player_and_host_then_of_all(playing, stage):
    """One daemon survives kills in random order; at last all its processes are killed at once."""
    rng = seeded()
    daemon = playing()
    trial = stage(daemon)
    daemon.say("length=7", "pin:3@now", "keep:dome@now")
    for name in rng.sample(["player", "host", "player"], 3):
        kill(trial, name, rng)
        survived(trial)
    assert daemon.state()["host"]["differences"] == 0

    trial.begin()
    time.sleep(0.5)  # promise 6: what is older than the last 100 ms is kept
    trial.fault()
    for pid in daemon.children():
        os.kill(pid, signal.SIGKILL)
    daemon.process.wait()
    daemon.close_pipes()
    assert Peer.until(lambda: daemon.children() == [], PATIENCE)
    trial.clock.rest()
    daemon.start()
    trial.patch()
    assert Peer.until(trial.is_silent, PATIENCE)
    trial.clock.clock_frames = []
    trial.clock.run()
    trial.well()
    survived(trial)


def test_stopped_player_is_replaced(playing, stage):
    """SIGSTOP: a player that hangs gives no sign of life; it is killed, released and replaced in phase."""
    daemon = playing()
    trial = stage(daemon)
    trial.begin()
    pid = daemon.pid("player")
    trial.fault()
    os.kill(pid, signal.SIGSTOP)
    assert replaced(trial, "player", pid)
    trial.well()
    survived(trial)


def test_the_player_in_waiting_is_plugged_in(playing, stage):
    """The next player's ports are open and patched before they are needed, and it is these that play then."""
    daemon = playing()
    trial = stage(daemon)
    waiting = {"clock": trial.first.hears, "second": trial.second.hears}
    assert Peer.until(lambda: all(len(hears()) == 3 for hears in waiting.values()), PATIENCE)
    ahead = {name.partition(":")[0] for hears in waiting.values() for name in hears()}
    kill(trial, "player", seeded())
    survived(trial)
    names = {name.partition(":")[0] for name in daemon.state()["host"]["ports"].values()}
    assert names & ahead and not names & {name.partition(":")[0] for name in daemon.ready["ports"].values()}


def test_killed_keeper_then_killed_player(playing, stage):
    """Without a keeper nobody replaces a player; the host releases its notes."""
    daemon = playing()
    trial = stage(daemon)
    trial.begin()
    host, player = daemon.pid("host"), daemon.pid("player")
    trial.fault()
    daemon.process.kill()
    daemon.process.wait()
    trial.well()
    survived(trial)
    trial.begin()
    os.kill(player, signal.SIGKILL)
    assert Peer.until(trial.is_silent, PATIENCE)
    assert Peer.until(lambda: host not in daemon.children(), PATIENCE)


NOT_REPLACED = "from replank.keeper.keeping import Keeper\nKeeper._look_after_player = lambda self: None"
NOT_RELEASED = "from replank.host.cables import Cables\nCables.rescue = lambda self, messages: 0"


def test_player_that_is_neither_replaced_nor_released_is_rejected(playing, stage):
    """Negative control: the same check on a build whose keeper replaces no player and whose host releases nothing."""
    daemon = playing(breaks={"replank.keeper": NOT_REPLACED, "replank.host": NOT_RELEASED})
    trial = stage(daemon)
    trial.begin()
    assert Peer.until(trial.both_sound, PATIENCE)
    trial.fault()
    os.kill(daemon.pid("player"), signal.SIGKILL)
    trial.well(seconds=2.0)
    found = complaints(trial.end())
    assert any("out heard 0 notes after" in one for one in found), found
    assert any("out still sounds" in one for one in found), found
    assert any("second still sounds" in one for one in found), found


def test_stopped_host_costs_nothing(shared, trial):
    """SIGSTOP: the player plays every step, the clock is followed, a panic button works."""
    host = shared.pid("host")
    plug(trial.clock, clock=shared.port["knobs"])  # the same box has the button
    trial.begin()
    trial.fault()
    os.kill(host, signal.SIGSTOP)
    try:
        trial.hear(8)
        swept = [data for _, data in trial.second.received if data[:2] == b"\xb2\x7b"]
        trial.clock.send(b"\x90\x32\x7f", b"\x80\x32\x40")
        assert Peer.until(lambda: [d for _, d in trial.second.received if d[:2] == b"\xb2\x7b"] != swept, PATIENCE)
        trial.hear(4)
    finally:
        with contextlib.suppress(ProcessLookupError):  # the keeper has replaced it meanwhile
            os.kill(host, signal.SIGCONT)
    assert Peer.until(shared.answers, PATIENCE)
    survived(trial)
    assert shared.state()["host"]["differences"] == 0
    trial.clock.client.disconnect(f"{trial.clock.name}:send", shared.port["knobs"])


def test_stopped_client_is_not_waited_for(shared, trial):
    """A client that subscribed to everything and was then stopped: the line and other clients go on."""
    script = "import sys\nfrom tests.faults.listening import listen\nlisten(sys.argv[1])"
    child = shared.python(script, str(shared.socket))
    try:
        assert child.stdout.readline() == b"listening\n"
        trial.begin()
        trial.fault()
        child.send_signal(signal.SIGSTOP)
        for _ in range(5):
            shared.state()
        trial.hear(8)
        survived(trial)
    finally:
        child.kill()
        child.communicate()
