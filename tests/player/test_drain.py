"""Four threads and a million events through the try-lock drain, with switches forced in between."""

import random
import sys
import threading
import time

import pytest

from replank.performer import Performer
from replank.performer.events import Midi
from replank.player import drain as module
from replank.player.drain import FULL, MANY, Drain

EVENTS = 1_000_000
THREADS = 4


class NoSecondLook(Drain):
    """Broken: what is appended between the last look and the release stays behind."""

    __slots__ = ()

    def run(self):
        if self.queue and not self.closed and self._lock.acquire(blocking=False):
            try:
                while self.queue:
                    self._handle(self.queue.popleft())
                time.sleep(0.001)  # an injected switch just before the release
            finally:
                self._lock.release()


class NoLock(Drain):
    """Broken: two threads may work at once."""

    __slots__ = ()

    def run(self):
        while self.queue:
            try:
                item = self.queue.popleft()
            except IndexError:
                return
            self._handle(item)


def in_turns(handle):
    """A drain whose threads work 20 us at a time and leave the rest to a loop."""
    wake = threading.Event()
    queue = Drain(handle, 20_000, wake.set)

    def loop():
        while True:
            wake.wait()
            wake.clear()
            queue.run()

    threading.Thread(target=loop, daemon=True).start()
    return queue


def nobody_goes_on(handle):
    """Broken: whoever had its turn tells nobody."""
    return Drain(handle, 20_000, lambda: None)


def pour(kind, events, chance, monkeypatch):
    """Let the threads append; return (what was handled in order, what stayed, overlaps)."""
    monkeypatch.setattr(module, "MANY", 10**9)
    monkeypatch.setattr(module, "FULL", 10**9)
    handled, overlaps, busy = [], [], []
    dice = random.Random(7)

    def handle(item):
        if busy:
            overlaps.append(item)
        busy.append(item)
        if dice.random() < chance:
            time.sleep(0)  # a switch inside the work
        handled.append(item)
        busy.pop()

    queue = kind(handle)
    together = threading.Barrier(THREADS)

    def append(port):
        own = random.Random(port)
        together.wait()
        for number in range(events // THREADS):
            queue.put((port, number))
            if own.random() < chance:
                time.sleep(0)

    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        threads = [threading.Thread(target=append, args=(port,)) for port in range(THREADS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        end = time.monotonic() + 2
        while queue.left and time.monotonic() < end:
            time.sleep(0.001)
    finally:
        sys.setswitchinterval(before)
    return handled, list(queue.queue), overlaps


def is_sound(handled, left, overlaps, events):
    ports = [[number for port, number in handled if port == one] for one in range(THREADS)]
    return not left and not overlaps and all(numbers == list(range(events // THREADS)) for numbers in ports)


@pytest.mark.timeout(180)
def test_a_million_events_lose_nothing_and_keep_their_order(monkeypatch):
    assert is_sound(*pour(Drain, EVENTS, 0.001, monkeypatch), EVENTS)


@pytest.mark.timeout(180)
def test_threads_that_work_in_turns_lose_nothing_and_keep_their_order(monkeypatch):
    assert is_sound(*pour(in_turns, EVENTS // 5, 0.001, monkeypatch), EVENTS // 5)


def test_whoever_had_its_turn_leaves_a_storm_to_the_loop():
    handled, roused = [], []

    def handle(item):
        handled.append(item)
        if item < 1000:
            queue.queue.append(item + 1)  # a storm: whoever works finds more

    queue = Drain(handle, 1, lambda: roused.append(len(handled)))
    queue.put(0)
    assert roused == [len(handled)]
    assert len(handled) < 10
    queue.put(5000)  # another callback: it does not work for the storm
    assert len(handled) == roused[0]
    while queue.left:
        queue.run()
    assert len(handled) == 1002
    assert sorted(handled) == [*range(1001), 5000]
    queue.put(6000)
    assert handled[-1] == 6000
    # negative control: without turns whoever comes first works for as long as the storm lasts
    handled.clear()
    queue = Drain(handle)
    queue.put(0)
    assert len(handled) == 1001


@pytest.mark.parametrize(
    ("broken", "events"),
    [(NoSecondLook, THREADS), (NoLock, 20_000), (nobody_goes_on, 20_000)],
)
def test_a_broken_drain_is_noticed(broken, events, monkeypatch):
    """Negative controls."""
    assert any(not is_sound(*pour(broken, events, 0.05, monkeypatch), events) for _ in range(40))


def test_the_recorded_order_replays():
    """What four threads play at once is in the record; the record gives the same messages again."""
    from replank.control.setup import Setup

    performer = Performer(Setup(), 7, 0)
    record, sent = [], []

    def handle(item):
        port, data, stamp = item
        now = max(stamp, performer.now)
        outcome = performer.receive(Midi(port, data), now)
        record.append((port, data, performer.now))
        sent.extend(outcome.messages)

    queue = Drain(handle)

    def clock():
        queue.put((0, b"\xfa", time.monotonic_ns()))
        for _ in range(2000):
            queue.put((0, b"\xf8", time.monotonic_ns()))

    def knobs(number):
        for value in range(500):
            queue.put((1, bytes((0xB0, number, value % 128)), time.monotonic_ns()))

    threads = [threading.Thread(target=clock), *(threading.Thread(target=knobs, args=(n,)) for n in (1, 2, 3))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert queue.escaped == 0
    again = Performer(Setup(), 7, 0)
    replayed = [message for port, data, now in record for message in again.receive(Midi(port, data), now).messages]
    assert len(record) == 2001 + 1500
    assert replayed == sent
    assert any(data[0] & 0xF0 == 0x90 for _, data in sent)


def test_a_full_queue_drops_and_counts_all_but_the_last_word():
    queue = Drain(lambda item: None)
    queue.closed = True
    for number in range(FULL + 10):
        queue.put(number, may_lose=True)
    assert (len(queue.queue), queue.dropped) == (MANY, FULL + 10 - MANY)
    for number in range(FULL):
        queue.put(number)
    assert len(queue.queue) == FULL
    queue.put("stop", last=True)
    assert queue.queue[-1] == "stop"


def test_an_exception_is_counted_and_the_next_item_taken():
    seen = []

    def handle(item):
        if item == 2:
            raise ValueError("two")
        seen.append(item)

    queue = Drain(handle)
    for number in range(5):
        queue.put(number)
    queue.run()
    assert seen == [0, 1, 3, 4]
    assert queue.escaped == 1
    assert str(queue.trouble) == "two"
