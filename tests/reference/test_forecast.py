"""What a forecast computes, against lines that really mutate.

The closed forms are those of the coupon collector (Feller, *An Introduction to
Probability Theory and Its Applications*, vol. 1): a share (1 - r/N)^c is
untouched after c cycles.  The count is by the line's own engine over fixed
seeds, without a performer and without the code that computes.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import pytest

from replank.control.pace import Ground, ground, pace_from_home, solve_half_life
from replank.control.parameters import DEFAULTS
from replank.line.halflife import settled
from tests.line.evening import begun, settings

SEEDS = range(1, 201)
EXACT, ROUGH = 0.05, 0.15
"""How far counted and computed may be apart: without motif, and with it, where the share of twins is an estimate."""


@lru_cache(maxsize=64)
def half_touched(seeds: range = SEEDS, cycles: int = 160, **values: Any) -> float:
    """Return the cycles until half of the steps have another pitch, from the beginning of a piece."""
    s, left = settings(**values), [0] * cycles
    for seed in seeds:
        melody, touched = begun(seed, s), set()
        melody.settle(int({**DEFAULTS, **values}["settle_new"]))
        for n in range(cycles):
            for index in range(s.length):
                melody.step_begins(index, True)
            melody.decide(s.length, s.lens, s.mutation_chance, s.chances)
            melody.end_cycle(s.length, {}, True)
            changes = melody.release_decided(not melody.settle_left)
            touched |= {c.index for c in changes if c.before.pitch != c.after.pitch}
            left[n] += s.length - len(touched)
    half = s.length / 2 * len(seeds)
    n = next(n for n in range(cycles) if left[n] <= half)
    return n + (left[n - 1] - half) / (left[n - 1] - left[n])


def computed(on: Ground | None = None, **values: Any) -> float:
    """Return the same by the closed forms."""
    whole = {**DEFAULTS, **values}
    cycles = pace_from_home(whole, on or ground(whole)).cycles
    assert cycles is not None
    return cycles


PLAIN = [
    {"homing": 0.0},
    {},
    {"homing": 0.7},
    {"settle_new": 0},
    {"settle_new": 16},
    {"mutation_count": 3},
    {"length": 12, "scale": "dorian"},
    {"length": 32, "mutation_count": 2},
    {"rest_chance": 0.0, "accent_chance": 0.0},
    {"weight_octave": 4.0, "register_span": 12},
]


@pytest.mark.parametrize("values", PLAIN, ids=str)
def test_the_half_life_from_the_beginning_without_motif(values):
    assert half_touched(motif=0.0, **values) == pytest.approx(computed(motif=0.0, **values), rel=EXACT)


@pytest.mark.parametrize(
    "values", [{}, {"motif": 1.0}, {"homing": 0.0}, {"homing": 0.0, "motif": 1.0}, {"scheme": "aaab"}], ids=str
)
def test_with_motif_it_lies_between_the_two_closed_forms(values):
    counted, whole = half_touched(**values), {**DEFAULTS, **values}
    slowest = computed(**{**values, "motif": 0.0})
    put_off = settled(DEFAULTS["settle_new"])
    least = (slowest - put_off) / pace_from_home(whole, ground(whole)).echoed + put_off
    assert least <= counted < slowest
    assert counted == pytest.approx(computed(**values), rel=ROUGH)


@pytest.mark.parametrize(
    ("values", "allowed"), [({"motif": 0.0}, EXACT), ({"motif": 0.0, "homing": 0.2, "length": 12}, EXACT), ({}, ROUGH)]
)
@pytest.mark.parametrize("bars", [30, 80])
def test_a_solved_half_life_is_what_is_counted(values, allowed, bars):
    whole = {**DEFAULTS, **values}
    on = ground(whole)
    found = solve_half_life(whole, bars, on)
    assert found is not None
    counted = half_touched(cycles=300, **values, mutation_chance=found.chance, mutation_count=found.count)
    assert counted * on.cycle_bars == pytest.approx(bars, rel=allowed)


@pytest.mark.parametrize(
    ("values", "broken"),
    [
        # weights of kinds that cannot happen: nothing rests or is accented that an exchange could move
        ({"rest_chance": 0.0, "accent_chance": 0.0}, {"weights": tuple(DEFAULTS[f"weight_{k}"] for k in (
            "substitute", "neighbour", "swap", "octave", "rest", "accent", "velocity"))}),
        ({"weight_octave": 4.0, "register_span": 12}, {"weights": (3.0, 4.0, 1.0, 4.0, 1.0, 1.0, 1.0)}),
    ],
)  # fmt: skip
def test_a_forecast_that_divides_by_kinds_that_cannot_happen_is_refused(values, broken):
    """Negative control."""
    on = ground({**DEFAULTS, "motif": 0.0, **values})
    counted = half_touched(motif=0.0, **values)
    assert counted == pytest.approx(computed(on, motif=0.0, **values), rel=EXACT)
    assert counted != pytest.approx(computed(on._replace(**broken), motif=0.0, **values), rel=EXACT)


def test_a_forecast_that_forgets_what_settles_or_counts_homings_is_refused():
    """Negative controls: no settling; a homing taken for the first touch of a step."""
    counted = half_touched(motif=0.0, settle_new=16)
    assert counted != pytest.approx(computed(motif=0.0, settle_new=0), rel=EXACT)
    on = ground(DEFAULTS)
    from replank.control.pace import pace

    naive = pace({**DEFAULTS, "motif": 0.0}, at_home_share=0.5).cycles + 3
    assert half_touched(motif=0.0) != pytest.approx(naive, rel=EXACT)
    assert on.steps == 16
