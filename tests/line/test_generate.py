"""Drawn and written lines."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.line import generate
from replank.line.chance import DRAW, Numbers
from replank.line.generate import SCHEMES, SLOTS, Shape, draw, has_cells, mean_twins, twin_marks, written
from replank.line.lenses import Lens, lens_for, root_pitch
from replank.line.metre import place_classes
from replank.line.scales import SCALES
from replank.line.steps import REST, STEPS, Step, Written, words_of
from tests.line import lines
from tests.line.bounds import assert_share
from tests.line.checks import check_in_key

shapes = st.builds(
    Shape,
    leap=st.integers(1, 14),
    scheme=st.sampled_from(SCHEMES),
    length=st.integers(1, 64),
    metric=st.floats(0.0, 1.0),
    places=st.builds(place_classes, st.integers(1, 96), st.sampled_from((72, 84, 96)), st.sampled_from((12, 24))),
)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(lines.lenses(), shapes, st.integers(0, 2**63), st.sets(st.integers(0, 63)))
def test_a_drawn_line_is_in_key_and_begins_on_the_root(lens, shape, seed, pins):
    numbers = Numbers(seed, DRAW, 0)
    line = draw(lens, shape, numbers)
    assert len(line) == STEPS
    assert numbers.slot == SLOTS * STEPS
    for step in line:
        check_in_key(step, lens)
        assert all(0.0 <= roll < 1.0 for roll in (step.rest, step.accent, step.velocity, step.link))
        assert not (step.free or step.pinned or step.rhythm)
    assert line[0].pitch == root_pitch(lens)
    assert line[0].rest == max(step.rest for step in line[: shape.length]), "step 1 rests last"
    assert line[0].accent == min(step.accent for step in line[: shape.length]), "step 1 is accented first"
    if not has_cells(shape.scheme, shape.length) and len(lens.tones) > 2 * shape.leap:
        places = [lens.tones.index(step.pitch) for step in line]
        assert max(abs(a - b) for a, b in pairwise(places)) <= shape.leap
    before = [step._replace(pinned=index in pins, pitch=127 - step.pitch) for index, step in enumerate(line)]
    again = draw(lens, shape, Numbers(seed + 1, DRAW, 0), before)
    for index, step in enumerate(again):
        assert step.pinned == (index in pins)
        assert step == before[index] or not step.pinned


def test_pinned_steps_are_kept_and_the_walk_goes_on_from_them():
    before = list(lines.drawn(1))
    before[0] = Step(pitch=67, pinned=True)
    before[9] = Step(pitch=48, pinned=True, rhythm=REST)
    line = draw(lines.LENS, Shape(1), Numbers(2, DRAW, 0), before)
    assert (line[0], line[9]) == (before[0], before[9])
    assert line[1].pitch in (65, 67)
    assert line[10].pitch in (48, 50)
    assert not any(step.pinned for index, step in enumerate(line) if index not in (0, 9))


def check_walk(leap: int, shares: dict[int, float]) -> None:
    """Assert the sizes of the walk's moves, counted where no edge is near."""
    lens = lens_for(0, SCALES["chromatic"], 30, 60)
    sizes: list[int] = []
    ups = 0
    for seed in range(300):
        places = [lens.tones.index(step.pitch) for step in draw(lens, Shape(leap), Numbers(seed, DRAW, 0))]
        for a, b in pairwise(places):
            if leap <= a < len(lens.tones) - leap:
                sizes.append(abs(a - b))
                ups += b > a
    assert set(sizes) == set(shares)
    for size, share in shares.items():
        assert_share(sizes.count(size), len(sizes), share, f"moves of {size}")
    assert_share(ups, len(sizes) - sizes.count(0), 0.5, "moves up")


LEAPS = [
    (1, {0: 0.15, 1: 0.85}),
    (2, {0: 0.15, 1: 0.50, 2: 0.35}),
    (3, {0: 0.15, 1: 0.50, 2: 0.20, 3: 0.15}),
    (6, {0: 0.15, 1: 0.50, 2: 0.20, 3: 0.0375, 4: 0.0375, 5: 0.0375, 6: 0.0375}),
]


@pytest.mark.parametrize(("leap", "shares"), LEAPS)
def test_the_walk_has_its_probabilities(leap, shares):
    check_walk(leap, shares)


def test_a_walk_with_other_probabilities_is_refused(monkeypatch):
    monkeypatch.setattr(generate, "BY_ONE", 0.45)
    with pytest.raises(AssertionError, match="moves of"):
        check_walk(*LEAPS[2])


def test_the_walk_reflects_at_the_edges():
    lens = lens_for(0, SCALES["major pentatonic"], 60, 12)
    assert len(lens.tones) == 6
    pitches = {step.pitch for seed in range(20) for step in draw(lens, Shape(14), Numbers(seed, DRAW, 0))}
    assert pitches == set(lens.tones)


# -- the scheme -----------------------------------------------------------------


def test_twins_are_the_same_places_of_the_same_letters():
    assert twin_marks("free", 16) == twin_marks("aaba", 18) == twin_marks("aaba", 12) == (0,) * STEPS
    marks = twin_marks("aaba", 16)
    assert marks[:16] == (1, 2, 3, 4, 1, 2, 3, 4, 9, 10, 11, 12, 1, 2, 3, 0)
    assert marks == marks[:16] * 4, "what follows repeats the cells"
    assert twin_marks("abab", 20)[:20] == (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 1, 2, 3, 4, 5, 6, 7, 8, 9, 0)
    # 9 steps with two twins, 2 with one: 20 of 16
    assert mean_twins("aaba", 16) == 20 / 16
    assert mean_twins("free", 16) == mean_twins("aaba", 15) == 0.0


@settings(max_examples=100, deadline=None, derandomize=True)
@given(lines.lenses(), shapes, st.integers(0, 2**63))
def test_a_letter_that_returns_is_its_first_cell_moved_as_a_whole(lens, shape, seed):
    line = draw(lens, shape, Numbers(seed, DRAW, 0))
    assert tuple(step.twin for step in line) == twin_marks(shape.scheme, shape.length)
    if not has_cells(shape.scheme, shape.length):
        return
    places = [lens.tones.index(step.pitch) for step in line]
    size = shape.length // 4
    for cell, letter in enumerate(shape.scheme):
        source, start = shape.scheme.index(letter) * size, cell * size
        if source == start:
            continue
        moved = {places[start + n] - places[source + n] for n in range(size - 1)}
        assert len(moved) == 1
        (shift,) = moved
        assert shift in (-1, 0, 1)
        assert [step.velocity for step in line[start : start + size]] == [
            step.velocity for step in line[source : source + size]
        ]
        if cell < 3:
            assert abs(places[start + size - 1] - places[source + size - 1] - shift) <= 1
    last = line[shape.length - 1].pitch
    assert (last - lens.root) % 12 in (0, 7)
    assert [(step.pitch, step.velocity) for step in line] == [
        (line[n % shape.length].pitch, line[n % shape.length].velocity) for n in range(STEPS)
    ]


def test_the_ends_of_cells_lead_to_where_the_next_begins():
    """Tied tones arrive: between a walked cell and a returning one lies no move above `leap`."""
    for scheme, joins in (("aaba", (3, 11)), ("aaab", (3,)), ("abac", (7,)), ("abab", (7,))):
        for seed in range(200):
            line = draw(lines.LENS, Shape(3, scheme, 16), Numbers(seed, DRAW, 0))
            places = [lines.LENS.tones.index(step.pitch) for step in line]
            for join in joins:
                assert abs(places[join + 1] - places[join]) <= 3, f"{scheme}, seed {seed}"


# -- rhythm by rank -------------------------------------------------------------


@settings(max_examples=100, deadline=None, derandomize=True)
@given(shapes, st.integers(0, 2**63), st.floats(0.0, 1.0), st.sets(st.integers(0, 63)))
def test_a_chance_takes_exactly_its_share_of_the_steps(shape, seed, chance, pins):
    before = [step._replace(pinned=index in pins) for index, step in enumerate(lines.drawn(3))]
    line = draw(lines.LENS, shape, Numbers(seed, DRAW, 0), before)[: shape.length]
    able = [step for step in line if not step.pinned]
    for rolls in ([step.rest for step in able], [step.accent for step in able]):
        assert abs(sum(roll < chance for roll in rolls) - chance * len(able)) < 1.0


def test_strong_places_rest_last_and_are_accented_first():
    places = place_classes(6, 96, 24)
    assert places[:17] == (0, 4, 3, 4, 2, 4, 3, 4, 2, 4, 3, 4, 2, 4, 3, 4, 1)
    assert place_classes(12, 84, 12)[:8] == (0, 2, 2, 2, 2, 2, 2, 1), "seven quavers of 7/8, each a beat"
    assert place_classes(9, 96, 24)[:8] == (0, 4, 4, 4, 3, 4, 4, 4), "dotted sixteenths meet a half beat at 36 clocks"
    line = draw(lines.LENS, Shape(3, "free", 16, 1.0, places), Numbers(1, DRAW, 0))[:16]
    order = sorted(range(16), key=lambda index: line[index].rest)
    assert order == [15, 13, 11, 9, 7, 5, 3, 1, 14, 10, 6, 2, 12, 8, 4, 0], "of equal ones the later is weaker"
    assert sorted(range(16), key=lambda index: line[index].accent) == order[::-1]


def test_twins_rest_side_by_side():
    for seed in range(50):
        shape = Shape(3, "aaba", 16, 0.5, place_classes(6, 96, 24))
        line = draw(lines.LENS, shape, Numbers(seed, DRAW, 0))[:16]
        order = sorted(range(16), key=lambda index: line[index].rest)
        for mark in (2, 3, 4):
            ranks = [rank for rank, index in enumerate(order) if line[index].twin == mark]
            assert ranks[-1] - ranks[0] == len(ranks) - 1


def test_a_written_line_repeats_to_the_end():
    line_written = [Written(50), Written(50, REST), Written(53, pinned=True), Written(57), Written(60)]
    numbers = Numbers(1, DRAW, 0)
    line = written(line_written, numbers)
    assert numbers.slot == SLOTS * STEPS
    assert len(line) == STEPS
    for index, step in enumerate(line):
        assert words_of(step) == line_written[index % 5]
        assert step.rest >= 0.5, "whole until half of rest_chance"
    assert line[0].rest >= 0.9
    assert len({step.rest for step in line}) == STEPS, "the repeated line has rolls of its own"


def test_a_written_line_of_rests_or_of_nothing():
    assert all(step.rhythm == REST for step in written([Written(60, REST)], Numbers(1, DRAW, 0)))
    with pytest.raises(ValueError, match="at least one step"):
        written([], Numbers(1, DRAW, 0))


def test_a_fixed_seed_draws_a_fixed_line():
    """The engine's promise to old records; recorded from this program, not from elsewhere."""
    line: tuple[Step, ...] = lines.drawn(7)
    assert [step.pitch for step in line[:16]] == GOLDEN
    cells = draw(lines.LENS, Shape(3, "aaba", 16), Numbers(7, DRAW, 0))
    assert [step.pitch for step in cells[:16]] == GOLDEN_CELLS
    lens: Lens = lens_for(2, SCALES["minor pentatonic"], 48, 19)
    assert lines.drawn(7, lens) == line


GOLDEN = [62, 60, 57, 55, 50, 53, 50, 50, 50, 50, 48, 50, 53, 48, 53, 57]
GOLDEN_CELLS = [62, 65, 62, 62, 62, 65, 62, 65, 60, 53, 53, 55, 60, 62, 60, 62]


def test_a_pinned_step_is_among_the_twins_of_the_new_drawing_not_of_the_old():
    lens = lens_for(2, SCALES["dorian"], 48, 24)
    old = draw(lens, Shape(3, "aaba", 16), Numbers(5, DRAW, 0))
    before = [step._replace(pinned=index in (5, 40)) for index, step in enumerate(old)]
    line = draw(lens, Shape(3, "abab", 32), Numbers(5, DRAW, 1), before)
    assert [step.twin for step in line] == list(twin_marks("abab", 32))
    for index in (5, 40):
        assert line[index]._replace(twin=old[index].twin) == before[index]
