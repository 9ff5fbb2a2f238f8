"""The host's ear beside the record: by stamps, however late the record is and however busy the host."""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from random import Random

import pytest

from replank.host import listener
from replank.host.listener import Listener

CLOCK, START, CONTINUE, STOP, NOTE = b"\xf8", b"\xfa", b"\xfb", b"\xfc", b"\x90\x3c\x40"
MS = 1_000_000


class World:
    """A sender, a player that hears it, and a host whose listener hears it, too.

    Args:
        make: Of the listener.
        seed: Of jitter and delays.
        together: Standard deviation between both stamps of one message, ns.
        late: Records are late by so much at most, ns.
        busy: Share of looks before which the host is held up, by 300 ms at most.
    """

    def __init__(self, make=Listener, seed: int = 1, together: float = 0.1 * MS, late: float = 5 * MS, busy=0.0):
        self.random = Random(seed)
        self.now = 10**12
        self.queue: deque[tuple[int, bytes]] = deque()
        self.pipe: deque[tuple[int, int, bytes]] = deque()
        self.came = 0
        self.listener = make(self._read, lambda: self.now)
        self.interval = 0
        self.lacking: list[int] = []
        self._together, self._late, self._busy = together, late, busy

    def _read(self) -> tuple[bytes, float] | None:
        self.now += 2000  # a call takes its time
        if not self.queue or self.queue[0][0] > self.now:
            return None
        came, data = self.queue.popleft()
        seconds = (came - self.came) / 1e9 * (1 + 30e-6) if self.came else 0.0
        self.came = came
        return data, round(seconds, 6)

    def send(self, at: int, data: bytes = CLOCK, heard: int = 1, recorded: int = 1) -> int:
        """Send a message; return when the listener hears it."""
        ours, theirs = (abs(round(self.random.gauss(0, self._together))) for _ in range(2))
        ours = max(at + ours, self.queue[-1][0] if self.queue else 0)
        self.queue.extend([(ours, data)] * heard)
        taken = max(at + theirs, self.pipe[-1][1] if self.pipe else 0)
        written = max(taken + round(self._late * self.random.random()), self.pipe[-1][0] if self.pipe else 0)
        self.pipe.extend([(written, taken, data)] * recorded)
        return ours

    def run(self, until: int) -> None:
        """Let the host look and read until a moment."""
        while self.now < until:
            self.now += 2 * MS if self.listener.wants_looks() else 25 * MS
            if self.random.random() < self._busy:
                self.now += round(300 * MS * self.random.random())
            while self.pipe and self.pipe[0][0] <= self.now:
                _, taken, data = self.pipe.popleft()
                self.listener.recorded(taken, data)
            self.listener.poll()
            self.lacking += self.listener.lacking(self.interval)


class ByCounts(Listener):
    """Compares how many both have heard by now, and says so once it has been the same for four looks."""

    _heard = _taken = _looks = _lacked = 0

    def poll(self) -> int:
        taken = super().poll()
        self._heard += taken
        return taken

    def recorded(self, stamp: int, data: bytes) -> None:
        super().recorded(stamp, data)
        self._taken += 1

    def lacking(self, interval: int) -> tuple[int, ...]:
        lacked = self._heard - self._taken
        self._looks = self._looks + 1 if lacked == self._lacked else 0
        self._lacked = lacked
        if lacked <= 0 or self._looks < 4:
            return ()
        self._heard = self._taken
        return (self._newest,) * lacked


def check(make=Listener, seed=1, bpm=120, late=5 * MS, busy=0.0, twice=False, clocks=6000) -> None:
    """Lose clocks on either side, and let them come twice; the player's losses must be found and nothing else."""
    world = World(make, seed, late=late, busy=busy)
    interval = world.interval = 60_000 * MS // 24 // bpm
    random, began = Random(seed), world.now
    lost: set[int] = set()
    since = -200
    for i in range(clocks):
        at = began + i * interval + round(random.gauss(0, interval / 40))
        kind = random.choice("player ear twice".split()) if random.random() < 0.01 else ""
        if i < since + 4 or i > clocks - 100 or i < 200 or (kind == "twice" and not twice):
            kind = ""  # what one missed stands for what the other did just beside it
        since = i if kind else since
        again = 1 + (kind == "twice")  # by a doubled cable both hear it twice
        stamp = world.send(at, heard=again * (kind != "ear"), recorded=again * (kind != "player"))
        if kind == "player":
            lost.add(stamp)
    world.run(began + clocks * interval + 3000 * MS)
    found = [min(lost, key=lambda one: abs(one - stamp), default=0) for stamp in world.lacking]
    assert all(abs(a - b) < 3 * MS for a, b in zip(found, world.lacking, strict=True)), "told of one that was recorded"
    assert len(found) == len(set(found)), "told twice"
    assert lost <= set(found), "not found"


@pytest.mark.parametrize("bpm", [60, 120, 174])
@pytest.mark.parametrize(("late", "busy"), [(2, 0.0), (60, 0.0), (500, 0.0), (60, 0.1), (500, 0.1)])
@pytest.mark.parametrize("twice", [False, True])
def test_what_the_player_missed_is_found_and_nothing_else(bpm, late, busy, twice):
    check(seed=bpm + late, bpm=bpm, late=late * MS, busy=busy, twice=twice)


def test_a_listener_that_compares_counts_is_rejected():
    with pytest.raises(AssertionError, match="recorded"):
        check(ByCounts, late=500 * MS, busy=0.1)


class Reading(Listener):
    """Stamps what it hears when it reads it."""

    def _release(self) -> None:
        self._held = deque((self._clock() - self._moments._latest, data) for _, data in self._held)
        super()._release()


def test_a_listener_that_stamps_when_it_reads_is_rejected():
    with pytest.raises(AssertionError):
        check(Reading, busy=0.1)


def beginning(*messages: bytes, **options) -> tuple[World, int]:
    """Let 100 clocks of 20 ms be heard and recorded, and then messages by the listener alone."""
    world = World(**options)
    world.interval = 20 * MS
    at = world.now + 20 * MS
    for n, data in enumerate((*[CLOCK] * 100, *messages)):
        world.send(at, data, recorded=n < 100)
        at += 20 * MS
    world.run(at - 15 * MS - 20 * MS * len(messages))
    return world, at


def missing(world: World) -> list[bytes] | None:
    found = world.listener.missing(world.interval)
    return None if found is None else [data for _, data in found]


def test_what_comes_after_the_end_of_the_record_is_missing():
    world, at = beginning(CLOCK, CLOCK, STOP, CLOCK, START, b"\xfe", NOTE, CLOCK)
    world.run(at)
    assert missing(world) == [CLOCK, CLOCK, STOP, CLOCK, START, CLOCK]
    assert world.lacking == [], "nothing came to the record since"


def test_what_is_missing_has_the_stamps_of_the_driver():
    world, at = beginning(*[CLOCK] * 5, busy=0.3)
    world.run(at + 10 * MS)
    found = world.listener.missing(world.interval)
    assert found is not None
    assert [round((at - stamp) / (20 * MS)) for stamp, _ in found] == [5, 4, 3, 2, 1]
    assert all(abs(b - a - 20 * MS) < 2 * MS for (a, _), (b, _) in pairwise(found))


def test_a_record_that_ends_with_a_late_clock_holds_it():
    world, at = beginning()
    world.send(at)  # both hear it; the player is held up for 9 ms
    _, taken, data = world.pipe.pop()
    world.pipe.append((taken + 9 * MS, taken + 9 * MS, data))
    world.send(at + 20 * MS, recorded=0)
    world.run(at + 40 * MS)
    assert missing(world) == [CLOCK]


def test_clocks_that_the_next_player_was_told_of_are_in_the_record():
    world, at = beginning(*[CLOCK] * 3)
    world.run(at)
    at = world.now + 20 * MS
    for stamp, _ in world.listener.missing(world.interval):
        world.listener.recorded(stamp, CLOCK)
    for n in range(10):
        world.send(at + n * 20 * MS)
    world.run(at + 400 * MS)
    assert world.lacking == []
    assert missing(world) == []


def test_after_a_moved_cable_nobody_knows_until_both_hear_the_same():
    world, at = beginning(*[CLOCK] * 3)
    world.run(at)
    at = world.now + 20 * MS
    world.listener.forget()
    assert missing(world) is None
    for n in range(3):
        world.send(at + n * 20 * MS, recorded=n > 0)
    world.run(at + 100 * MS)
    assert missing(world) == []
    assert world.lacking == [], "what came before both heard the same is no loss"


def test_where_both_hear_the_same_from_a_moment_on_what_comes_next_is_missing():
    world, at = beginning()
    world.listener.forget(is_known=True)
    world.send(at, START, recorded=0)
    world.send(at + 20 * MS, recorded=0)
    world.run(at + 50 * MS)
    assert missing(world) == [START, CLOCK]


def test_a_record_from_before_that_moment_is_left_out():
    world, at = beginning(late=300 * MS)
    world.listener.forget(is_known=True)  # clocks of before are still in the pipe
    for n in range(4):
        world.send(at + n * 20 * MS, recorded=n < 2)
    world.run(at + 500 * MS)
    assert missing(world) == [CLOCK, CLOCK]


def test_what_came_after_a_long_silence_is_missing_though_its_stamps_are_not_exact_yet():
    world, at = beginning(STOP)
    world.listener.recorded(at - 20 * MS, STOP)
    world.run(at + 60_000 * MS)
    world.send(world.now, START, recorded=0)
    world.run(world.now + 30 * MS)
    world.interval = 0
    assert missing(world) == [START]


def test_a_queue_that_ran_over_has_lost_messages_and_nobody_knows_which(monkeypatch):
    world, at = beginning(*[CLOCK] * 20)
    monkeypatch.setattr(listener, "QUEUE", 16)
    world.now = at
    assert missing(world) is None


def test_pulses_are_kept_where_pulses_count():
    world, at = beginning()
    world.listener.by_pulses = True
    world.send(at, NOTE)
    world.send(at + 20 * MS, NOTE, recorded=0)
    world.run(at + 50 * MS)
    world.interval = 0
    assert missing(world) == [NOTE]


def test_a_stop_or_a_long_silence_is_told():
    world, at = beginning()
    assert not world.listener.has_stopped()
    world.send(at, STOP)
    world.now = at + MS
    assert world.listener.has_stopped()
    world.send(at + 2 * MS, CONTINUE)
    world.now = at + 3 * MS
    assert not world.listener.has_stopped()
    world.now += 2001 * MS
    assert world.listener.has_stopped()


def test_a_quiet_moment_is_waited_for():
    world, _ = beginning()
    world.now += 100 * MS
    world.listener.poll()
    naps = []

    def nap(seconds: float) -> None:
        naps.append(seconds)
        world.now += round(seconds * 1e9)
        if len(naps) < 4:
            world.queue.append((world.now, CLOCK))

    world.listener.quiet(nap)
    assert len(naps) == 4
