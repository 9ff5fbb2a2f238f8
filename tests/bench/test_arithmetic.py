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


def test_each_clock_its_answer():
    found = pair(CLOCKS, [clock + 7 for clock in CLOCKS])
    assert found == ([7] * 10, 0)


def test_a_lost_answer_is_one_lost_clock():
    answers = [clock + 7 for clock in CLOCKS if clock != 400]
    assert pair(CLOCKS, answers) == ([7, 7, 7, 7, None, 7, 7, 7, 7, 7], 0)


def test_late_answers_are_late_not_lost():
    """A stall of two and a half intervals, then everything at once."""
    answers = [max(clock + 7, 350 + n) for n, clock in enumerate(CLOCKS)]
    found = pair(CLOCKS, answers)
    assert found.latencies == [350, 251, 152, 53, 7, 7, 7, 7, 7, 7]
    assert found.extra == 0


def nearest_before(clocks, answers):
    """A broken pairing: each answer to the latest clock before it."""
    latencies = [None] * len(clocks)
    for answer in answers:
        place = max(n for n, clock in enumerate(clocks) if clock <= answer)
        latencies[place] = answer - clocks[place]
    return latencies


def test_the_simple_pairing_would_be_rejected():
    """Negative control: it loses what is late and hides how late it was."""
    answers = [max(clock + 7, 350 + n) for n, clock in enumerate(CLOCKS)]
    assert nearest_before(CLOCKS, answers) != pair(CLOCKS, answers).latencies


def test_second_answers_and_strangers_are_extra():
    answers = sorted([-5, 8, *(clock + 7 for clock in CLOCKS)])
    assert pair(CLOCKS, answers) == ([7] * 10, 2)


def test_nothing_came():
    assert pair(CLOCKS, []) == ([None] * 10, 0)
    assert pair([], [3]) == ([], 1)


def best(clocks, answers):
    """The most clocks that can be answered, in order, by trying everything."""
    for count in range(min(len(clocks), len(answers)), 0, -1):
        for some in itertools.combinations(clocks, count):
            for others in itertools.combinations(answers, count):
                if all(c <= a for c, a in zip(some, others, strict=True)):
                    return count
    return 0


@given(
    st.lists(st.integers(0, 30), max_size=5, unique=True).map(sorted),
    st.lists(st.integers(0, 30), max_size=5).map(sorted),
)
def test_as_many_as_can_be_are_answered(clocks, answers):
    found = pair(clocks, answers)
    answered = [(c, latency) for c, latency in zip(clocks, found.latencies, strict=True) if latency is not None]
    assert len(answered) == best(clocks, answers)
    assert found.extra == len(answers) - len(answered)
    times = [c + latency for c, latency in answered]
    assert all(latency >= 0 for _, latency in answered)
    assert times == sorted(times)
    assert set(times) <= set(answers)


def test_confidence_is_what_the_tables_say():
    assert arithmetic.CONFIDENCE == 0.95
