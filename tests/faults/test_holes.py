"""The clock fails in short ways, as a stage's does; a sample of what `scripts/holes` tries at length."""

import contextlib
import os

import pytest

from tests import jack_server
from tests.faults import holes
from tests.faults.stage import PATIENCE, Peer, Playing

pytestmark = [pytest.mark.real, pytest.mark.alone, pytest.mark.timeout(180)]

BPM = 240.0
SEED = 5
WARM = 220
"""As in the long trials, but shorter: 96 clocks are the least, 192 where the start was rough."""
WAITED = ["2 to 24 clocks dropped by the sender", "cable out for 10 to 500 ms"]
"""What is tried where a server waits for its clients."""


def complaints(found):
    return [text for one in found for text in one.complaints()]


@pytest.fixture
def plain(monkeypatch):
    """Let a test run on a server that does not wait for its clients, as those of stages do not."""
    name = f"replank-plain-{os.getpid()}"
    monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
    with jack_server.server(name, waits=False):
        yield


def test_every_kind_on_a_server_that_waits_for_nobody(plain):
    """Eight clients ask for the state 20 times a second meanwhile."""
    with Playing(*holes.SHAPE) as daemon:
        found = holes.tried(daemon, list(holes.KINDS), SEED, BPM, holes.CLIENTS, WARM)
        assert complaints(found) == [], daemon.log()[-2000:]


@pytest.fixture(scope="module")
def shaped(jack_server):
    """Return a daemon on the server that waits for its clients."""
    with Playing(*holes.SHAPE) as daemon:
        yield daemon


def test_holes_on_a_server_that_waits(shaped):
    assert complaints(holes.tried(shaped, WAITED, SEED, BPM, warm=WARM)) == [], shaped.log()[-2000:]


CREDITS_NOTHING = """
from replank.timing import trying
trying.out_of_place = lambda *given: None
"""
CREDITS_ANY_GAP = """
from replank.timing.judge import ClockJudge
def clock(self, now):
    interval, gap, self.last = self.pace.interval, now - self.last, now
    by = max(1, (gap + interval // 2) // interval) if interval and self.received else 1
    self.received += 1
    self.number += by
    self.pace.tick(now)
    return by
ClockJudge.clock = clock
ClockJudge.word = property(lambda self: "locked")
"""
LOCKED_TOO_SOON = """
from replank.timing.judge import ClockJudge
ClockJudge.word = property(lambda self: "locked" if self.given else "none")
"""


@pytest.mark.parametrize(
    ("broken", "kind", "says"),
    [
        (CREDITS_NOTHING, "one clock dropped by the sender", "locked while wrong"),
        (CREDITS_ANY_GAP, "burst: 3 to 20 clocks held up", "locked while wrong"),
        (LOCKED_TOO_SOON, "the sender stands still for 1 to 12 whole intervals", "locked while wrong"),
    ],
    ids=["credits nothing", "credits any gap", "locked too soon"],
)
def test_a_broken_judge_is_found_out(broken, kind, says):
    """Negative controls: player and host have the same judge, as they have of each release."""
    with Playing(*holes.SHAPE, breaks={"replank.player": broken, "replank.host": broken}) as daemon:
        found = holes.tried(daemon, [kind], SEED, BPM, warm=130)
    assert any(says in text for text in complaints(found)), found


def test_a_clock_that_is_joined_late_is_not_locked_until_downbeat(playing):
    """Joining a running clock begins on some clock; one press sets the one, at the clock nearest to it."""
    daemon = playing(*holes.SHAPE)
    with contextlib.closing(holes.Stage(daemon, BPM, warm=130)) as stage:
        daemon.say("join@now")
        assert Peer.until(lambda: stage.said[-1].song_clock is not None, PATIENCE)
        stage.sender.wait(stage.sender.count() + 48)
        assert stage.status().word == "unknown"
        before = stage.sender.count()
        daemon.say("downbeat")
        after = stage.sender.count()
        stage.sender.wait(after + 30)
        assert stage.status().word == "locked"
        found = stage.begun(before - 1, after + 1)
        assert any(one.placed and not one.locked_wrong for one in found), found


def test_two_senders_are_said_and_the_line_plays_on(shaped):
    """Yesterday's cable is still in; once it is out a Start gives the position again."""
    bpm = 120.0  # a doubled clock that is much faster hides in what the period does to the stamps
    with contextlib.closing(holes.Stage(shaped, bpm, warm=130)) as stage:
        other = stage.second_sender(bpm * 1.013)
        heard = len(stage.said)
        start = stage.sender.start()
        is_said = Peer.until(lambda: "two senders" in stage.said[-1].trouble, 15)
        end = stage.sender.count()
        stage.sender.wait(end)
        assert is_said, stage.said[heard:]
        other.close()
        stage.sender.wait(stage.sender.count() + 60)
        (found,) = stage.begun(again := stage.sender.start(), again)
        assert stage.struck(start, end) > (end - start) // 6, "the line plays on, by twice as many clocks"
        assert found.complaints() == [] and found.word in ("locked", "counted"), (found, stage.said[heard:])
