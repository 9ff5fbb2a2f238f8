"""The grid through the last clocks, against exact lines and the normal distribution; integers alone."""

from __future__ import annotations

import ast
from math import isqrt
from pathlib import Path
from random import Random

import pytest

from replank.timing import fit as fitting
from replank.timing.fit import fit, root

MS = 1_000_000
T = 20_833_333
"""The interval at 120 BPM, ns."""


def even(clocks: int) -> list[int]:
    return [10**9 + i * T for i in range(clocks)]


def test_the_grid_of_an_even_clock_is_exact():
    found = fit(list(range(96)), even(96), 0)
    assert (found.at, found.interval, found.jitter, found.wander, found.lean) == (even(96)[-1], T, 0, 0, 0)
    assert found.even and not found.uneven


def test_the_jitter_is_a_standard_deviation():
    """5/4 of the mean deviation: for a normal distribution sqrt(pi / 2) = 1.2533 (Geary 1935)."""
    r, sd = Random(6), MS
    found = [fit(list(range(96)), [stamp + int(r.gauss(0, sd)) for stamp in even(96)]).jitter for _ in range(200)]
    assert sum(found) / len(found) == pytest.approx(sd, rel=0.07)
    assert fit(list(range(96)), even(96), 21_333_333).jitter == 7_111_111


def test_a_gap_in_the_numbers_bends_nothing():
    numbers = [*range(50), *range(53, 99)]
    found = fit(numbers, [10**9 + n * T for n in numbers], 0)
    assert (found.interval, found.jitter, found.even) == (T, 0, True)


def test_the_root_is_the_integer_square_root():
    assert [root(n) for n in range(3000)] == [isqrt(n) for n in range(3000)]
    assert root(10**40 - 1) == isqrt(10**40 - 1)


def test_fewer_than_24_clocks_make_no_grid():
    with pytest.raises(ValueError, match="23 clocks"):
        fit(list(range(23)), even(23), 0)


def floats(text: str) -> list[int]:
    """Return the lines of code that make a float: a division, a constant, a conversion."""
    found = []
    for node in ast.walk(ast.parse(text)):
        divides = isinstance(node, (ast.BinOp, ast.AugAssign)) and isinstance(node.op, (ast.Div, ast.Pow))
        is_float = isinstance(node, ast.Constant) and isinstance(node.value, float)
        converts = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("float", "round")
        if divides or is_float or converts:
            found.append(node.lineno)
    return found


@pytest.mark.parametrize("name", ["fit", "trial", "trying", "judge", "proofs", "coasting", "ear"])
def test_the_judge_computes_with_integers_alone(name: str):
    """So that every machine judges alike; the tempo for people is the follower's."""
    text = (Path(fitting.__file__).parent / f"{name}.py").read_text(encoding="utf-8")
    assert floats(text) == []


def test_a_float_would_be_noticed():
    assert floats("a = 1\nb = a / 2\nc = 0.5\nd = float(a)") == [2, 3, 4]
