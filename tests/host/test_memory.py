"""What the host holds in memory stays bounded, however long the line plays.

Counted are the blocks that CPython's allocator has given out: they tell what is
held from what the system has lent and not yet taken back.
"""

import asyncio
import gc
import os
import sys
import time
from typing import Any, cast

import pytest

from replank import wire
from replank.control.setup import Setup
from replank.host import shadow as host_shadow
from replank.host.feed import Feed
from replank.host.journal import Journal
from replank.host.links import Link
from replank.host.shadow import Shadow, Sounding
from replank.performer import Performer
from replank.performer.events import to_plain
from replank.player.stage import DEADLINE, Stage

STEP = 60_000_000_000 // (300 * 24)
"""From clock to clock at 300 BPM, ns; a note on each."""
FEW = 16
"""Changes on the trail: so it is full soon."""
SETTLED, COUNTED = 1200, 2400
"""Clocks until all that may fill has filled, and then those over which memory is compared."""
MOST = 1000
"""Blocks that may come and go: what the database's thread and a change on the trail just hold."""


class Clock:
    """Stands in for the player's clock."""

    now = 0

    def monotonic_ns(self) -> int:
        return self.now


class NoLoop:
    """Stands in for the event loop: the pipe is read when the test says so."""

    def add_reader(self, *_: object) -> None: ...
    def remove_writer(self, *_: object) -> None: ...


class Line:
    """A player's stage and the host's way of its record, from the pipe to journal, shadow and database."""

    def __init__(self, folder: Any, monkeypatch: pytest.MonkeyPatch, **values: Any) -> None:
        self.clock = Clock()
        monkeypatch.setattr("replank.player.stage.time", self.clock)
        setup = Setup(values={"division": "1c", "length": 8, "rest_chance": 0.0, "slide_chance": 0.0, **values})
        saved = Performer(setup, 7, 0).save()
        saved["melody"]["trail"]["limit"] = FEW
        record, into = os.pipe()
        unread, beat = os.pipe()
        self._fds = (record, into, unread, beat)
        self.stage = Stage(into, beat)
        self.stage.load(Performer.restore(saved))
        journal = Journal(folder / "a.journal")
        self.feed = Feed(folder / "shows.db", "a", lambda notice: None, journal)
        self.differs: list[str] = []
        self.kinds: set[int] = set()
        followed = Performer.restore(saved)
        self.shadow = Shadow(followed, self._input, self.feed.output, self._tell, self.differs.append)
        self.feed.begin(self.shadow.performer, "")
        loop = cast(asyncio.AbstractEventLoop, NoLoop())
        self.link = Link(loop, beat, record, self._take, keep=journal.write)

    def _input(self, now: int, event: Any, serial: int, notices: list[Any]) -> None:
        self.feed.input(now, to_plain(event))
        self._tell(notices)

    def _tell(self, notices: list[Any]) -> None:
        for notice in notices:
            self.feed.notice(notice)

    def _take(self, kind: int, payload: bytes) -> None:
        self.kinds.add(kind)
        if kind == wire.SENT:
            self.shadow.sent()
        elif kind == wire.OUTPUT:
            self.shadow.output(payload)
        else:
            self.shadow.input(kind, payload)

    def play(self, clocks: int, first: bytes = b"\xf8") -> None:
        """Let clocks come, and the deadlines between them, and the host read what came of it."""
        clock, stage = self.clock, self.stage
        for number in range(clocks):
            at = clock.now + STEP
            while stage.deadline <= at:
                clock.now = stage.deadline
                stage.handle((DEADLINE, None, clock.now))
            clock.now = at
            stage.handle((0, b"\xf8" if number else first, at))
            self.link.read()

    def held(self) -> int:
        """Return the blocks held once all is in the database."""
        end = time.monotonic() + 20
        while self.feed.health()["queued"]:
            assert time.monotonic() < end, "the database has not taken it"
            time.sleep(0.02)
        gc.collect()
        return sys.getallocatedblocks()

    def grown(self) -> int:
        """Return by how many blocks the host grows while notes go by."""
        self.play(SETTLED, b"\xfa")
        before = self.held()
        self.kinds.clear()
        self.play(COUNTED)
        return self.held() - before

    def close(self) -> None:
        self.feed.close()
        for fd in self._fds:
            os.close(fd)


class PilesUp(Sounding):
    """A build that keeps what was struck until the player tells of a release."""

    def written(self, messages: list[tuple[int, bytes]], is_sent: bool) -> None:
        if is_sent:
            self._apply(messages)
        else:
            self._unsent += messages


def test_notes_that_go_by_leave_nothing_behind(tmp_path, monkeypatch):
    line = Line(tmp_path, monkeypatch, gate=0.5)
    grown = line.grown()
    line.close()
    assert wire.SENT not in line.kinds, "each note ends by a deadline: the player has no release to tell of"
    assert line.differs == []
    assert abs(grown) < MOST


def test_notes_that_end_as_the_next_begins_leave_nothing_behind(tmp_path, monkeypatch):
    line = Line(tmp_path, monkeypatch, gate=1.0)
    grown = line.grown()
    line.close()
    assert wire.SENT in line.kinds
    assert line.differs == []
    assert abs(grown) < MOST


def test_a_host_that_keeps_what_was_struck_grows(tmp_path, monkeypatch):
    """Negative control: two blocks at least for each note."""
    monkeypatch.setattr(host_shadow, "Sounding", PilesUp)
    line = Line(tmp_path, monkeypatch, gate=0.5)
    grown = line.grown()
    line.close()
    assert grown > 2 * COUNTED * 0.9
