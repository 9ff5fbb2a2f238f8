"""The measures against figures that can be counted by hand."""

from itertools import permutations
from random import Random

import pytest

from replank.line.measures import (
    Sounding,
    audible_changes,
    degree_moves,
    densities,
    is_audible,
    length_entropy,
    mean_difference,
    mean_interval,
    onset_ratio,
    order_ratio,
    returning_figures,
)

SCALE = (60, 62, 64, 65, 67, 69, 71, 72)


def test_mean_interval_round_the_ring_and_along_a_melody():
    assert mean_interval(SCALE) == (12 + 12) / 8
    assert mean_interval(SCALE, ring=False) == 12 / 7
    assert mean_interval((60, 67)) == mean_interval((60, 67), ring=False) == 7
    assert mean_interval((60,)) is mean_interval(()) is None


def test_the_mean_difference_is_the_mean_interval_of_every_order():
    notes = (60, 62, 65, 65, 72)
    orders = list(permutations(notes))
    for ring in (True, False):
        mean = sum(mean_interval(order, ring) or 0 for order in orders) / len(orders)
        assert mean == pytest.approx(mean_difference(notes))


def test_order_is_one_for_shuffled_notes_and_less_for_a_scale():
    random = Random(1)
    shuffled = [random.sample(SCALE * 2, 16) for _ in range(400)]
    assert order_ratio(shuffled) == pytest.approx(1, abs=0.02)
    assert order_ratio([SCALE]) == pytest.approx(3 / mean_difference(SCALE))
    assert order_ratio([(60, 72, 60, 72)]) == pytest.approx(12 / 8)
    assert order_ratio([SCALE, (60,), ()]) == order_ratio([SCALE])
    assert order_ratio([(60, 60)]) is None


def test_order_sums_before_it_divides():
    wide, narrow = (48, 60, 72), (60, 61, 62)
    assert order_ratio([wide, narrow]) == pytest.approx((16 + 4 / 3) / (16 + 4 / 3))
    flat = (60, 60, 72, 72)
    both = (6 + 4 / 3) / (8 + 4 / 3)
    assert order_ratio([flat, narrow]) == pytest.approx(both)


def test_returning_figures():
    motif = (60, 62, 65, 64)
    higher = tuple(note + 5 for note in motif)
    # Along a melody: of 5 figures the one that begins with the repeat returns.
    assert returning_figures([motif + higher], ring=False) == 1 / 5
    assert returning_figures([(60, 62, 64, 67)], ring=False) == 0.0
    # Round a ring the two find each other.
    assert returning_figures([motif + (58,) + higher + (50,)]) == 2 / 10
    assert returning_figures([(60, 62, 64)]) is None
    assert returning_figures([motif + higher, (60, 62, 64, 67)], ring=False) == 1 / 6


def test_a_figure_is_not_its_own_return():
    """A ring of one figure: the same place seen once round is not another place."""
    assert returning_figures([(60, 61, 63, 66)]) == 0.0
    assert returning_figures([(60,) * 4]) == 1.0


def test_a_figure_returns_within_thirteen_notes():
    between = [30, 90, 31, 88, 33, 85, 36, 81, 40, 76]
    motif, near = [60, 62, 65, 64], between[:9]
    assert returning_figures([motif + near + motif], ring=False) == 1 / 14  # 13 notes after
    assert returning_figures([motif + between + motif], ring=False) == 0.0  # 14 notes after


def test_moves_in_degrees():
    minor_pentatonic = (2, 5, 7, 9, 0)
    assert degree_moves((50, 53, 57, 62, 60), minor_pentatonic) == [4, 1, 2, 2, 1]
    assert degree_moves((50, 53, 54, 57, 62), minor_pentatonic, ring=False) == [1, 2]


def test_onsets_on_and_off_the_beat():
    sounds = [step in (0, 4, 8, 2, 5, 7) for step in range(16)]
    places = [(step % 4 == 0, on) for step, on in enumerate(sounds)]
    assert onset_ratio(places) == pytest.approx((3 / 4) / (3 / 12))
    assert onset_ratio(places[1:]) == pytest.approx((2 / 3) / (3 / 12))
    assert onset_ratio([(True, True)]) is onset_ratio([(False, True)]) is None


def test_entropy_of_lengths():
    assert length_entropy([0.6] * 9) == 0.0
    assert length_entropy([0.5, 1.0, 0.5, 1.0]) == 1.0
    assert length_entropy([1, 2, 3, 4]) == 2.0
    assert length_entropy([0.5, 0.6, 0.55, 1.0, 1.05, 0.95]) == 1.0, "rounded to a quarter step"
    assert length_entropy([]) is None


def test_density_by_eight_bars():
    onsets = [0, 1, 2, 31.9, 32, 33, 64]
    assert densities(onsets, 4, 16) == [4 / 32, 2 / 32]
    assert densities(onsets, 4, 23) == [4 / 32, 2 / 32]
    assert densities(onsets, 3, 24) == [3 / 24, 3 / 24, 1 / 24]
    assert densities([], 4, 7) == []


@pytest.mark.parametrize(
    ("before", "after", "heard"),
    [
        (Sounding(60, False, 80), Sounding(62, False, 80), True),
        (Sounding(60, False, 80), Sounding(None), True),
        (Sounding(None), Sounding(60, False, 80), True),
        (Sounding(None), Sounding(None, True, 99), False),
        (Sounding(60, False, 80), Sounding(60, True, 80), True),
        (Sounding(60, False, 80), Sounding(60, False, 87), False),
        (Sounding(60, False, 80), Sounding(60, False, 72), True),
        (Sounding(60, False, 80), Sounding(60, False, 80), False),
    ],
)
def test_what_is_audible(before, after, heard):
    assert is_audible(before, after) is heard


def test_twins_count_with_the_step_that_they_follow():
    moved, same = (Sounding(60), Sounding(62)), (Sounding(None), Sounding(None))
    assert audible_changes([[moved, moved], [same], [same, moved], []]) == 2
