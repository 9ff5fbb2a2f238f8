"""Percentiles."""

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.timing.statistics import deviations_ms, percentile

values = st.lists(st.integers(0, 10**9), min_size=1, max_size=200).map(sorted)


@given(values, st.integers(1, 100))
def test_the_definition_of_the_nearest_rank(rising: list[int], percent: int):
    found = percentile(rising, percent)
    assert found in rising
    assert 100 * sum(v <= found for v in rising) >= percent * len(rising)
    below = [v for v in rising if v < found]
    assert 100 * len(below) < percent * len(rising)


@given(values)
def test_the_middle_is_the_low_median_of_the_standard_library(rising: list[int]):
    assert percentile(rising, 50) == statistics.median_low(rising)


def test_sizes_in_milliseconds():
    assert deviations_ms([-3_000_000, 1_000_000, 2_000_000]) == {"p50": 2.0, "p95": 3.0, "p99": 3.0, "max": 3.0}
    assert deviations_ms([]) is None


@pytest.mark.parametrize(("rising", "percent"), [([], 50), ([1], 0), ([1], 101)])
def test_nonsense_is_refused(rising: list[int], percent: int):
    with pytest.raises(ValueError):
        percentile(rising, percent)
