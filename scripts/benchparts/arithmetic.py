"""The arithmetic of a measurement: pairing, percentiles, exact intervals, a bootstrap of paired ratios."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

CONFIDENCE = 0.95
RESAMPLES = 10_000


class Paired(NamedTuple):
    """What became of clocks.

    Attributes:
        latencies: For each clock, frames to its answer; None where it has none.
        extra: Answers to no clock.
    """

    latencies: list[int | None]
    extra: int


def pair(clocks: Sequence[int], answers: Sequence[int]) -> Paired:
    """Give each clock its answer; both are rising frames, and answers keep the order of the clocks.

    As many clocks as possible are answered and, of the ways to do that, the
    latest clocks that are still free are taken, from the end.  With no loss that
    is the first answer to the first clock and so on, however late they come.
    Next to a late answer it cannot be told which of two clocks was lost; then
    the later clock counts as answered.  Of several answers to a clock the first counts.
    """
    left = _answerable(clocks, answers)
    extra = len(answers) - left
    matched: list[tuple[int, int]] = []  # places of clock and answer
    free = len(clocks) - 1
    for index in range(len(answers) - 1, -1, -1):
        if not left:
            break
        while clocks[free] > answers[index]:
            free -= 1
        matched.append((free, index))
        free -= 1
        left -= 1
    latencies: list[int | None] = [None] * len(clocks)
    before = -1
    for place, index in reversed(matched):
        before = next(i for i in range(before + 1, index + 1) if answers[i] >= clocks[place])
        latencies[place] = answers[before] - clocks[place]
    return Paired(latencies, extra)


def _answerable(clocks: Sequence[int], answers: Sequence[int]) -> int:
    """Return how many clocks can have an answer of their own that is not before them."""
    count = 0
    for answer in answers:
        if count < len(clocks) and clocks[count] <= answer:
            count += 1
    return count


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
