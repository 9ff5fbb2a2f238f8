"""Notes that reached no record when everything was killed, over real JACK ports."""

import os
import signal
import time

import pytest

from tests.faults.measure import is_on
from tests.faults.stage import PATIENCE, Peer
from tests.real.test_surviving import LONG, strike_long_note

pytestmark = [pytest.mark.real, pytest.mark.timeout(600)]

DEAF = """\
import os, pathlib, time
from replank.host.links import Link
flag, plain = pathlib.Path(os.environ["XDG_STATE_HOME"]) / "deaf", Link._readable
Link._readable = lambda self: time.sleep(0.005) if flag.exists() else plain(self)"""
"""A host that takes nothing out of the pipe, so that what the player recorded is lost with both."""


def missing_releases(playing, **breaks: str) -> set[bytes]:
    """Strike a note that no record holds, kill all, start again; return the note-offs that do not come."""
    daemon = playing(values=LONG, rig="", breaks={"replank.host": DEAF, **breaks})
    one = Peer(f"{daemon.instance}-peer")
    try:
        one.patch(clock=daemon.port["clock"], out=daemon.port["out"])
        assert one.until(lambda: len(one.hears()) >= 2, PATIENCE)
        flag = daemon.folder / "state" / "deaf"
        flag.touch()
        strike_long_note(daemon, one)
        struck = {bytes((0x80 | data[0] & 15, data[1])) for _, data in one.received if is_on(data)}
        for pid in daemon.children():
            os.kill(pid, signal.SIGKILL)
        daemon.process.wait()
        daemon.close_pipes()
        assert one.until(lambda: daemon.children() == [], PATIENCE)
        flag.unlink()
        one.stop_clocks()
        one.received.clear()
        daemon.start()
        one.until(lambda: struck <= {data[:2] for _, data in one.received}, 3.0)
        return struck - {data[:2] for _, data in one.received}
    finally:
        one.close()


def test_a_note_that_no_record_holds_is_released_at_the_next_start(playing):
    assert missing_releases(playing) == set()


def test_a_note_that_nobody_marked_is_noticed(playing):
    """Negative control: a player that marks no notes; the next start cannot know this one."""
    unmarked = "import replank.struck\nreplank.struck.mark = lambda *_: None"
    assert len(missing_releases(playing, **{"replank.player": unmarked})) == 1


def unnoticed(playing, stage, more: str = "") -> bool:
    """Kill a player whose end neither the keeper nor the host is told of; tell whether its notes hang."""
    told_nothing = "from replank.host.players import Players\nPlayers.watch = lambda self, pid: None\n"
    blind = "from replank.keeper.keeping import Keeper\nKeeper._look_after_player = lambda self: None"
    daemon = playing("-p", "gate=1", breaks={"replank.keeper": blind, "replank.host": told_nothing + more})
    trial = stage(daemon)
    trial.begin()
    assert Peer.until(trial.both_sound, PATIENCE)
    os.kill(daemon.pid("player"), signal.SIGKILL)
    time.sleep(1.0)
    return not Peer.until(trial.is_silent, 1.0)


def test_a_player_that_has_lost_its_ports_is_released(playing, stage):
    """The MIDI system says first, or alone, that a player is gone: it may also throw out one that lives."""
    assert not unnoticed(playing, stage)


def test_a_host_that_does_not_heed_lost_ports_is_rejected(playing, stage):
    """Negative control."""
    assert unnoticed(
        playing, stage, "from replank.host.cables import Cables\nCables.has_lost_player = lambda self: False"
    )
