"""Between moments and ticks."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.midi.tempo import CLOCK_TICKS, SLOWEST, TickMap, tempo_us

MS = 1_000_000
gaps = st.lists(st.integers(0, 300 * MS), min_size=1, max_size=120)


def times_of(some: list[int], start: int = 5 * MS) -> list[int]:
    times = [start]
    for gap in some:
        times.append(times[-1] + gap)
    return times


def moments(tempos: list[tuple[int, int]], ticks: list[int], start: int) -> list[float]:
    """Return ns of ticks as a file's reader works them out (tempo = us per 960 ticks)."""
    found = []
    for tick in ticks:
        now = float(start)
        for (at, tempo), (until, _) in pairwise([*tempos, (10**12, 0)]):
            if tick > at:
                now += (min(tick, until) - at) * tempo * 1000 / 960
        found.append(now)
    return found


@given(gaps)
def test_each_clock_has_its_own_tick(some: list[int]):
    ticks = TickMap.of_clocks(times_of(some))
    for ns, tick in ticks.knots:
        assert ticks.tick(ns) == tick
        assert tick % CLOCK_TICKS == 0


def check_lands(tempos_of, some: list[int]) -> None:
    ticks = TickMap.of_clocks(times_of(some))
    found = moments(tempos_of(ticks), [tick for _, tick in ticks.knots], ticks.knots[0][0])
    worst = max(abs(a - ns) for a, (ns, _) in zip(found, ticks.knots, strict=True))
    assert worst <= 101_000, f"a clock lands {worst / 1000:.0f} us from where it was"


@given(gaps)
def test_a_file_plays_every_uneven_clock_where_it_was(some: list[int]):
    check_lands(TickMap.tempos, some)


def test_one_mean_tempo_for_an_uneven_clock_is_rejected():
    def mean(ticks: TickMap) -> list[tuple[int, int]]:
        (first, _), (last, tick) = ticks.knots[0], ticks.knots[-1]
        return [(0, round((last - first) * 960 / tick / 1000))]

    with pytest.raises(AssertionError, match="from where it was"):
        check_lands(mean, [20 * MS, 30 * MS] * 20 + [40 * MS] * 20)


def test_an_even_clock_is_one_tempo():
    assert TickMap.of_clocks(times_of([20_833_333] * 500)).tempos() == [(0, 500_000)]


def test_a_pause_is_whole_quarter_notes_at_the_last_pace():
    ticks = TickMap.of_clocks(times_of([20 * MS] * 10 + [2_000 * MS] + [20 * MS] * 5))
    assert ticks.knots[11][1] - ticks.knots[10][1] == 96 * CLOCK_TICKS  # 2 s at 480 ms a quarter: 4.17
    assert all(tempo <= SLOWEST for _, tempo in ticks.tempos())


@given(st.integers(0, 24 * 3600 * 1000 * MS))
def test_a_pause_of_any_length_can_be_held_by_a_file(pause: int):
    ticks = TickMap.of_clocks(times_of([20 * MS] * 3 + [pause] + [20 * MS] * 3))
    assert all(1 <= tempo <= SLOWEST for _, tempo in ticks.tempos())
    check_lands(TickMap.tempos, [20 * MS] * 3 + [pause] + [20 * MS] * 3)


@given(gaps, st.integers(0, 40_000 * MS), st.integers(0, 40_000 * MS))
def test_ticks_rise_with_time(some: list[int], one: int, other: int):
    ticks = TickMap.of_clocks(times_of(some))
    early, late = sorted((one, other))
    assert ticks.tick(early) <= ticks.tick(late)


@pytest.mark.parametrize("knots", [[], [(0, 0)], [(0, 0), (0, 40)], [(5, 0), (9, 0)], [(9, 40), (5, 80)]])
def test_pairs_that_do_not_rise_are_refused(knots: list[tuple[int, int]]):
    with pytest.raises(ValueError, match=r"tempo map|does not come after"):
        TickMap(knots)


def test_whole_microseconds_per_quarter_note():
    assert [tempo_us(tempo) for tempo in (120, 97, 20)] == [500_000, 618_557, 3_000_000]
