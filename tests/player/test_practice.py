"""The practice clock: seeded, within its drift, with the drop-outs it was asked for."""

from itertools import pairwise

import pytest

from replank.player import practice
from replank.player.practice import CLOCK, CONTINUE, START, STOP, PracticeClock

SECOND = 10**9


def hear(clock, seconds):
    """Return (time, byte) of everything, asked at each due time."""
    heard = []
    while (when := clock.next_time()) < seconds * SECOND:
        heard += [(when, data) for data in clock.take(when)]
    return heard


def test_begins_with_start_and_keeps_the_tempo():
    heard = hear(PracticeClock(0, 120.0), 60)
    assert heard[0][1] == START
    clocks = [when for when, data in heard if data == CLOCK]
    gaps = [b - a for a, b in pairwise(clocks)]
    assert {round(gap / 1e5) for gap in gaps} == {208}  # MIDI 1.0: 24 to the quarter, 20.8333 ms at 120 BPM
    assert all(data == CLOCK for _, data in heard[1:])


def test_wavers_within_the_drift():
    heard = hear(PracticeClock(0, 120.0, drift=0.03, seed=3, breaks=False), 300)
    clocks = [when for when, data in heard if data == CLOCK]
    gaps = [b - a for a, b in pairwise(clocks)]
    assert 20833333 / 1.031 < min(gaps) < 20833333 / 1.01
    assert 20833333 / 0.99 < max(gaps) < 20833333 / 0.969


INTERVAL = 60 * SECOND / (24 * 120)


def test_drops_out_in_every_way_and_comes_back():
    clock = PracticeClock(0, 120.0, dropouts=20.0, seed=5, breaks=False)
    clocks = [when for when, data in hear(clock, 3600) if data == CLOCK]
    gaps = [b - a for a, b in pairwise(clocks)]
    assert sum(clock.faults.values()) > 500
    assert all(count > 20 for count in clock.faults.values()), clock.faults
    long = [gap for gap in gaps if gap > SECOND]
    assert abs(len(long) - clock.faults["cable"] - clock.faults["pause"]) <= 1  # the last may be under way
    assert all(1.4 * SECOND < gap < 6.2 * SECOND for gap in long)
    assert any(1.9 * INTERVAL < gap < 2.1 * INTERVAL for gap in gaps), "single lost clocks"
    assert any(0.2 * SECOND < gap < SECOND for gap in gaps), "holes and bursts"
    assert any(0 < gap < 0.2 * INTERVAL for gap in gaps), "clocks that come twice"
    assert any(gap == 0 for gap in gaps), "bursts"


def only(monkeypatch, name, dropouts=10.0):
    """Return the clocks heard in 20 minutes of one kind of drop-out, and how many of these there were."""
    faults = {one: (float(one == name), *span) for one, (_, *span) in practice.FAULTS.items()}
    monkeypatch.setattr(practice, "FAULTS", faults)
    clock = PracticeClock(0, 120.0, dropouts=dropouts, seed=3, breaks=False)
    clocks = [when for when, data in hear(clock, 1200) if data == CLOCK]
    assert set(clock.faults) - {one for one, count in clock.faults.items() if not count} == {name}
    return clocks, clock.faults[name]


WHOLE = int(1200 * SECOND / INTERVAL)
"""Clocks of 20 minutes."""


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [  # clocks that the listener lacks, for each drop-out
        ("lost clock", 1, 1),
        ("crackle", 2, 36),
        ("hole", 0, 24),
        ("clock twice", -1, -1),
        ("late burst", 0, 0),
        ("cable", 71, 289),
        ("pause", 71, 289),
    ],
)
def test_each_way_loses_what_it_says(monkeypatch, name, least, most):
    clocks, count = only(monkeypatch, name)
    lacking = WHOLE - 14 - len(clocks)  # the first comes after 300 ms
    assert count > 50
    assert least * count - abs(most) - 1 <= lacking <= most * count + abs(least) + 1, (lacking, count)
    grid = clocks[0]
    off = [(when - grid) % INTERVAL for when in clocks]
    strays = sum(5e5 < one < INTERVAL - 5e5 for one in off)
    assert (strays > count / 2) == (name in ("clock twice", "late burst", "pause")), (
        strays
    )  # others leave the grid alone


def test_stops_and_goes_on():
    heard = hear(PracticeClock(0, 240.0, seed=1), 600)
    transport = [data for _, data in heard if data != CLOCK]
    assert transport[0] == START
    assert STOP in transport
    assert all(data == STOP for data in transport[1::2])
    assert {START, CONTINUE} >= set(transport[::2])


def test_the_same_seed_is_the_same_drummer():
    one, other, third = (PracticeClock(0, 120.0, 0.03, 1.0, seed) for seed in (9, 9, 10))
    assert hear(one, 120) == hear(other, 120) != hear(third, 120)


def test_the_same_seed_fails_the_same_way_however_often_it_is_asked():
    asked, rarely = (PracticeClock(0, 120.0, 0.03, 20.0, 9) for _ in range(2))
    often = [data for _, data in hear(asked, 300)]
    seldom = [data for now in range(0, 300 * SECOND, SECOND // 50) for data in rarely.take(now)]
    assert asked.faults == rarely.faults
    assert often[: len(seldom)] == seldom


def test_a_clock_that_was_held_up_does_not_catch_up():
    clock = PracticeClock(0, 120.0)
    clock.take(SECOND)
    assert len(clock.take(60 * SECOND)) < 20
    assert clock.next_time() > 59 * SECOND
