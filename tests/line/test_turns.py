"""One chosen step and who takes part: neighbours, twins, exchanges, anchor, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.line.chance import DRAW, MUTATE, Numbers
from replank.line.fit import neighbours
from replank.line.generate import Shape, draw
from replank.line.heard import describe
from replank.line.kinds import KINDS, Chances
from replank.line.lenses import lens_for
from replank.line.metre import exchange_weights, place_classes
from replank.line.mutation import mutate, possible_kinds
from replank.line.scales import SCALES, Scale
from replank.line.steps import REST, Change, Step
from tests.line import broken, lines
from tests.line.bounds import assert_share
from tests.line.checks import (
    applied,
    check_moment,
    only,
    rolls,
)

ROUNDS = settings(max_examples=150, deadline=None, derandomize=True)
TONES = lines.LENS.tones
METRE = exchange_weights(0.5, place_classes(6, 96, 24))


def cells(seed: int = 1) -> list[Step]:
    """Return a line of 16 steps with twins."""
    shape = Shape(3, "aaba", 16, 0.5, place_classes(6, 96, 24))
    return list(draw(lines.LENS, shape, Numbers(seed, DRAW, 0))[:16])


def places(steps: list[Step]) -> list[int]:
    return [lines.LENS.degree_index(lines.LENS.base(step)) for step in steps]


@ROUNDS
@given(
    seed=st.integers(0, 10_000), chances=lines.chances, moments=st.integers(1, 30),
    pins=st.sets(st.integers(0, 15), max_size=4), rests=st.sets(st.integers(0, 15), max_size=3),
)  # fmt: skip
def test_rolls_are_only_ever_exchanged(seed, chances, moments, pins, rests):
    """Also under homing and motif, with pinned steps and forced rests: the sorted rolls stay the same."""
    line = [
        step._replace(pinned=index in pins, rhythm=REST if index in rests else step.rhythm)
        for index, step in enumerate(cells(seed))
    ]
    now, candidates = list(line), [index for index in range(16) if index not in rests]
    for moment in range(moments):
        numbers = Numbers(seed, MUTATE, moment)
        now = applied(now, check_moment(mutate, now, line, candidates, lines.LENS, chances, numbers))
        assert rolls(now) == rolls(line)


def test_an_exchange_that_throws_anew_is_refused():
    line, chances = cells(), Chances(1, only("substitute"), 3, 0.0, 0.2, 0.2)
    with pytest.raises(AssertionError, match="thrown anew"):
        check_moment(broken.rolls_thrown_anew, line, line, range(16), lines.LENS, chances, Numbers(1, MUTATE, 0))


def test_a_home_roll_that_nobody_has_is_just_taken():
    away, home = Step(pitch=50, rest=0.3, accent=0.3), Step(pitch=50, rest=0.7, accent=0.6)
    chances = Chances(1, lines.DEFAULT_WEIGHTS, 3, 1.0, 0.2, 0.2)
    (change,) = mutate([away], [home], [0], lines.LENS, chances, Numbers(1, MUTATE, 0))
    assert (change.after.rest, change.after.accent) == (0.7, 0.6)


def test_a_homing_takes_its_rolls_from_the_step_that_has_them():
    home = [Step(pitch=50, rest=0.1 * n, accent=0.5) for n in range(1, 4)]
    line = [
        home[0]._replace(rest=home[1].rest),
        home[1]._replace(rest=home[2].rest),
        home[2]._replace(rest=home[0].rest),
    ]
    chances = Chances(1, lines.DEFAULT_WEIGHTS, 3, 1.0, 0.2, 0.2)
    first, other = mutate(line, home, [0], lines.LENS, chances, Numbers(1, MUTATE, 0))
    assert (first.index, first.kind, first.after.rest) == (0, "home", home[0].rest)
    assert (other.index, other.partner, other.after.rest, other.echo) == (2, 0, home[1].rest, False)


@pytest.mark.parametrize("kind", ["substitute", "neighbour", "octave", "swap"])
def test_twins_move_along(kind):
    chances = Chances(1, only(kind), 3, 0.0, 0.2, 0.2, 1.0, 1.0)
    echoes = 0
    for seed in range(60):
        line = cells(seed)
        changes = check_moment(mutate, line, line, range(16), lines.LENS, chances, Numbers(seed, MUTATE, 0))
        old, new = places(line), places(applied(line, changes))
        for index, step in enumerate(line):
            for twin in range(index):
                if step.twin and line[twin].twin == step.twin:
                    assert new[index] - new[twin] == old[index] - old[twin]
        echoes += sum(change.echo for change in changes)
        for change in changes:
            if change.echo:
                assert line[change.index].twin == line[change.partner].twin
    assert echoes > 30


def test_without_motif_a_step_moves_alone():
    chances = Chances(1, only("neighbour"), 3, 0.0, 0.2, 0.2, 1.0, 0.0)
    for seed in range(60):
        line = cells(seed)
        assert len(mutate(line, line, range(16), lines.LENS, chances, Numbers(seed, MUTATE, 0))) <= 1


def check_echo_spares_pins(mutate) -> None:
    """Assert that no echo reaches a pinned twin, nor one that is no candidate."""
    chances = Chances(1, only("neighbour", "substitute"), 3, 0.0, 0.2, 0.2, 1.0, 1.0)
    for seed in range(60):
        line = [step._replace(pinned=index in (4, 5, 6, 7)) for index, step in enumerate(cells(seed))]
        check_moment(mutate, line, line, range(12), lines.LENS, chances, Numbers(seed, MUTATE, 0))


def test_an_echo_leaves_pinned_twins_and_others_that_are_no_candidates():
    check_echo_spares_pins(mutate)
    with pytest.raises(AssertionError, match="is pinned"):
        check_echo_spares_pins(broken.echo_moves_pinned)


def test_a_twin_that_stands_otherwise_than_at_home_does_not_move_along():
    home = cells()
    line = list(home)
    line[4] = line[4]._replace(pitch=TONES[places(home)[4] + 1])
    chances = Chances(1, only("neighbour"), 3, 0.0, 0.2, 0.2, 1.0, 1.0)
    moved = [mutate(line, home, (0, 4, 12), lines.LENS, chances, Numbers(1, MUTATE, n)) for n in range(40)]
    assert {tuple(change.index for change in changes) for changes in moved} == {(0, 12), (12, 0), (4,)}


def test_an_echoed_homing_takes_all_twins_home():
    home = cells()
    line = list(home)
    for index, away in ((0, 1), (4, 2), (12, -1)):
        line[index] = line[index]._replace(pitch=TONES[places(home)[index] + away])
    chances = Chances(1, lines.DEFAULT_WEIGHTS, 3, 1.0, 0.2, 0.2, 1.0, 1.0)
    changes = mutate(line, home, (4,), lines.LENS, chances, Numbers(1, MUTATE, 0))
    assert [change.index for change in changes] == [4]
    changes = mutate(line, home, (4, 12, 0), lines.LENS, chances, Numbers(1, MUTATE, 0))
    assert sorted(change.index for change in changes) == [0, 4, 12]
    assert applied(line, changes) == home
    assert [change.echo for change in changes] == [False, True, True]


def test_a_tone_is_chosen_by_its_neighbours():
    """A step between two on the same tone, three degrees away: by g(d) squared, counted against the closed form."""
    line = [Step(pitch=TONES[place]) for place in (4, 1, 4, 0, 2, 6, 8)]
    chances = Chances(1, only("substitute"), 3, 0.0, 0.2, 0.2, 1.0)
    made = [mutate(line, line, [1], lines.LENS, chances, Numbers(4, MUTATE, n))[0].after.pitch for n in range(4000)]
    weights = {TONES[4 - away]: g * g for away, g in ((0, 0.6), (1, 1.0), (2, 0.4), (4, 0.04))}
    assert set(made) == set(weights)
    for tone, weight in weights.items():
        assert_share(made.count(tone), len(made), weight / sum(weights.values()), f"tone {tone}")
    # silent steps are no neighbours: beside rests alone the choice is even
    alone = [step._replace(rest=0.9 if index == 1 else 0.1) for index, step in enumerate(line)]
    made = [mutate(alone, alone, [1], lines.LENS, chances, Numbers(4, MUTATE, n))[0].after.pitch for n in range(4000)]
    for tone in weights:
        assert_share(made.count(tone), len(made), 1 / 4, f"tone {tone}, even")


def test_neighbours_stand_round_the_ring():
    assert neighbours([True, False, False, True, False], 1) == (0, 3)
    assert neighbours([True, False, False, True, False], 0) == (3, 3)
    assert neighbours([True, False, False, False, False], 0) == (-1, -1)
    assert neighbours([False, False, True, False], 3) == (2, 2)
    assert neighbours([True, True, True], 2) == (1, 0)


def test_strong_places_win_exchanges_by_the_closed_form():
    """One step of two sounds: in the long run with chances in proportion to their m (the product of one)."""
    line = [Step(pitch=50, rest=0.9), Step(pitch=57, rest=0.1)]
    chances = Chances(1, only("rest"), 3, 0.0, 0.5, 0.2, metre=(3.0, 1.0))
    now, first = list(line), 0
    moves = 0
    for n in range(20_000):
        changes = mutate(now, line, (0, 1), lines.LENS, chances, Numbers(5, MUTATE, n))
        moves += bool(changes)
        now = applied(now, changes)
        first += now[0].rest == 0.9
    assert 0.73 < first / 20_000 < 0.77
    # away from step 1 one in three is made, back each: 2 x 3/4 x 1/3
    assert 0.47 < moves / 20_000 < 0.53


def test_a_line_does_not_get_poorer():
    few = [Step(pitch=TONES[place]) for place in (3, 4, 3, 4)]
    chances = Chances(1, only("neighbour"), 1, 0.0, 0.2, 0.2, 1.0)
    for n in range(200):
        after = applied(few, mutate(few, few, range(4), lines.LENS, chances, Numbers(1, MUTATE, n)))
        assert len(set(places(after))) >= 2
    one = [Step(pitch=TONES[4])] * 4
    assert all(mutate(one, one, range(4), lines.LENS, chances, Numbers(1, MUTATE, n)) for n in range(50))


def test_step_1_is_left_out_where_it_sounds_the_root():
    line = cells()
    chances = Chances(1, only("velocity"), 3, 0.0, 0.2, 0.2, anchor=0.8)

    def first(line: list[Step]) -> int:
        made = [mutate(line, line, range(16), lines.LENS, chances, Numbers(1, MUTATE, n)) for n in range(4000)]
        return sum(changes[0].index == 0 for changes in made)

    assert_share(first(line), 4000, 0.2 / 16, "the root on step 1")
    other = [line[0]._replace(pitch=TONES[places(line)[0] + 1]), *line[1:]]
    assert_share(first(other), 4000, 1 / 16, "another tone on step 1")
    full = chances._replace(anchor=1.0)
    (change,) = mutate(line, line, [0], lines.LENS, full, Numbers(1, MUTATE, 0))
    assert change.index == 0, "nobody else is left"


def test_all_at_home_a_kind_is_drawn_at_once():
    line, chances = cells(), Chances(1, lines.DEFAULT_WEIGHTS, 3, 0.99, 0.2, 0.2)
    made = [mutate(line, line, range(16), lines.LENS, chances, Numbers(1, MUTATE, n)) for n in range(40)]
    assert all(changes and changes[0].kind != "home" for changes in made)


@pytest.mark.parametrize("kind", KINDS)
def test_the_table_of_kinds_that_can_happen_is_the_engines(kind):
    """Where the table says never, none is made; where it says on each step, each makes one."""
    chromatic, chances = lens_for(0, SCALES["chromatic"], 48, 13), Chances(1, only(kind), 3, 0.0, 0.3, 0.3)
    rich = [Step(pitch=48 + 3 * (n % 4), rest=n / 8, accent=n / 8) for n in range(8)]
    same = [Step(pitch=54, rest=0.9, accent=0.9)] * 8
    one_tone = lens_for(0, Scale("one", (0,), (0.0,)), 50, 12)
    for lens, line in ((chromatic, rich), (chromatic, same), (one_tone, same), (lines.LENS, rich)):
        share = possible_kinds(lens, chances, line)[KINDS.index(kind)]
        able = [
            any(mutate(line, line, (n, *range(8)), lens, chances, Numbers(1, MUTATE, m)) for m in range(60))
            for n in range(1)
        ]
        assert (share > 0) == any(able)
    assert possible_kinds(lines.LENS, chances._replace(rest_chance=0.0), 16)[KINDS.index("rest")] == 0.0
    assert possible_kinds(lens_for(2, SCALES["minor pentatonic"], 48, 12), chances, 16)[3] == pytest.approx(2 / 6)


def test_echoes_and_partners_in_words():
    step = Step(pitch=50, rest=0.9)
    echo = Change(4, "neighbour", step, step._replace(pitch=53), 0, 0, True)
    assert describe(echo, lines.LENS, 0.2, 0.2) == ("D3 → F3 · neighbour, echo of step 1", False)
    partner = Change(4, "substitute", step, step._replace(rest=0.1), 0)
    assert describe(partner, lines.LENS, 0.2, 0.2) == ("D3 → rest · substitute with step 1", False)
