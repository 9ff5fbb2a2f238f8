"""Following clocks and pulses that somebody else sends."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.timing.follower import LOST_AT_LEAST, WINDOW, ClockFollower, PulseFollower

MS = 1_000_000
intervals = st.integers(5 * MS, 125 * MS)


def feed(follower: ClockFollower, now: int, gaps: list[int]) -> int:
    for gap in gaps:
        now += gap
        follower.tick(now)
    return now


def after(gaps: list[int]) -> ClockFollower:
    follower = ClockFollower()
    feed(follower, 1_000, [0, *gaps])
    return follower


def check_steady(make: type[ClockFollower]) -> None:
    for interval in (5 * MS, 20_833_333, 125 * MS):
        follower = make()
        now = feed(follower, 0, [interval] * 100)
        assert follower.interval == interval
        assert follower.steady
        assert follower.count == 100
        assert follower.dropouts == 0
        assert follower.tempo() == pytest.approx(60e9 / 24 / interval)
        assert follower.missing(now + interval) == 0
        assert follower.missing(now + 9 * interval + interval // 3) == 8
        assert follower.lost_after() == now + max(4 * interval, 500 * MS)


def check_jump(make: type[ClockFollower]) -> None:
    for slow, fast in ((125 * MS, 20 * MS), (20 * MS, 125 * MS), (30 * MS, 20 * MS)):
        follower = make()
        now = feed(follower, 0, [slow] * 60)
        feed(follower, now, [fast] * 3)
        assert follower.interval == fast, "a new tempo was not adopted within three clocks"


@pytest.mark.parametrize("check", [check_steady, check_jump])
def test_an_even_clock_is_known_exactly_and_a_jump_adopted(check):
    check(ClockFollower)


def test_a_follower_that_adopts_nothing_is_rejected():
    class Stubborn(ClockFollower):
        def _take_odd(self, new: int, mean: int) -> None:
            pass

    with pytest.raises(AssertionError, match="not adopted"):
        check_jump(Stubborn)


def test_a_follower_that_averages_over_everything_is_rejected():
    class Slow(ClockFollower):
        def _take_odd(self, new: int, mean: int) -> None:
            self._odd = 0
            self._slide(new, mean)

    with pytest.raises(AssertionError, match="not adopted"):
        check_jump(Slow)


@given(intervals, st.integers(1, 24))
def test_a_small_change_is_followed_within_a_quarter_note(interval: int, percent: int):
    follower = after([interval] * 50 + [interval * (100 + percent) // 100] * WINDOW)
    assert follower.interval == interval * (100 + percent) // 100


@given(intervals, st.integers(1, 40))
def test_missing_clocks_are_one_drop_out_and_no_tempo(interval: int, missing: int):
    follower = after([interval] * 30 + [interval * (missing + 1)] + [interval] * 5)
    assert (follower.dropouts, follower.interval) == (1, interval)


@given(intervals)
def test_a_late_clock_is_no_drop_out_and_averages_out(interval: int):
    follower = after([interval] * 30 + [interval * 8 // 5, interval * 2 // 5] + [interval] * 5)
    assert follower.dropouts == 0
    assert abs(follower.interval - interval) <= 1
    jitter = follower.jitter()
    assert jitter is not None
    assert jitter["max"] == pytest.approx(interval * 0.6 / MS, abs=0.01)


def test_clocks_that_arrive_in_bunches_keep_the_mean_pace():
    follower = after([20 * MS] * 30 + [0, 0, 0, 80 * MS] * 24)
    assert abs(follower.interval - 20 * MS) < 3 * MS


@given(st.lists(st.integers(0, 3_000 * MS), max_size=200), st.integers(1, 100))
def test_no_bunch_of_clocks_is_told_as_a_tempo(gaps: list[int], bunched: int):
    """Clocks that were held up and come together, first of all or behind a gap, are faster than any music."""
    for follower in (after([10_000] * bunched), after([*gaps, 5_000 * MS, *[10_000] * bunched])):
        tempo = follower.tempo()
        assert tempo is None or tempo <= 2500
    assert after([20 * MS, *[10_000] * 50, 20 * MS, 20 * MS]).tempo() == pytest.approx(125)


@given(st.lists(st.integers(0, 3_000 * MS), max_size=200))
def test_any_clock_at_all_leaves_a_sane_follower(gaps: list[int]):
    follower = after(gaps)
    assert follower.interval <= max([1, *gaps])
    assert (follower.interval > 0) == (len(gaps) > 0)
    assert follower.lost_after() >= follower.last + LOST_AT_LEAST
    assert follower.missing(follower.last) == 0
    assert follower.count == len(gaps) + 1


@given(st.lists(st.integers(0, 300 * MS), max_size=80), st.lists(st.integers(0, 300 * MS), max_size=80))
def test_a_restored_follower_goes_on_as_the_saved_one(before: list[int], later: list[int]):
    one = after(before)
    other = ClockFollower.restore(one.save())
    assert other == one
    feed(one, one.last, later)
    feed(other, other.last, later)
    assert other == one
    assert other.jitter() == one.jitter()
    assert other.steady == one.steady


def test_before_any_clock_nothing_is_known():
    follower = ClockFollower()
    assert (follower.interval, follower.last, follower.tempo(), follower.jitter()) == (0, -1, None, None)
    assert not follower.steady
    assert follower.missing(10**12) == 0


def test_forgetting_keeps_the_counts():
    follower = after([20 * MS] * 40)
    follower.forget()
    assert (follower.interval, follower.last, follower.count) == (0, -1, 41)
    follower.tick(10**12)
    assert follower.interval == 0, "the gap before the first clock is no interval"


@pytest.mark.parametrize("gaps", [[20 * MS] * 23, [20 * MS, 50 * MS] * 30, [20 * MS] * 40 + [60 * MS]])
def test_a_short_or_uneven_clock_is_not_steady(gaps: list[int]):
    assert not after(gaps).steady


def test_pulses_know_their_last_interval():
    pulses = PulseFollower()
    assert (pulses.interval, pulses.last) == (0, -1)
    for now in (0, 500 * MS, 900 * MS):
        pulses.tick(now)
    assert (pulses.interval, pulses.last, pulses.count) == (400 * MS, 900 * MS, 3)
    assert PulseFollower.restore(pulses.save()) == pulses
    pulses.tick(900 * MS)
    assert pulses.interval == 1, "two at one moment are an interval all the same"
    pulses.forget()
    assert (pulses.interval, pulses.last, pulses.count) == (0, -1, 4)
