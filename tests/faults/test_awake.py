"""Suspend of the machine: noticed by two clocks, answered with releases; and held off where that is possible."""

import time

import pytest

from replank.host.awake import SleepWatch, inhibitor, read_clocks
from replank.performer.events import Slept
from tests.faults.measure import hanging
from tests.faults.stage import PATIENCE, Peer
from tests.performer.kit import Stage

S = 1_000_000_000


class Clocks:
    """Two clocks under the test's thumb: one counts sleep."""

    def __init__(self) -> None:
        self.with_sleep, self.without = 5000 * S, 4000 * S

    def __call__(self):
        return self.with_sleep, self.without

    def go(self, awake: float, asleep: float = 0.0) -> None:
        self.with_sleep += int((awake + asleep) * S)
        self.without += int(awake * S)


def check_watch(watch: SleepWatch, clocks: Clocks) -> None:
    assert watch.look() == 0
    clocks.go(30.0)
    assert watch.look() == 0  # a host that was only held up has not slept
    clocks.go(0.5, asleep=0.4)
    assert watch.look() == 0  # clocks' own difference
    clocks.go(0.5, asleep=720.0)
    assert watch.look() == 720 * S
    clocks.go(0.5)
    assert watch.look() == 0  # told once


def test_sleep_is_told_from_being_held_up():
    clocks = Clocks()
    check_watch(SleepWatch(clocks), clocks)


def test_watch_over_one_clock_is_rejected():
    """Negative control: a watch that takes any long pause of its own for sleep."""
    clocks = Clocks()

    class Naive(SleepWatch):
        def look(self) -> int:
            before, self._last = getattr(self, "_last", clocks.without), clocks.without
            return clocks.without - before if clocks.without - before > S else 0

    with pytest.raises(AssertionError):
        check_watch(Naive(clocks), clocks)


def test_no_such_pair_of_clocks():
    assert SleepWatch(lambda: None).look() == 0


def test_this_systems_clocks_agree_while_awake():
    watch = SleepWatch()
    watch.look()
    time.sleep(0.05)
    assert watch.look() == 0
    if hasattr(time, "CLOCK_BOOTTIME"):  # clock_gettime(2): CLOCK_MONOTONIC plus time suspended
        read = [read for read in (read_clocks() for _ in range(50)) if read]
        assert read and all(counted >= awake for counted, awake in read)


def test_performer_releases_and_says_that_the_phase_is_unknown():
    stage = Stage(rest_chance=0.0, gate=1.0, division="1bar")
    stage.clocks(24)
    stage.start()
    stage.clocks(10)
    assert stage.p.sounding()
    stage.give(Slept(600 * S))
    assert not stage.p.sounding()
    assert "suspended for 600 s" in stage.said("power")[0]["text"]
    assert stage.p.view()["transport"]["phase"] == "unknown"
    stage.forget()
    stage.clocks(200)
    assert stage.ons()  # and the line goes on


def test_what_holds_the_machine_awake():
    has = lambda name: f"/usr/bin/{name}"  # noqa: E731
    assert inhibitor("linux", has, {})[:2] == ["systemd-inhibit", "--what=idle"]
    assert inhibitor("darwin", has, {})[0] == "caffeinate"
    assert inhibitor("linux", has, {"REPLANK_MAY_SLEEP": "1"}) == []
    assert inhibitor("linux", lambda name: None, {}) == inhibitor("win32", has, {}) == []


ASLEEP = """\
import os
import replank.host.awake as awake
true_clocks = awake.read_clocks
def clocks():
    read = true_clocks()
    return read and (read[0] + 600 * 10**9 * os.path.exists(os.environ["XDG_RUNTIME_DIR"] + "/slept"), read[1])
awake.read_clocks = clocks
awake.SleepWatch.__init__.__defaults__ = (clocks,)
"""
LONG = ("-p", "gate=1", "-p", "division=8bars")


def suspend(daemon, trial, seconds: float) -> bool:
    """Let a note begin, the clock end, and the machine seem to have slept; tell whether the note ended."""
    trial.clock.clocks(24, bpm=150)
    trial.clock.clocks(40, bpm=150, first=(b"\xfa",))
    assert Peer.until(lambda: hanging(trial.first.received) and hanging(trial.second.received), PATIENCE)
    (daemon.folder / "slept").touch()
    return Peer.until(lambda: not hanging(trial.first.received) and not hanging(trial.second.received), seconds)


@pytest.mark.real
@pytest.mark.timeout(600)
def test_notes_are_released_on_waking(playing, stage):
    """The clock that counts sleep jumps ahead by ten minutes in a running host."""
    # The performer's own rule for a vanished clock would release the note, too: it is put out of action.
    quiet = "from replank.performer import clocking\nimport replank.performer.core as core\n"
    quiet += "core._FIRE['lost'] = lambda p, a: None"
    daemon = playing(*LONG, breaks={"replank.host": f"{ASLEEP}{quiet}", "replank.player": quiet})
    trial = stage(daemon)
    with daemon.client() as listening:
        listening.ask("subscribe", levels=["warn"], state=False)
        assert suspend(daemon, trial, PATIENCE)
        said = (line for line in listening.lines() if line.get("notice") == "power")
        assert any("suspended for 600 s" in line["text"] for line in said)
    assert daemon.transport()["phase"] == "unknown"
