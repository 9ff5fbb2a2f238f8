"""Bars and beats."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.parameters import METERS
from replank.timing.bars import Bars

meters = st.sampled_from(METERS)
clocks = st.integers(-5_000, 100_000)


@pytest.mark.parametrize(
    ("meter", "clock", "position"),
    [
        ("4/4", 0, (1, 1, 0)),
        ("4/4", 95, (1, 4, 23)),
        ("4/4", 96, (2, 1, 0)),
        ("6/8", 71, (1, 6, 11)),
        ("7/8", 84, (2, 1, 0)),
        ("5/4", 119, (1, 5, 23)),
    ],
)
def test_positions(meter: str, clock: int, position: tuple[int, int, int]):
    assert Bars(meter).position(clock) == position


@given(meters, clocks)
def test_a_position_counts_back_to_its_clock(meter: str, clock: int):
    bars = Bars(meter)
    bar, beat, rest = bars.position(clock)
    assert (bar - 1) * bars.bar_length + (beat - 1) * bars.beat_length + rest == clock
    assert bars.bar_index(clock) == bar - 1
    assert bars.is_bar(clock) == (beat == 1 and rest == 0)
    assert bars.is_beat(clock) == (rest == 0)


@given(meters, clocks)
def test_the_next_bar_is_the_first_bar_line_not_before(meter: str, clock: int):
    bars = Bars(meter)
    line = bars.next_bar(clock)
    assert clock <= line < clock + bars.bar_length
    assert bars.is_bar(line)


@given(meters, meters, st.integers(0, 50))
def test_a_new_meter_goes_on_counting_bars(before: str, after: str, bar: int):
    bars = Bars(before)
    line = bar * bars.bar_length
    bars.set_meter(after, line)
    assert bars.position(line) == (bar + 1, 1, 0)
    assert bars.position(line + bars.bar_length) == (bar + 2, 1, 0)
    assert bars.bar_index(line - 1) == bar - 1


def test_a_meter_begun_inside_a_bar_begins_the_next_bar():
    bars = Bars("4/4")
    bars.set_meter("3/4", 48)
    assert bars.position(48) == (2, 1, 0)


def test_a_wrong_meter_changes_nothing():
    bars = Bars("3/4")
    with pytest.raises(ValueError, match="meter"):
        bars.set_meter("3/5", 72)
    assert bars == Bars("3/4")


@given(meters, clocks)
def test_an_anchor_is_bar_1_beat_1(meter: str, clock: int):
    bars = Bars(meter)
    bars.set_origin(clock)
    assert bars.position(clock) == (1, 1, 0)


@given(meters, meters, clocks, clocks)
def test_restored_bars_count_the_same(before: str, after: str, change: int, clock: int):
    bars = Bars(before)
    bars.set_meter(after, change)
    other = Bars.restore(bars.save())
    assert other == bars
    assert other.position(clock) == bars.position(clock)
