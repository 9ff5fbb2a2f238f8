"""Listener and record are compared from the same moment, however late the record gets to the host."""

from collections import deque
from types import SimpleNamespace

import pytest

from replank.host.listener import Listener
from replank.host.watching import Watcher
from replank.performer.events import Heard, Midi, Resume

CLOCK = b"\xf8"
INTERVAL = 20_000_000


class Host:
    """A host with a listener and no ports; commands are kept."""

    def __init__(self, watcher: type[Watcher] = Watcher) -> None:
        self.now = self.came = 10**12
        self.queue: deque[int] = deque()
        self.commands: list[Heard] = []
        self.setup = SimpleNamespace(
            inputs=[SimpleNamespace(role="box"), SimpleNamespace(role="clock"), SimpleNamespace(role="clock")],
            clock=SimpleNamespace(source="external", mode="midi"),
        )
        transport = SimpleNamespace(running=True, judge=SimpleNamespace(interval=INTERVAL))
        self.shadow = SimpleNamespace(performer=SimpleNamespace(transport=transport))
        self.listener = Listener(self._read, lambda: self.now)
        self.cables = SimpleNamespace(listener=self.listener, alive=True)
        self.link = SimpleNamespace(command=self.commands.append)
        self.playing = True
        self.notices: list[dict] = []
        self.watcher = watcher(self)

    def notice(self, kind: str, **data: object) -> None:
        self.notices.append(data)

    def _read(self) -> tuple[bytes, float] | None:
        if not self.queue or self.queue[0] > self.now:
            return None
        before, self.came = self.came, self.queue.popleft()
        return CLOCK, (self.came - before) / 1e9

    def hear(self, clocks: int) -> list[int]:
        """Let the listener hear clocks; return when."""
        heard = [self.now + n * INTERVAL for n in range(1, clocks + 1)]
        self.queue.extend(heard)
        while self.now < heard[-1] + 1_000_000:
            self.now += 1_000_000
            self.listener.poll()
        self.now = heard[-1] + 2_000_000
        return heard

    def record(self, stamps: list[int], port: int = 1) -> None:
        for stamp in stamps:
            self.watcher.recorded(Midi(port, CLOCK), stamp + 100_000)

    def compare(self) -> list[int]:
        """Compare, as the host does some 40 times a second; return what the player is told."""
        self.watcher.tell_missed()
        return [stamp for event in self.commands for stamp in event.stamps]


def near(found: list[int], wanted: list[int]) -> bool:
    return len(found) == len(wanted) and all(abs(a - b) < 2_000_000 for a, b in zip(found, wanted, strict=True))


def test_what_the_record_lacks_is_told_once_a_later_clock_is_in_it():
    host = Host()
    heard = host.hear(100)
    host.record(heard[:50])
    assert host.compare() == [], "the record is late"
    host.record(heard[53:60])
    assert near(host.compare(), heard[50:53])
    host.record(heard[60:])
    assert near(host.compare(), heard[50:53])
    assert [one["state"] for one in host.notices] == ["missed"]
    assert host.listener.off == 3


def test_time_alone_shows_nothing():
    host = Host()
    heard = host.hear(50)
    host.record(heard)
    for _ in range(400):
        host.hear(1)
        assert host.compare() == []


def test_only_the_clock_that_the_listener_hears_is_compared():
    host = Host()
    heard = host.hear(50)
    host.record(heard[:20])
    host.record(heard[20:30], port=2)
    host.record(heard[30:])
    assert near(host.compare(), heard[20:30])


def test_what_the_next_player_was_told_is_in_the_record():
    host = Host()
    heard = host.hear(50)
    host.record(heard[:30])
    host.watcher.recorded(Resume(tuple(heard[30:40])), heard[39])
    host.record(heard[40:])
    assert host.compare() == []


def test_nothing_is_told_while_the_line_stands_or_nobody_plays():
    for still in ("running", "playing"):
        host = Host()
        heard = host.hear(50)
        if still == "playing":
            host.playing = False
        else:
            host.shadow.performer.transport.running = False
        host.record(heard[:20] + heard[22:])
        assert host.compare() == []


def check(watcher: type[Watcher]) -> None:
    """Begin anew while clocks wait in the pipe; some of them came before."""
    host = Host(watcher)
    before = host.hear(50)
    host.watcher.agree()
    after = host.hear(50)
    host.record(before[-5:])
    host.record(after[:40])
    assert host.compare() == []
    missing = host.listener.missing(INTERVAL)
    assert missing is not None and near([stamp for stamp, _ in missing], after[40:])


def test_clocks_on_their_way_are_compared_once():
    check(Watcher)


def test_a_record_that_is_compared_by_counts_is_rejected():
    """Negative control: after a killed host the next player came in up to half a bar ahead."""

    class Naive(Watcher):
        heard = taken = 0

        def recorded(self, event, now):
            super().recorded(event, now)
            self.taken += 1

        def agree(self):
            super().agree()
            self.taken = 0

        def tell_missed(self):
            tail = self._host.listener.missing(INTERVAL)
            if self.taken != 40 or tail is None:
                self._host.commands.append(Heard((0,) * abs(self.taken - 40)))

    with pytest.raises(AssertionError):
        check(Naive)


def test_who_takes_no_commands_is_told_nothing():
    host = Host()

    def full(event: object) -> None:
        raise BufferError

    heard = host.hear(50)
    host.link.command = full
    host.record(heard[:20] + heard[22:])
    assert host.compare() == [] and host.notices == []
