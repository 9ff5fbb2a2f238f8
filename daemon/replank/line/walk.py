"""The walk by which lines are drawn, as chances over the tones of a register."""

from __future__ import annotations

from functools import lru_cache

from replank.line.lenses import reflect

REPEATS, BY_ONE, BY_TWO = 0.15, 0.50, 0.20
"""Chances that the walk repeats its tone, moves one degree, moves two; the
rest are leaps of three degrees up to `leap`."""


@lru_cache(maxsize=16)
def ways(count: int, leap: int) -> tuple[tuple[tuple[int, float], ...], ...]:
    """Return for each of `count` places where one move leads, as (place, chance), the lowest first."""
    sizes = [0.0] * (leap + 1)
    far = 1.0 - REPEATS - BY_ONE - BY_TWO
    for size, chance in ((0, REPEATS), (1, BY_ONE), (2, BY_TWO)):
        sizes[min(size, leap)] += chance
    for size in range(3, max(leap, 3) + 1):
        sizes[min(size, leap)] += far / max(leap - 2, 1)
    rows = []
    for place in range(count):
        row: dict[int, float] = {}
        for size, chance in enumerate(sizes):
            for way in (size, -size):
                there = reflect(place + way, count)
                row[there] = row.get(there, 0.0) + chance / 2.0
        rows.append(tuple(sorted(row.items())))
    return tuple(rows)


def arrivals(count: int, leap: int, goal: int, moves: int) -> list[list[float]]:
    """Return for 0 to `moves` moves the chance to arrive from each place at `goal`."""
    rows = ways(count, leap)
    arrive = [1.0 if place == goal else 0.0 for place in range(count)]
    found = [arrive]
    for _ in range(moves):
        following = []
        for row in rows:
            chance = 0.0
            for there, move in row:
                chance += move * arrive[there]
            following.append(chance)
        arrive = following
        found.append(arrive)
    return found
