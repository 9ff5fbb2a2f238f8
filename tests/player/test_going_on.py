"""A player that takes another's place: what the host's listener heard first, then what waits in its own queue."""

import os
from types import SimpleNamespace
from typing import Any

import pytest

from replank import wire
from replank.control.setup import Setup
from replank.performer import Performer
from replank.performer.events import Midi, Reconnected, Resume, to_plain
from replank.pipes import Reader
from replank.player.process import Player

CLOCK, START = b"\xf8", b"\xfa"
INTERVAL = 20_000_000
BEGAN = 10**9
OPTIONS: dict[str, Any] = {"generation": 2, "reconnect": False}


def until(clocks: int) -> Performer:
    """Return a performer that has heard Start and so many clocks."""
    made = Performer(Setup(), 7, 0)
    made.receive(Midi(port(made), START), BEGAN)
    for n in range(1, clocks + 1):
        made.receive(Midi(port(made), CLOCK), BEGAN + n * INTERVAL)
    return made


def port(performer: Performer) -> int:
    return next(i for i, one in enumerate(performer.setup.inputs) if one.role == "clock")


def going_on(waiting: list[tuple[int, bytes]], make: type[Player] = Player, **go: Any) -> tuple[Performer, list[Any]]:
    """Let a player take over after 100 clocks; return its performer and the events of its record with their times.

    Args:
        waiting: (stamp, message) of its own queue.
        make: Of the player.
        go: What it is told.
    """
    read, record = os.pipe()
    beat_read, beat = os.pipe()
    try:
        player = make(-1, record, beat, 2, SimpleNamespace())  # type: ignore[arg-type]
        performer = Performer.restore(until(100).save())
        player.stage.load(performer)
        player._clock_ports = frozenset((port(performer),))
        for stamp, data in waiting:
            player.heard(port(performer), data, stamp)
        player._go({**OPTIONS, **go})
        os.set_blocking(read, False)
        kinds = (wire.INPUT, wire.INPUT_MIDI)
        player.stage.writer.flush()
        found = [wire.unpack_input(*one)[:2] for one in Reader().feed(os.read(read, 1 << 20)) if one[0] in kinds]
        return performer, found
    finally:
        for fd in (read, record, beat_read, beat, player._wake, player._wake_out):
            os.close(fd)


def at(clock: float) -> int:
    return BEGAN + round(clock * INTERVAL)


def resumed(*clocks: int) -> list[Any]:
    return [at(clocks[-1]), to_plain(Resume(tuple(at(n) for n in clocks)))]


def check(make: type[Player] = Player) -> None:
    """The listener heard 101 to 105; the player's own queue has 103 on, stamped a little later."""
    waiting = [(at(n) + 1_000_000, CLOCK) for n in range(103, 108)]
    performer, found = going_on(waiting, make, at=at(105.5), first=[resumed(101, 102, 103, 104, 105)])
    assert performer.transport.song_clock == 106
    assert [now for _, now in found] == [at(105), at(106) + 1_000_000, at(107) + 1_000_000], "stamps are kept"
    assert performer.transport.judge.word == "locked"


def test_what_both_have_is_counted_once_and_stamps_are_kept():
    check()


def test_a_player_that_counts_what_waits_as_well_is_rejected():
    """Negative control."""

    class Twice(Player):
        def _is_counted(self, item: tuple[int, Any, int], counted_to: int) -> bool:
            return False

    with pytest.raises(AssertionError):
        check(Twice)


def test_where_nobody_knows_what_was_missed_all_that_waits_is_played():
    waiting = [(at(n), CLOCK) for n in range(104, 108)]
    performer, found = going_on(waiting, at=0, first=[])
    assert len(found) == 4
    assert performer.transport.judge.word == "estimated", "the performer's judge sees the gap itself"


def test_receivers_are_told_first_and_later_stamps_are_still_their_own():
    waiting = [(at(102), CLOCK)]
    _, found = going_on(waiting, at=at(101.5), first=[resumed(101)], reconnect=True)
    assert [type(event) for event, _ in found] == [Reconnected] * (len(found) - 2) + [Resume, Midi]
    assert [now for _, now in found[-2:]] == [at(101), at(102)]


def test_a_start_that_nobody_performed_is_performed():
    first = [[at(101), to_plain(Midi(port(until(0)), START))], resumed(102)]
    performer, _ = going_on([(at(103), CLOCK)], at=at(102.5), first=first)
    assert performer.transport.song_clock == 1
