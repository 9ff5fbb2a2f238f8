"""Acceptance bounds at one in a million, computed exactly, so that a fixed seed decides a test once."""

from __future__ import annotations

from fractions import Fraction
from math import comb, lgamma, log, log1p, sqrt

ALPHA = 1e-6
"""Chance that a right program with an unlucky seed is refused."""
Z = 4.8916
"""Two-sided normal quantile of `ALPHA`."""


def binomial_interval(n: int, p: float, alpha: float = ALPHA) -> tuple[int, int]:
    """Return the least and most hits of n trials that are not in the outer alpha / 2 of either side."""

    def mass(k: int) -> float:
        logs = lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1) + k * log(p) + (n - k) * log1p(-p)
        return 2.718281828459045**logs

    low, below = 0, mass(0)
    while below < alpha / 2:
        low += 1
        below += mass(low)
    high, above = n, 0.0
    while above + mass(high) < alpha / 2:
        above += mass(high)
        high -= 1
    return low, high


def assert_share(hits: int, n: int, p: float, what: str = "") -> None:
    """Assert that hits of n independent trials agree with chance p."""
    low, high = binomial_interval(n, p)
    assert low <= hits <= high, f"{what}: {hits} of {n}, {low} to {high} expected for p = {p:.4f}"


def assert_mean(values: list[float], mean: float, variance: float, what: str = "") -> None:
    """Assert that the mean of many independent values agrees with a known mean and variance."""
    got, slack = sum(values) / len(values), Z * sqrt(variance / len(values))
    assert abs(got - mean) <= slack, f"{what}: mean {got:.4f}, {mean:.4f} +- {slack:.4f} expected"


def all_hit_exactly(n: int, p: Fraction, cycles: int) -> Fraction:
    """Return the chance that all of n steps are hit, by inclusion and exclusion in fractions."""
    return sum((Fraction((-1) ** k * comb(n, k)) * (1 - p * k / n) ** cycles for k in range(n + 1)), Fraction(0))
