"""The order of steps, cycles, resets and changes under way."""

from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.line.chance import DIRECTION, Numbers
from replank.timing.order import DIRECTIONS, cycle_steps, index_at, phase_of
from replank.timing.playhead import Playhead

directions = st.sampled_from(DIRECTIONS)
lengths = st.integers(1, 64)


def rolls(advance: int) -> float:
    return Numbers(5, DIRECTION, advance).at(0)


def played(head: Playhead, count: int) -> list[int]:
    """Return the next steps, 1-based; a cycle's first one is negative."""
    found = []
    for _ in range(count):
        begins = head.advance()
        found.append(-(head.index + 1) if begins else head.index + 1)
    return found


@pytest.mark.parametrize(
    ("direction", "expected"),
    [
        ("forward", [-1, 2, 3, 4, -1, 2, 3, 4]),
        ("reverse", [-4, 3, 2, 1, -4, 3, 2, 1]),
        ("pendulum", [-1, 2, 3, 4, 3, 2, -1, 2]),
        ("mirror", [-1, 2, 3, 4, 4, 3, 2, 1, -1, 2]),
    ],
)
def test_each_direction_plays_its_order(direction: str, expected: list[int]):
    assert played(Playhead(4, direction), len(expected)) == expected


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_a_line_of_one_step_plays_it_again_and_again(direction: str):
    assert played(Playhead(1, direction, rolls), 4) == [-1, -1, -1, -1]


@given(directions, lengths)
def test_every_step_is_played_as_often_as_the_direction_says(direction: str, length: int):
    head = Playhead(length, direction, rolls)
    order = [abs(step) for step in played(head, cycle_steps(direction, length))]
    if direction in ("forward", "reverse"):
        assert sorted(order) == list(range(1, length + 1))
    elif direction == "mirror" and length > 1:
        assert sorted(order) == sorted(2 * list(range(1, length + 1)))
    elif direction == "pendulum" and length > 1:
        assert sorted(order) == sorted([*range(1, length + 1), *range(2, length)])
    assert head.peek()[1], "a cycle begins when its steps are through"


@given(directions.filter(lambda d: d != "random"), lengths)
def test_a_place_and_its_step_answer_each_other(direction: str, length: int):
    for phase in range(cycle_steps(direction, length)):
        index = index_at(direction, length, phase)
        assert phase in (phase_of(direction, length, index, falling) for falling in (False, True))


def check_random(make: Callable[[int], Playhead]) -> None:
    for length in (2, 3, 16):
        head = make(length)
        order = played(head, 40 * length)
        steps = [abs(step) for step in order]
        assert steps[0] == 1
        assert all(a != b for a, b in pairwise(steps)), "the same step twice running"
        assert [step < 0 for step in order] == [n % length == 0 for n in range(len(order))]
        assert set(steps) == set(range(1, length + 1))


def test_random_begins_with_step_1_and_never_repeats_one():
    check_random(lambda length: Playhead(length, "random", rolls))


def test_a_playhead_that_draws_from_all_steps_is_rejected():
    class Careless(Playhead):
        def _index_of(self, phase: int) -> int:
            return int(rolls(self.advances) * self.length) if self.advances else 0

    with pytest.raises(AssertionError, match="twice running"):
        check_random(lambda length: Careless(length, "random", rolls))


@given(directions, lengths, st.integers(0, 200))
def test_peek_says_what_advance_does_and_changes_nothing(direction: str, length: int, before: int):
    head = Playhead(length, direction, rolls)
    played(head, before)
    saved = head.save()
    index, begins = head.peek()
    assert head.save() == saved
    assert head.advance() is begins
    assert head.index == index


@given(directions, lengths, st.integers(0, 100))
def test_a_reset_gives_the_first_step_of_the_direction(direction: str, length: int, before: int):
    head = Playhead(length, direction, rolls)
    played(head, before)
    head.reset()
    assert head.advance()
    assert head.index == (length - 1 if direction == "reverse" else 0)


@given(directions.filter(lambda d: d != "random"), lengths, st.integers(0, 300))
def test_locating_gives_what_playing_from_the_anchor_gives(direction: str, length: int, steps: int):
    straight, located = Playhead(length, direction), Playhead(length, direction)
    played(straight, steps)
    located.locate(steps)
    assert located.peek() == straight.peek()


def test_a_place_before_the_anchor_is_refused():
    with pytest.raises(ValueError, match="-1 steps after the origin"):
        Playhead().locate(-1)


@pytest.mark.parametrize(("nudge", "expected"), [(1, 4), (-1, 2), (-3, 16), (0, 3)])
def test_a_nudge_moves_the_next_step(nudge: int, expected: int):
    head = Playhead(16)
    played(head, 2)
    head.nudge(nudge)
    assert abs(played(head, 1)[0]) == expected


def test_shortening_keeps_the_playhead_or_goes_to_the_first_step():
    head = Playhead(16)
    played(head, 4)
    head.set_length(8)
    assert played(head, 5) == [5, 6, 7, 8, -1]
    head = Playhead(16)
    played(head, 12)
    head.set_length(8)
    assert played(head, 2) == [-1, 2]


def test_lengthening_goes_on():
    head = Playhead(4)
    played(head, 4)
    head.set_length(6)
    assert played(head, 3) == [5, 6, -1]


@pytest.mark.parametrize(
    ("before", "steps", "after", "expected"),
    [
        ("forward", 3, "reverse", [2, 1, -5]),
        ("reverse", 2, "pendulum", [3, 2, -1, 2]),  # it was falling and goes on falling
        ("mirror", 7, "forward", [5, -1]),
        ("pendulum", 7, "reverse", [2, 1, -5]),
        ("forward", 5, "mirror", [5, 4, 3]),
    ],
)
def test_a_new_direction_goes_on_from_the_present_step(before: str, steps: int, after: str, expected: list[int]):
    head = Playhead(5, before)
    played(head, steps)
    head.set_direction(after)
    assert played(head, len(expected)) == expected


@pytest.mark.parametrize(("direction", "length"), [("sideways", 4), ("forward", 0), ("mirror", -1)])
def test_wrong_values_change_nothing(direction: str, length: int):
    head = Playhead(4)
    saved = head.save()
    with pytest.raises(ValueError):
        (head.set_direction(direction) if length > 0 else head.set_length(length))
    assert head.save() == saved


commands = st.lists(
    st.one_of(
        st.just(("advance",)),
        st.just(("reset",)),
        st.tuples(st.just("locate"), st.integers(0, 500)),
        st.tuples(st.just("nudge"), st.integers(-70, 70)),
        st.tuples(st.just("set_length"), lengths),
        st.tuples(st.just("set_direction"), directions),
    ),
    max_size=30,
)


@given(directions, lengths, commands, commands)
def test_a_restored_playhead_goes_on_as_the_saved_one(direction: str, length: int, before: list, after: list):
    head = Playhead(length, direction, rolls)
    for name, *args in before:
        getattr(head, name)(*args)
    other = Playhead.restore(head.save(), rolls)
    assert other == head
    for name, *args in after:
        assert getattr(head, name)(*args) == getattr(other, name)(*args)
        index, _ = head.peek()
        assert 0 <= index < head.length
    assert other == head
