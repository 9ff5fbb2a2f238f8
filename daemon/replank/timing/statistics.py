"""Percentiles of clock deviations, worked out when somebody asks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

KEPT = 480
"""Deviations that are kept: 20 quarter notes of clocks, 10 s at 120 BPM."""


def percentile(rising: Sequence[int], percent: int) -> int:
    """Return the nearest-rank percentile of a rising sequence.

    The smallest value such that `percent` per cent of all values are not
    above it (nearest-rank definition of descriptive statistics); no value is
    made up between two.

    Raises:
        ValueError: An empty sequence, or a percentage outside 1 to 100.
    """
    if not rising or not 1 <= percent <= 100:
        raise ValueError(f"percentile {percent} of {len(rising)} values")
    return rising[-(-percent * len(rising) // 100) - 1]


def deviations_ms(deviations: Iterable[int]) -> dict[str, float] | None:
    """Return p50, p95, p99 and max of the sizes of deviations, in milliseconds.

    Args:
        deviations: Nanoseconds, either sign.

    Returns:
        None where there is no deviation to speak of.
    """
    rising = sorted(abs(d) for d in deviations)
    if not rising:
        return None
    found = {f"p{p}": percentile(rising, p) for p in (50, 95, 99)} | {"max": rising[-1]}
    return {name: value // 1000 / 1000 for name, value in found.items()}
