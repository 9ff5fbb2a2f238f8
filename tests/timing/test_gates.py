"""Swing, gates and ratchets."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.timing.gates import (
    clocks_ns,
    gap_before_repeat,
    ratchet_offsets,
    slot_length,
    swing_delay,
)

MS = 1_000_000
divisions = st.integers(1, 768)
swings = st.floats(50, 75)


@pytest.mark.parametrize(
    ("clock", "division", "swing", "delay"),
    [
        (0, 6, 66.7, (0, 0)),
        (6, 6, 50.0, (0, 0)),
        (6, 6, 66.667, (2, 0)),  # the triplet: whole clocks suffice
        (6, 6, 66.7, (2, 0)),
        (6, 6, 58.0, (0, 960_000)),
        (6, 6, 75.0, (3, 0)),
        (18, 6, 54.0, (0, 480_000)),
        (12, 12, 60.0, (2, 400_000)),
    ],
)
def test_swing(clock: int, division: int, swing: float, delay: tuple[int, int]):
    assert swing_delay(clock, division, swing) == delay


def check_grid(delay_of) -> None:
    """Seven steps against the grid: what is late is the odd slot, in every round."""
    for slot in range(28):
        is_late = delay_of(slot, slot % 7) != (0, 0)
        assert is_late == (slot % 2 == 1), f"slot {slot} limps"


def test_swing_follows_the_grid_of_the_song():
    check_grid(lambda slot, step: swing_delay(slot * 6, 6, 62.0))


def test_a_swing_by_step_number_is_rejected():
    with pytest.raises(AssertionError, match="limps"):
        check_grid(lambda slot, step: swing_delay(step * 6, 6, 62.0))


@given(st.integers(0, 100_000), divisions, swings)
def test_swing_is_what_the_formula_says(clock: int, division: int, swing: float):
    whole, rest = swing_delay(clock, division, swing)
    assert 0 <= rest < 1_000_000
    exact = division * (2 * swing / 100 - 1) if clock // division % 2 else 0.0
    # read to a thousandth of a per cent, and to a hundredth of a clock
    assert abs(whole + rest / 1e6 - exact) <= 0.0100001 + division * 1.00001e-5


@given(st.integers(0, 1_000), divisions, swings)
def test_two_slots_are_as_long_as_two_steps(pair: int, division: int, swing: float):
    first = pair * 2 * division
    lengths = [slot_length(at, division, swing) for at in (first, first + division)]
    assert sum(lengths) == 2 * division * 1_000_000
    assert lengths[0] >= lengths[1] > 0


@given(st.integers(1, 10**9), st.integers(1, 10**9), st.integers(1 * MS, 30 * MS))
def test_a_repeated_pitch_has_a_gap_before_it(gate: int, step: int, gap: int):
    found = gap_before_repeat(gate, step, gap)
    assert 1 <= found <= max(1, gate)
    assert found <= max(step - gap, step // 2, 1)


def test_repeats_fall_on_whole_clocks_where_they_can():
    assert ratchet_offsets(6, 2) == (0, 3)
    assert ratchet_offsets(6, 3) == (0, 2, 4)
    assert ratchet_offsets(6, 4) is None
    assert ratchet_offsets(24, 4) == (0, 6, 12, 18)


@given(divisions, st.integers(1, 4))
def test_repeats_are_even_and_inside_the_step(division: int, strikes: int):
    found = ratchet_offsets(division, strikes)
    if found is None:
        assert division % strikes
        return
    assert len(found) == strikes
    assert {b - a for a, b in pairwise(found)} <= {division // strikes}
    assert found[-1] < division


def test_clocks_to_time():
    assert clocks_ns(2, 500_000, 20 * MS) == 50 * MS
