"""The arithmetic of scripts/bench, against published definitions and exact enumeration.

Nothing here measures time.
"""

import itertools
from fractions import Fraction
from math import comb, log
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scripts.benchparts import arithmetic
from scripts.benchparts.arithmetic import exact_interval, pair, percentile, ratio_of

pytest.importorskip("scipy")

# -- percentile ---------------------------------------------------------------


def rank_definition(values, per_mille):
    """The nearest-rank definition in words: the least value that so many are not above."""
    return min(v for v in values if 1000 * sum(w <= v for w in values) >= per_mille * len(values))


@given(st.lists(st.integers(0, 50), min_size=1, max_size=60), st.integers(1, 1000))
def test_percentile_is_nearest_rank(values, per_mille):
    assert percentile(sorted(values), per_mille) == rank_definition(values, per_mille)


def test_percentile_of_a_known_list():
    # the worked example of the nearest-rank article of Wikipedia, "Percentile": 15, 20, 35, 40, 50
    values = [15, 20, 35, 40, 50]
    assert [percentile(values, p) for p in (50, 300, 400, 500, 1000)] == [15, 20, 20, 35, 50]


def test_interpolation_would_be_rejected():
    """Negative control: the linear definition makes up values between two."""

    def linear(values, per_mille):
        at = (len(values) - 1) * per_mille / 1000
        low = int(at)
        return values[low] + (at - low) * (values[min(low + 1, len(values) - 1)] - values[low])

    assert linear([0, 10], 250) != rank_definition([0, 10], 250)


@pytest.mark.parametrize(("values", "per_mille"), [([], 500), ([1], 0), ([1], 1001)])
def test_percentile_refuses_nonsense(values, per_mille):
    with pytest.raises(ValueError, match="percentile"):
        percentile(values, per_mille)


# -- exact binomial intervals -------------------------------------------------


def upper_tail(hits, trials, share):
    """P(X >= hits), in exact arithmetic."""
    p = Fraction(share)
    return sum(comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in range(hits, trials + 1))


def is_clopper_pearson(hits, trials, low, high):
    """The definition: at either end the tail that reaches the observation has exactly 2.5 %.

    Clopper & Pearson 1934; none of it uses the beta distribution, by which the interval is worked out.
    """
    tails = []
    if hits > 0:
        tails.append(upper_tail(hits, trials, low))
    if hits < trials:
        tails.append(1 - upper_tail(hits + 1, trials, high))
    ends = (hits > 0 or low == 0) and (hits < trials or high == 1)
    return ends and all(abs(tail - Fraction(25, 1000)) < Fraction(1, 10**9) for tail in tails)


CASES = [(0, 10), (1, 10), (5, 10), (10, 10), (1, 60), (3, 60), (59, 60)]


@pytest.mark.parametrize(("hits", "trials"), CASES)
def test_exact_interval_is_the_definition(hits, trials):
    assert is_clopper_pearson(hits, trials, *exact_interval(hits, trials))


def test_no_hits_gives_the_closed_form():
    # (1 - p)^n = 0.025; the "rule of three" 3/n is the one-sided form at 95 % (Hanley & Lippman-Hand, JAMA 1983)
    low, high = exact_interval(0, 11856)
    assert low == 0
    assert high == pytest.approx(1 - 0.025 ** (1 / 11856), rel=1e-9)
    assert high == pytest.approx(-log(0.025) / 11856, rel=1e-3)


def test_other_intervals_would_be_rejected():
    """Negative control: the normal and the Wilson interval are no exact ones."""
    z = 1.959963984540054
    for hits, trials in CASES:
        share = hits / trials
        spread = z * (share * (1 - share) / trials) ** 0.5
        assert not is_clopper_pearson(hits, trials, max(0.0, share - spread), min(1.0, share + spread))
        centre = (share + z * z / (2 * trials)) / (1 + z * z / trials)
        half = z / (1 + z * z / trials) * (share * (1 - share) / trials + z * z / (4 * trials**2)) ** 0.5
        assert not is_clopper_pearson(hits, trials, centre - half, centre + half)


# -- the bootstrap of paired ratios -------------------------------------------


def resampled_medians(ratios):
    """All medians that drawing again can give, each as likely as the others (5 ratios: 3,125 drawings)."""
    return sorted(median(drawn) for drawn in itertools.product(ratios, repeat=len(ratios)))


def test_interval_is_that_of_the_whole_enumeration():
    """Drawing at random comes to the percentiles of all possible drawings (Efron & Tibshirani 1993, ch. 13)."""
    pairs = [(3.0, 2.0), (2.0, 2.0), (5.0, 4.0), (8.0, 4.0), (1.0, 2.0)]
    medians = resampled_medians([a / b for a, b in pairs])
    found = ratio_of(pairs, 1)
    assert found.median == 1.25
    # 0.5 is the median in 5.8 % of all drawings, 2.0 likewise: both ends lie inside these steps
    assert (found.low, found.high) == (medians[int(0.025 * len(medians))], medians[int(0.975 * len(medians))])


def test_same_seed_same_interval():
    pairs = [(1.0 + n * 0.1, 1.0) for n in range(12)]
    assert ratio_of(pairs, 7) == ratio_of(pairs, 7)
    found = ratio_of(pairs, 7)
    assert found.low <= found.median <= found.high


def test_pairs_stay_together():
    """A machine that is slow in some rounds slows both; the ratio does not see it."""
    slow = [1.0, 1.0, 9.0, 1.0, 30.0, 2.0]
    found = ratio_of([(1.5 * s, s) for s in slow], 3)
    assert found == pytest.approx((1.5, 1.5, 1.5))
    # negative control: medians of unpaired drawings would spread
    unpaired = ratio_of([(1.5 * s, t) for s, t in zip(slow, slow[3:] + slow[:3], strict=True)], 3)
    assert unpaired.high > 2 * unpaired.low


def test_few_pairs_have_no_interval():
    assert ratio_of([(3.0, 2.0)], 1) == (1.5, None, None)
    with pytest.raises(ValueError, match="no pairs"):
        ratio_of([], 1)


# -- pairing ------------------------------------------------------------------

CLOCKS = list(range(0, 1000, 100))
PENALTY = 2000


def test_each_clock_its_answer():
    assert pair(CLOCKS, [clock + 7 for clock in CLOCKS], PENALTY) == ([7] * 10, 0)


def test_a_lost_answer_is_one_lost_clock():
    answers = [clock + 7 for clock in CLOCKS if clock != 400]
    assert pair(CLOCKS, answers, PENALTY) == ([7, 7, 7, 7, None, 7, 7, 7, 7, 7], 0)


def test_late_answers_are_late_not_lost():
    """A stall of three and a half intervals, then everything at once."""
    answers = [max(clock + 7, 350 + n) for n, clock in enumerate(CLOCKS)]
    assert pair(CLOCKS, answers, PENALTY) == ([350, 251, 152, 53, 7, 7, 7, 7, 7, 7], 0)


def test_a_loss_and_a_second_answer_far_apart_shift_nothing():
    clocks = list(range(0, 10_000, 100))
    answers = sorted([clock + 7 for clock in clocks if clock != 1000] + [9108])
    found = pair(clocks, answers, PENALTY)
    assert [n for n, latency in enumerate(found.latencies) if latency is None] == [10]
    assert set(found.latencies) == {7, None}
    assert found.extra == 1


def nearest_before(clocks, answers):
    """A broken pairing: each answer to the latest clock before it."""
    latencies = [None] * len(clocks)
    for answer in answers:
        place = max(n for n, clock in enumerate(clocks) if clock <= answer)
        latencies[place] = answer - clocks[place]
    return latencies


def in_order(clocks, answers):
    """A broken pairing: the first answer to the first clock, and so on."""
    return [answer - clock for clock, answer in zip(clocks, answers, strict=False)]


def test_simple_pairings_would_be_rejected():
    """Negative controls: one hides what is late, the other shifts all behind a loss."""
    stalled = [max(clock + 7, 350 + n) for n, clock in enumerate(CLOCKS)]
    assert nearest_before(CLOCKS, stalled) != pair(CLOCKS, stalled, PENALTY).latencies
    lossy = [clock + 7 for clock in CLOCKS if clock != 400]
    assert in_order(CLOCKS, lossy) != pair(CLOCKS, lossy, PENALTY).latencies


def test_second_answers_and_strangers_are_extra():
    assert pair(CLOCKS, sorted([-5, 8, *(clock + 7 for clock in CLOCKS)]), PENALTY) == ([7] * 10, 2)
    # one behind the last clock must not shift all others
    assert pair(CLOCKS, [*(clock + 7 for clock in CLOCKS), 1007], PENALTY) == ([7] * 10, 1)


def test_nothing_came():
    assert pair(CLOCKS, [], PENALTY) == ([None] * 10, 0)
    assert pair([], [3], PENALTY) == ([], 1)


def cheapest(clocks, answers, penalty):
    """The least cost of all ways, by trying each."""
    costs = []
    for count in range(min(len(clocks), len(answers)) + 1):
        for some in itertools.combinations(clocks, count):
            for others in itertools.combinations(answers, count):
                late = [a - c for c, a in zip(some, others, strict=True)]
                if all(one >= 0 for one in late):
                    costs.append(sum(late) + penalty * (len(clocks) - count))
    return min(costs)


@given(
    st.lists(st.integers(0, 30), max_size=5, unique=True).map(sorted),
    st.lists(st.integers(0, 30), max_size=5).map(sorted),
    st.integers(1, 40),
)
def test_the_cheapest_way_is_found(clocks, answers, penalty):
    found = pair(clocks, answers, penalty)
    answered = [(c, late) for c, late in zip(clocks, found.latencies, strict=True) if late is not None]
    cost = sum(late for _, late in answered) + penalty * (len(clocks) - len(answered))
    assert cost == cheapest(clocks, answers, penalty)
    assert found.extra == len(answers) - len(answered)
    times = [c + late for c, late in answered]
    assert all(late >= 0 for _, late in answered)
    assert times == sorted(times)


def test_confidence_is_what_the_tables_say():
    assert arithmetic.CONFIDENCE == 0.95
