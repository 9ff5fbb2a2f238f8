"""The mutating line against closed forms of probability theory.

Model: N steps; each cycle, with chance p, one uniformly chosen step is redrawn.
The share left untouched after c cycles is (1 - p/N)^c; the time until all are
touched is the coupon collector's (Feller, *An Introduction to Probability
Theory and Its Applications*, vol. 1; also Wikipedia, "Coupon collector's
problem").  The numbers below were computed from these forms and agree with an
exact Markov chain, which the tests carry out in fractions.

Seeds are fixed and bounds are exact binomial, or the known variance, at 1e-6:
only an unlucky choice of seed could refuse a right program, and it would have
done so once, when the seed was chosen.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from math import sqrt

import pytest

from replank.line import halflife
from replank.line.chance import DICE, MUTATE, Numbers
from replank.line.kinds import KINDS, Chances
from replank.line.lenses import lens_for
from replank.line.mutation import mutate
from replank.line.scales import SCALES
from replank.line.steps import Step
from tests.line import broken, lines, oracles
from tests.line.bounds import all_hit_exactly, assert_mean, assert_share
from tests.line.checks import Mutate, only

N = 16
LINE = lines.drawn(5)[:N]
LENS = lines.LENS

# N, p, left after 16, after 32, half-life, mean to half hit, mean all hit, its deviation, median all hit
TABLE = [
    (8, 1, 0.1181, 0.0139, 5.19, 5.08, 21.74, 8.72, 20),
    (8, 0.25, 0.6017, 0.3621, 21.83, 20.30, 86.97, 38.43, 80),
    (12, 1, 0.2485, 0.0618, 7.97, 7.84, 37.24, 13.72, 35),
    (16, 1, 0.3561, 0.1268, 10.74, 10.61, 54.09, 18.75, 51),
    (16, 0.5, 0.6017, 0.3621, 21.83, 21.21, 108.18, 38.91, 101),
    (16, 0.25, 0.7773, 0.6041, 44.01, 42.42, 216.37, 79.20, 202),
    (16, 0.1, 0.9046, 0.8182, 110.56, 106.06, 540.92, 200.05, 506),
    (16, 0.03, 0.9704, 0.9417, 369.33, 353.53, 1803.06, 669.97, 1686),
    (24, 0.5, 0.7140, 0.5098, 32.92, 32.29, 181.25, 59.28, 171),
    (32, 1, 0.6017, 0.3621, 21.83, 21.69, 129.87, 39.03, 123),
    (64, 0.5, 0.8821, 0.7780, 88.38, 87.73, 607.22, 161.52, 580),
]


@pytest.mark.parametrize("row", TABLE)
def test_closed_forms_against_the_table(row):
    n, p, after_16, after_32, half, half_hit, all_hit, deviation, median = row
    assert round(halflife.untouched(n, p, 16), 4) == after_16
    assert round(halflife.untouched(n, p, 32), 4) == after_32
    assert halflife.half_life(n, p) == pytest.approx(half, abs=0.005)
    assert halflife.rate_for(n, halflife.half_life(n, p) or 0.0) == pytest.approx(p)
    assert oracles.mean_half_hit(n, p) == pytest.approx(half_hit, abs=0.005)
    assert oracles.mean_all_hit(n, p) == pytest.approx(all_hit, abs=0.005)
    assert sqrt(oracles.all_hit_variance(n, p)) == pytest.approx(deviation, abs=0.005)
    assert oracles.all_hit_by(n, p, median) >= 0.5 > oracles.all_hit_by(n, p, median - 1)


def test_total_replacement_against_inclusion_and_exclusion():
    for cycles in (16, 30, 51, 100, 258):
        exact = all_hit_exactly(N, Fraction(1), cycles)
        assert oracles.all_hit_by(N, 1.0, cycles) == pytest.approx(float(exact), rel=1e-9)
    assert oracles.all_hit_by(N, 1.0, 15) == 0.0
    # The quantiles of 1e-6 at either end: 16 cycles (the fewest there can be) and 258.
    rare = Fraction(1, 1_000_000)
    assert all_hit_exactly(N, Fraction(1), 15) < rare < all_hit_exactly(N, Fraction(1), 16)
    assert 1 - all_hit_exactly(N, Fraction(1), 258) < rare < 1 - all_hit_exactly(N, Fraction(1), 257)


def test_variance_against_every_outcome():
    """Three steps, four cycles: all 81 outcomes counted."""
    outcomes = [(a, b, c, d) for a in range(3) for b in range(3) for c in range(3) for d in range(3)]
    left = [3 - len(set(outcome)) for outcome in outcomes]
    mean = Fraction(sum(left), len(left))
    variance = sum((value - mean) ** 2 for value in left) / len(left)
    assert halflife.untouched(3, 1.0, 4) * 3 == pytest.approx(float(mean))
    assert oracles.untouched_variance(3, 1.0, 4) == pytest.approx(float(variance))


def test_coincidence_against_the_table():
    same = {3: 0.5707, 5: 0.4849, 7: 0.4481, 12: 0.4097}
    for tones, share in same.items():
        assert round(oracles.same_pitch(16, 1, 16, tones), 4) == share
    assert round(oracles.same_pitch(16, 1, 16, 7, differs=True), 4) == 0.3981


# The line itself


def untouched_counts(
    mutate: Mutate, trials: int, p: float, cycles: int, weights: tuple[float, ...] = only("substitute")
) -> list[float]:
    """Return for each of many independent lines how many steps no cycle has touched."""
    chances = Chances(1, weights, 3, 0.0, 0.2, 0.2)
    counts = []
    for trial in range(trials):
        now, touched = list(LINE), set()
        for cycle in range(cycles):
            if Numbers(trial, DICE, cycle).at(0) >= p:
                continue
            for change in mutate(now, LINE, range(N), LENS, chances, Numbers(trial, MUTATE, cycle)):
                now[change.index] = change.after
                if change.before.pitch != change.after.pitch:
                    touched.add(change.index)
        counts.append(float(N - len(touched)))
    return counts


def check_untouched(mutate: Mutate, trials: int, p: float, cycles: int) -> None:
    """Assert the mean untouched count of many lines within the known variance."""
    mean, variance = N * halflife.untouched(N, p, cycles), oracles.untouched_variance(N, p, cycles)
    assert_mean(untouched_counts(mutate, trials, p, cycles), mean, variance, f"untouched, p = {p}")


def test_the_bounds_are_those_of_the_table():
    # N=16, p=1, c=16: 5.6972 +- 0.1942 (1000 lines); p=.25, c=64: 5.8398 +- 0.2766.
    for p, cycles, mean, slack in ((1.0, 16, 5.6972, 0.1942), (0.25, 64, 5.8398, 0.2766)):
        assert N * halflife.untouched(N, p, cycles) == pytest.approx(mean, abs=5e-5)
        assert 4.8916 * sqrt(oracles.untouched_variance(N, p, cycles) / 1000) == pytest.approx(slack, abs=5e-5)


@pytest.mark.parametrize(("p", "cycles"), [(1.0, 16), (0.25, 64), (1.0, 5), (1.0, 32)])
def test_the_share_left_untouched(p, cycles):
    check_untouched(mutate, 1000, p, cycles)


def test_half_of_the_line_is_touched_at_the_half_life():
    half = halflife.half_life(N, 1.0)
    assert half == pytest.approx(10.74, abs=0.005)
    before, after = (untouched_counts(mutate, 1000, 1.0, cycles) for cycles in (10, 12))
    assert sum(before) / len(before) > N / 2 > sum(after) / len(after)


def test_a_choice_that_is_not_uniform_is_refused():
    with pytest.raises(AssertionError, match="untouched"):
        check_untouched(broken.first_half_preferred, 1000, 1.0, 32)


def test_total_replacement():
    chances = Chances(1, only("neighbour"), 3, 0.0, 0.2, 0.2)
    times = []
    for trial in range(400):
        now, left, cycle = list(LINE), set(range(N)), 0
        while left:
            for change in mutate(now, LINE, range(N), LENS, chances, Numbers(trial, MUTATE, cycle)):
                now[change.index] = change.after
                left.discard(change.index)
            cycle += 1
        times.append(float(cycle))
    assert min(times) >= 16
    assert max(times) <= 258
    assert_share(sum(time <= 51 for time in times), len(times), oracles.all_hit_by(N, 1.0, 51), "all by cycle 51")
    assert_mean(times, 54.09, 18.75**2, "time to total replacement")


@pytest.mark.parametrize("count", [1, 2, 5])
def test_steps_are_chosen_uniformly(count):
    chances = Chances(count, only("velocity"), 3, 0.0, 0.2, 0.2)
    moments, chosen = 4000, Counter[int]()
    for moment in range(moments):
        changes = mutate(LINE, LINE, (1, 4, 5, 9, 10, 11, 15), LENS, chances, Numbers(1, MUTATE, moment))
        assert len(changes) == count, "count distinct steps"
        chosen.update(change.index for change in changes)
    assert set(chosen) == {1, 4, 5, 9, 10, 11, 15}
    for index, hits in chosen.items():
        assert_share(hits, moments, count / 7, f"step {index}")


WIDE = lens_for(0, SCALES["chromatic"], 36, 48)
RICH = [Step(pitch=52 + n, rest=n / 16, accent=n / 16, velocity=n / 16) for n in range(16)]


def check_kinds(weights: tuple[float, ...], claimed: tuple[float, ...]) -> None:
    """Assert the kinds that are drawn on a line on which every kind can be made."""
    chances = Chances(1, weights, 3, 0.0, 0.3, 0.3)
    moments = 8000
    drawn = Counter(mutate(RICH, RICH, range(16), WIDE, chances, Numbers(2, MUTATE, n))[0].kind for n in range(moments))
    total = sum(claimed)
    for kind, weight in zip(KINDS, claimed, strict=True):
        if weight:
            assert_share(drawn[kind], moments, weight / total, kind)
        else:
            assert drawn[kind] == 0


def test_kinds_are_drawn_by_weight():
    check_kinds(lines.DEFAULT_WEIGHTS, (3, 4, 1, 0.3, 1, 1, 1))
    check_kinds((0.5, 0.0, 2.0, 0.0, 0.0, 10.0, 0.1), (0.5, 0.0, 2.0, 0.0, 0.0, 10.0, 0.1))
    with pytest.raises(AssertionError, match=r"substitute|neighbour"):
        check_kinds((4.0, 3.0, 1.0, 0.3, 1.0, 1.0, 1.0), (3, 4, 1, 0.3, 1, 1, 1))


def test_an_impossible_kind_hands_its_weight_to_the_others():
    """Octaves do not fit a step in the middle of 19 semitones: the rest is drawn in proportion."""
    line = [Step(pitch=57)]
    chances = Chances(1, (2.0, 1.0, 0.0, 5.0, 0.0, 0.0, 1.0), 3, 0.0, 0.2, 0.2)
    drawn = Counter(mutate(line, line, [0], LENS, chances, Numbers(3, MUTATE, n))[0].kind for n in range(4000))
    for kind, share in (("substitute", 0.5), ("neighbour", 0.25), ("velocity", 0.25)):
        assert_share(drawn[kind], 4000, share, kind)


@pytest.mark.parametrize(
    ("pitch", "targets"),
    [
        # Register tones 48 50 53 55 57 60 62 65 67, leap 3; what leads outside is left out.
        (57, {50: 1, 53: 1, 55: 1, 60: 1, 62: 1, 65: 1}),
        (48, {50: 1, 53: 1, 55: 1}),
        (50, {48: 1, 53: 1, 55: 1, 57: 1}),
        (67, {65: 1, 62: 1, 60: 1}),
    ],
)
def test_a_substitute_without_neighbours_is_uniform_over_its_moves(pitch, targets):
    line, chances = [Step(pitch=pitch)], Chances(1, only("substitute"), 3, 0.0, 0.2, 0.2)
    made = [mutate(line, line, [0], LENS, chances, Numbers(4, MUTATE, n))[0].after for n in range(4000)]
    drawn = Counter(step.pitch for step in made)
    assert set(drawn) == set(targets)
    for target, ways in targets.items():
        assert_share(drawn[target], len(made), ways / sum(targets.values()), f"{pitch} to {target}")
    assert_share(sum(step.velocity < 0.3 for step in made), len(made), 0.3, "new velocity rolls")
    assert {(step.rest, step.accent) for step in made} == {(line[0].rest, line[0].accent)}


def at_home(mutate: Mutate, trials: int, cycles: int, homing: float, weights: tuple[float, ...]) -> list[list[Step]]:
    """Return the lines of many independent runs that began at home."""
    chances = Chances(1, weights, 3, homing, 0.2, 0.2)
    ends = []
    for trial in range(trials):
        now = list(LINE)
        for cycle in range(cycles):
            for change in mutate(now, LINE, range(N), LENS, chances, Numbers(trial, MUTATE, cycle)):
                now[change.index] = change.after
        ends.append(now)
    return ends


def check_home(mutate: Mutate, homing: float, cycles: int) -> None:
    """Assert the share of lines in which one given step is at home: (1 - p/N)^c, then `homing` of the rest."""
    ends = at_home(mutate, 1000, cycles, homing, only("velocity"))
    share = halflife.at_home(N, 1.0, cycles, homing)
    for index in (0, 7, 15):
        assert_share(sum(line[index] == LINE[index] for line in ends), len(ends), share, f"step {index + 1} at home")


@pytest.mark.parametrize(("homing", "cycles"), [(0.5, 20), (0.5, 100), (0.8, 60), (0.0, 20)])
def test_the_share_at_home_becomes_the_homing_knob(homing, cycles):
    check_home(mutate, homing, cycles)


def test_a_line_that_never_comes_home_is_refused():
    with pytest.raises(AssertionError, match="at home"):
        check_home(broken.homing_forgotten, 0.5, 60)
