"""Drawn and written lines."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.line import drawing
from replank.line.chance import DRAW, Numbers
from replank.line.drawing import SLOTS, draw, written
from replank.line.lenses import Lens, lens_for, root_pitch
from replank.line.scales import SCALES
from replank.line.steps import REST, STEPS, Step, Written, words_of
from tests.line import lines
from tests.line.bounds import assert_share
from tests.line.checks import check_in_key


@settings(max_examples=60, deadline=None)
@given(lines.lenses(), st.integers(1, 14), st.integers(0, 2**63))
def test_a_drawn_line_is_in_key_and_begins_on_the_root(lens, leap, seed):
    numbers = Numbers(seed, DRAW, 0)
    line = draw(lens, leap, numbers)
    assert len(line) == STEPS
    assert numbers.slot == SLOTS * STEPS
    for step in line:
        check_in_key(step, lens)
        assert all(0.0 <= roll < 1.0 for roll in (step.rest, step.accent, step.velocity, step.link))
        assert not (step.free or step.pinned or step.rhythm)
    assert line[0].pitch == root_pitch(lens)
    assert line[0].rest >= 0.9
    if len(lens.tones) > 2 * leap:
        places = [lens.tones.index(step.pitch) for step in line]
        assert max(abs(a - b) for a, b in pairwise(places)) <= leap


def test_pinned_steps_are_kept_and_the_walk_goes_on_from_them():
    before = list(lines.drawn(1))
    before[0] = Step(pitch=67, pinned=True)
    before[9] = Step(pitch=48, pinned=True, rhythm=REST)
    line = draw(lines.LENS, 1, Numbers(2, DRAW, 0), before)
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
        places = [lens.tones.index(step.pitch) for step in draw(lens, leap, Numbers(seed, DRAW, 0))]
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
    monkeypatch.setattr(drawing, "BY_ONE", 0.45)
    with pytest.raises(AssertionError, match="moves of"):
        check_walk(*LEAPS[2])


def test_the_walk_reflects_at_the_edges():
    lens = lens_for(0, SCALES["major pentatonic"], 60, 12)
    assert len(lens.tones) == 6
    pitches = {step.pitch for seed in range(20) for step in draw(lens, 14, Numbers(seed, DRAW, 0))}
    assert pitches == set(lens.tones)


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
    lens: Lens = lens_for(2, SCALES["minor pentatonic"], 48, 19)
    assert lines.drawn(7, lens) == line


GOLDEN = [62, 65, 62, 65, 62, 60, 57, 50, 50, 55, 48, 50, 48, 53, 53, 50]
