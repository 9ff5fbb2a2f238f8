"""The generator against published vectors, and its numbers against uniformity.

SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
generators", OOPSLA 2014).  The vectors for seed 1234567 are those that
java.util.SplittableRandom of OpenJDK 17 gives, which implements the paper.
Chi-square critical values at 1e-6 as scipy.stats.chi2.isf gives them.
"""

from __future__ import annotations

import pytest

from replank.line.chance import BLEND, DICE, DIRECTION, DRAW, HAND, MUTATE, Numbers, mix64, stream_key
from tests.line.bounds import assert_share, binomial_interval

VECTORS = [
    6457827717110365317,
    3203168211198807973,
    9817491932198370423,
    4593380528125082431,
    16408922859458223821,
]
CHI_SQUARE_15 = 56.49


def splitmix64(seed: int, count: int) -> list[int]:
    """Return the first `count` outputs of SplitMix64 started at `seed`."""
    return [mix64((seed + n * 0x9E3779B97F4A7C15) % 2**64) for n in range(1, count + 1)]


def test_splitmix64_vectors():
    assert splitmix64(1234567, 5) == VECTORS
    assert splitmix64(1234568, 5) != VECTORS


def test_the_bounds_are_those_of_scipy():
    """Exact binomial bounds at 1e-6 as scipy 1.17.1 gives them (binom.ppf(5e-7), binom.isf(5e-7))."""
    assert binomial_interval(100, 0.5) == (26, 74)
    assert binomial_interval(100, 0.25) == (6, 48)
    assert binomial_interval(1000, 0.05) == (20, 87)
    assert binomial_interval(1000, 0.01) == (0, 29)
    assert binomial_interval(10_000, 0.1) == (856, 1150)
    assert binomial_interval(100_000, 0.5) == (49227, 50773)


def check_uniform(values: list[float]) -> None:
    """Assert that independent numbers fill [0, 1) evenly, by cell and together."""
    cells = [0] * 16
    for value in values:
        assert 0.0 <= value < 1.0
        cells[int(value * 16)] += 1
    for place, count in enumerate(cells):
        assert_share(count, len(values), 1 / 16, f"cell {place}")
    expected = len(values) / 16
    assert sum((count - expected) ** 2 / expected for count in cells) < CHI_SQUARE_15


STREAMS = (DRAW, MUTATE, HAND, DIRECTION, DICE, BLEND)


@pytest.mark.parametrize(
    "values",
    [
        pytest.param([Numbers(1, DRAW, 0).at(slot) for slot in range(20_000)], id="slots"),
        pytest.param([Numbers(1, MUTATE, index).at(0) for index in range(20_000)], id="indices"),
        pytest.param([Numbers(seed, DICE, 0).at(0) for seed in range(20_000)], id="seeds"),
        pytest.param([Numbers(n // 6, STREAMS[n % 6], 3).at(2) for n in range(20_000)], id="streams"),
        pytest.param([Numbers(9, MUTATE, n // 16).at(n % 16 * 24) for n in range(20_000)], id="slots of mutations"),
    ],
)
def test_numbers_are_uniform(values):
    check_uniform(values)


def test_numbers_that_are_not_uniform_are_refused():
    with pytest.raises(AssertionError, match="cell"):
        check_uniform([Numbers(1, DRAW, 0).at(slot) ** 1.05 for slot in range(20_000)])


def test_neighbours_are_not_related():
    """Pairs of consecutive slots, of consecutive indices and of streams fall evenly on 16 squares."""
    pairs = {
        "slots": [(Numbers(1, DRAW, 0).at(n), Numbers(1, DRAW, 0).at(n + 1)) for n in range(0, 20_000, 2)],
        "indices": [(Numbers(1, MUTATE, n).at(0), Numbers(1, MUTATE, n + 1).at(0)) for n in range(0, 20_000, 2)],
        "streams": [(Numbers(n, MUTATE, 0).at(0), Numbers(n, HAND, 0).at(0)) for n in range(10_000)],
    }
    for what, values in pairs.items():
        squares = [int(a * 4) * 4 + int(b * 4) for a, b in values]
        for square in range(16):
            assert_share(squares.count(square), len(squares), 1 / 16, what)


def test_every_address_has_its_own_number():
    keys = {stream_key(seed, stream, index) for seed in range(20) for stream in STREAMS for index in range(200)}
    assert len(keys) == 20 * 6 * 200


def test_reading_leaves_the_others_as_they_are():
    one, other = Numbers(4, DICE, 2), Numbers(4, DICE, 2)
    for _ in range(5):
        one.next()
    other.slot = 5
    assert one.next() == other.next()
    assert 0 <= Numbers(4, DICE, 2).below(7) < 7
