"""The practice clock: seeded, within its drift, with the drop-outs it was asked for."""

from itertools import pairwise

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


def test_drops_out_and_comes_back():
    clock = PracticeClock(0, 120.0, dropouts=2.0, seed=5, breaks=False)
    heard = hear(clock, 1200)
    clocks = [when for when, data in heard if data == CLOCK]
    gaps = [b - a for a, b in pairwise(clocks) if b - a > SECOND]
    assert clock.lost_cables > 3
    assert clock.pauses > 3
    assert len(gaps) == clock.lost_cables + clock.pauses
    assert all(1.4 * SECOND < gap < 6.2 * SECOND for gap in gaps)


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


def test_a_clock_that_was_held_up_does_not_catch_up():
    clock = PracticeClock(0, 120.0)
    clock.take(SECOND)
    assert len(clock.take(60 * SECOND)) < 20
    assert clock.next_time() > 59 * SECOND
