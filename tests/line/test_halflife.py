"""Half-life: the inverse forms, and the effective rate against mutations that really happen."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.line.chance import MUTATE, Numbers
from replank.line.halflife import at_home, half_life, half_life_from_home, rate_for, settled, touch_rate, untouched
from replank.line.kinds import Chances
from replank.line.lenses import lens_for
from replank.line.mutation import mutate
from replank.line.scales import SCALES
from replank.line.steps import Step
from tests.line import lines
from tests.line.bounds import assert_mean
from tests.line.oracles import same_pitch

WEIGHTS = lines.DEFAULT_WEIGHTS


@given(st.integers(1, 64), st.floats(0.5, 5000.0))
def test_rate_and_half_life_are_inverse(n, cycles):
    rate = rate_for(n, cycles)
    assert half_life(n, rate) == pytest.approx(cycles)
    assert untouched(n, rate, cycles) == pytest.approx(0.5)


def test_never_and_at_once():
    assert half_life(16, 0.0) is None
    assert half_life(0, 0.5) is None
    assert half_life(1, 1.0) == 0.0
    assert untouched(16, 0.0, 1000) == 1.0


def test_rate_by_hand():
    # 11.3 weights, of which 8.3 change a pitch, and a swap two: (8.3 + 1) / 11.3 touches a mutation.
    assert touch_rate(1.0, 1, WEIGHTS, 0.0, 0.0, 16) == pytest.approx(9.3 / 11.3)
    assert touch_rate(0.5, 1, WEIGHTS, 0.5, 0.5, 16) == pytest.approx(0.5 * (0.5 * 0.5 + 0.5 * 9.3 / 11.3))
    assert touch_rate(0.5, 1, WEIGHTS, 1.0, 1.0, 16) == 0.0, "all at home and only homing"
    assert touch_rate(1.0, 16, (1.0, 0, 0, 0, 0, 0, 0), 0.0, 0.0, 16) == 16
    assert touch_rate(1.0, 1, (0.0,) * 7, 0.0, 0.0, 16) == 0.0
    assert touch_rate(1.0, 1, (0, 0, 1.0, 0, 0, 0, 0), 0.0, 0.0, 1) == 0.0, "one step has no partner"
    assert touch_rate(1.0, 4, WEIGHTS, 0.5, 0.5, 0) == 0.0


def check_rate(weights: tuple[float, ...], count: int, homing: float, claimed: float) -> None:
    """Assert that a claimed rate is the mean number of distinct steps touched in their pitch."""
    # Sixteen different pitches, an octave inside the register for each, some rests, some
    # accents: each kind can be made, as the formula assumes.  Nothing is at home.
    lens = lens_for(0, SCALES["chromatic"], 36, 48)
    line = [Step(pitch=52 + n, rest=n / 16, accent=n / 16, velocity=n / 16) for n in range(16)]
    home = [step._replace(pitch=step.pitch + 2, velocity=0.99) for step in line]
    chances = Chances(count, weights, 3, homing, 0.3, 0.3)
    touched = []
    for moment in range(4000):
        changes = mutate(line, home, range(16), lens, chances, Numbers(11, MUTATE, moment))
        touched.append(float(len({c.index for c in changes if c.before.pitch != c.after.pitch})))
    mean = sum(touched) / len(touched)
    assert_mean(touched, claimed, sum((t - mean) ** 2 for t in touched) / (len(touched) - 1), "touched")


CASES = [
    (WEIGHTS, 1, 0.0),
    (WEIGHTS, 1, 0.5),
    (WEIGHTS, 3, 0.25),
    ((1.0, 0.0, 6.0, 0.0, 1.0, 0.0, 0.0), 4, 0.1),
]


@pytest.mark.parametrize(("weights", "count", "homing"), CASES)
def test_the_rate_is_that_of_the_mutations(weights, count, homing):
    check_rate(weights, count, homing, touch_rate(1.0, count, weights, homing, 0.0, 16))


def test_a_rate_that_counts_a_swap_once_is_refused():
    swaps = (0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0)
    check_rate(swaps, 1, 0.0, 2.0)
    with pytest.raises(AssertionError, match="touched"):
        check_rate(WEIGHTS, 1, 0.0, 8.3 / 11.3)


def test_from_home_by_hand():
    """A step that was never touched is at home: nothing but a kind that is drawn can touch it first."""
    for homing in (0.0, 0.5, 0.9):
        # of 0.3 a cycle times (1 - homing) * 9.3 / 11.3 touches of 16 steps; at first a kind is drawn in any case
        usual, drawn = 0.3 * (1 - homing) * 9.3 / 11.3, 0.3 * 9.3 / 11.3
        left, cycles = 1.0, 0
        while left > 0.5:
            whole = 0.7**cycles
            before, left = left, left * (1 - (whole * drawn + (1 - whole) * usual) / 16)
            cycles += 1
        exact = cycles - (0.5 - left) / (before - left)
        assert half_life_from_home(16, 0.3, 1, WEIGHTS, homing) == pytest.approx(exact, rel=2e-3)
        assert half_life_from_home(16, 0.3, 1, WEIGHTS, homing, settle=4) == pytest.approx(exact + 3, rel=2e-3)
        assert half_life_from_home(16, 0.3, 1, WEIGHTS, homing, moment=2.5) == pytest.approx(2.5 * exact, rel=2e-3)
    assert half_life_from_home(16, 0.3, 1, WEIGHTS, 0.0) == pytest.approx(half_life(16, 0.3 * 9.3 / 11.3))
    assert half_life_from_home(16, 0.3, 1, WEIGHTS, 1.0) is None, "all stays at home"
    assert half_life_from_home(16, 0.0, 1, WEIGHTS, 0.0) is None
    assert half_life_from_home(0, 0.3, 1, WEIGHTS, 0.0) is None
    assert half_life_from_home(16, 0.3, 1, (0, 0, 0, 0, 1.0, 1.0, 1.0), 0.5) is None, "no kind touches a pitch"
    assert half_life_from_home(1, 1.0, 1, (1.0, 0, 0, 0, 0, 0, 0), 0.5) == 0.0


@given(st.integers(2, 64), st.floats(0.001, 1.0), st.integers(1, 16), st.floats(0.0, 0.95))
def test_from_home_is_sooner_the_more_is_changed(n, chance, count, homing):
    slow = half_life_from_home(n, chance, count, WEIGHTS, homing)
    fast = half_life_from_home(n, chance, count, WEIGHTS, homing, faster=1.5)
    less = half_life_from_home(n, chance / 2, count, WEIGHTS, homing)
    assert fast <= slow <= less


def test_settling_puts_off_the_first_moment():
    # a moment comes at the end of each cycle, and the one at the end of the last that settles already counts
    assert [settled(n) for n in (0, 1, 2, 4, 16)] == [0, 0, 1, 3, 15]
    assert settled(4, 1.5) == 3.0  # at 4.5 in place of 1.5
    assert settled(4, 0.5) == 3.5
    assert settled(4, 8.0) == 0.0


def test_limits():
    assert at_home(16, 1.0, 0, 0.5) == 1.0
    assert at_home(16, 1.0, 100_000, 0.5) == pytest.approx(0.5)
    assert same_pitch(16, 1.0, 0, 5) == 1.0
    assert same_pitch(16, 1.0, 100_000, 5) == pytest.approx(0.2)
