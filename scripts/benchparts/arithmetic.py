"""The arithmetic of a measurement: pairing, percentiles, exact intervals, a bootstrap of paired ratios."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

CONFIDENCE = 0.95
RESAMPLES = 10_000
SLACK = 64
"""Clocks that a stall may hold up, beyond those that are missing, and still be paired in the cheapest way."""


class Paired(NamedTuple):
    """What became of clocks.

    Attributes:
        latencies: For each clock, frames to its answer; None where it has none.
        extra: Answers to no clock.
    """

    latencies: list[int | None]
    extra: int


def pair(clocks: Sequence[int], answers: Sequence[int], penalty: int) -> Paired:
    """Give each clock its answer; both are rising frames, and answers keep the order of the clocks.

    Of all ways to do that the cheapest is taken: an answered clock costs its
    latency, one without an answer costs `penalty`.  So answers that are late
    after a stall stay those of their clocks unless they are later than `penalty`,
    while a lost clock and an answer too many (a driver that loses an event may
    repeat another) do not shift all that lies between them.  Next to a late answer
    it cannot be told which of two clocks was lost; then the later one counts as answered.

    Args:
        clocks, answers: Frames.
        penalty: Frames; answers later than this count as none.
    """
    count, offered = len(clocks), len(answers)
    # cells (clocks, answers) far from the diagonal cannot be on the cheapest way unless that many are missing
    slack = abs(count - offered) + SLACK
    infinite = penalty * (count + 1) + sum(answers[-1:]) * count + 1
    before: dict[int, int] = dict.fromkeys(range(min(offered, slack) + 1), 0)
    choices: list[dict[int, str]] = []
    for i in range(1, count + 1):
        row: dict[int, int] = {}
        choice: dict[int, str] = {}
        clock = clocks[i - 1]
        for j in range(max(0, i - slack), min(offered, i + slack) + 1):
            cost, way = before.get(j, infinite) + penalty, "lost"
            if j:
                late = answers[j - 1] - clock
                if late >= 0 and (other := before.get(j - 1, infinite) + late) <= cost:
                    cost, way = other, "pair"
                if (other := row.get(j - 1, infinite)) <= cost:
                    cost, way = other, "extra"
            row[j], choice[j] = cost, way
        choices.append(choice)
        before = row
    latencies: list[int | None] = [None] * count
    i, j = count, offered
    while i:
        way = choices[i - 1][j]
        if way == "pair":
            latencies[i - 1] = answers[j - 1] - clocks[i - 1]
        i, j = i - (way != "extra"), j - (way != "lost")
    return Paired(latencies, offered - sum(one is not None for one in latencies))


def percentile(rising: Sequence[int], per_mille: int) -> int:
    """Return the nearest-rank percentile of a rising sequence, in thousandths: 999 is p99.9.

    Raises:
        ValueError: An empty sequence, or not 1 to 1000.
    """
    if not rising or not 1 <= per_mille <= 1000:
        raise ValueError(f"percentile {per_mille} per mille of {len(rising)} values")
    return rising[-(-per_mille * len(rising) // 1000) - 1]


def exact_interval(hits: int, trials: int) -> tuple[float, float]:
    """Return the exact binomial interval of a share, at 95 %.

    Clopper & Pearson, "The use of confidence or fiducial limits illustrated in
    the case of the binomial", Biometrika 26 (1934); worked out by scipy.

    Raises:
        ValueError: Not 0 <= hits <= trials, or no trials.
    """
    from scipy.stats import binomtest

    found = binomtest(hits, trials).proportion_ci(CONFIDENCE, method="exact")
    return float(found.low), float(found.high)


class Ratio(NamedTuple):
    """The median of paired ratios, and its bootstrap interval at 95 %; low and high are None for fewer than 3 pairs."""

    median: float
    low: float | None
    high: float | None


def ratio_of(pairs: Sequence[tuple[float, float]], seed: int) -> Ratio:
    """Return the median of first / second over the pairs.

    Pairs are drawn again whole, with replacement (the percentile interval of
    Efron & Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13).

    Args:
        pairs: (measured, compared with), each from blocks of one round; the second is not 0.
        seed: Of the drawing.

    Raises:
        ValueError: No pairs.
    """
    ratios = [one / other for one, other in pairs]
    if not ratios:
        raise ValueError("a ratio of no pairs")
    if len(ratios) < 3:
        return Ratio(median(ratios), None, None)
    import numpy
    from scipy.stats import bootstrap

    found = bootstrap(
        (ratios,), numpy.median, n_resamples=RESAMPLES, confidence_level=CONFIDENCE, method="percentile",
        random_state=numpy.random.default_rng(seed),
    ).confidence_interval  # fmt: skip
    return Ratio(median(ratios), float(found.low), float(found.high))
