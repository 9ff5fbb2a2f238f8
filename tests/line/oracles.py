"""Closed forms that only tests compare with: of all and half of the steps, of variance, of coincidence.

They take one step a cycle with chance `rate` (so `rate` is at most 1): the
coupon collector (Feller, *An Introduction to Probability Theory and Its
Applications*, vol. 1).
"""

from __future__ import annotations

import math


def untouched_variance(n: int, rate: float, cycles: int) -> float:
    """Return the variance of the number of untouched steps; `rate` at most 1."""
    one, two = max(0.0, 1.0 - rate / n) ** cycles, max(0.0, 1.0 - 2.0 * rate / n) ** cycles
    return n * one * (1.0 - one) + n * (n - 1) * (two - one * one)


def mean_half_hit(n: int, rate: float) -> float:
    """Return the mean cycles until half of the steps (rounded up) have been touched."""
    return n / rate * (_harmonic(n) - _harmonic(n // 2))


def mean_all_hit(n: int, rate: float) -> float:
    """Return the mean cycles until every step has been touched."""
    return n * _harmonic(n) / rate


def all_hit_variance(n: int, rate: float) -> float:
    """Return the variance of the cycles until every step has been touched."""
    return (n / rate) ** 2 * _harmonic(n, 2) - n / rate * _harmonic(n)


def all_hit_by(n: int, rate: float, cycles: int) -> float:
    """Return the chance that every step has been touched within so many cycles.

    Counted forward over the number of touched steps, so nothing cancels.
    """
    reached = [1.0] + [0.0] * n
    for _ in range(cycles):
        for hit in range(n, 0, -1):
            reached[hit] = reached[hit] * (1.0 - rate * (n - hit) / n) + reached[hit - 1] * rate * (n - hit + 1) / n
        reached[0] *= 1.0 - rate
    return reached[n]


def same_pitch(n: int, rate: float, cycles: float, tones: int, differs: bool = False) -> float:
    """Return the chance that a step shows its original pitch, by coincidence too.

    Args:
        n: Steps.
        rate: Touches a cycle.
        cycles: Cycles.
        tones: Pitches that a touched step is drawn from, each as likely, at least 2.
        differs: True where the new pitch is never the one that it replaces.
    """
    share = 1.0 / tones
    step = rate * tones / (tones - 1) if differs else rate
    return share + (1.0 - share) * math.pow(1.0 - step / n, cycles)


def _harmonic(n: int, power: int = 1) -> float:
    return math.fsum(1.0 / k**power for k in range(1, n + 1))
