"""Every kind of mutation by its pre- and postconditions, and broken ones refused."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.line.chance import DRAW, MUTATE, Numbers
from replank.line.fit import neighbours
from replank.line.generate import Shape, draw
from replank.line.heard import describe
from replank.line.kinds import KINDS, SLOTS, Chances
from replank.line.lenses import lens_for
from replank.line.metre import exchange_weights, place_classes
from replank.line.mutation import mutate, possible_kinds, sparing
from replank.line.scales import SCALES, Scale
from replank.line.steps import REST, SOUND, Change, Form, Step
from replank.line.trail import Trail
from tests.line import broken, lines
from tests.line.bounds import assert_share
from tests.line.checks import (
    applied,
    check_moment,
    check_pins,
    check_rests_keep_density,
    check_stays_in_key,
    check_swap_keeps_pitches,
    only,
    rolls,
)

LINE = lines.drawn()[:16]
ROUNDS = settings(max_examples=150, deadline=None, derandomize=True)


@ROUNDS
@given(
    steps=st.lists(lines.steps, min_size=1, max_size=20),
    homes=st.lists(lines.steps, min_size=20, max_size=20),
    lens=lines.lenses(),
    chances=lines.chances,
    played=st.sets(st.integers(0, 19)),
    seed=st.integers(0, 2**63),
)
def test_any_line_any_settings(steps, homes, lens, chances, played, seed):
    candidates = [index for index in played if index < len(steps)]
    changes = check_moment(mutate, steps, homes[: len(steps)], candidates, lens, chances, Numbers(seed, MUTATE, 0))
    assert changes == mutate(steps, homes, candidates[::-1], lens, chances, Numbers(seed, MUTATE, 0))


@pytest.mark.parametrize("kind", KINDS)
@ROUNDS
@given(
    steps=st.lists(lines.steps, min_size=1, max_size=16),
    lens=lines.lenses(),
    chances=lines.chances,
    seed=st.integers(0, 2**63),
)
def test_each_kind_alone(kind, steps, lens, chances, seed):
    chances = chances._replace(count=1, weights=only(kind), homing=0.0)
    changes = check_moment(mutate, steps, steps, range(len(steps)), lens, chances, Numbers(seed, MUTATE, 0))
    assert {change.kind for change in changes} <= {kind}


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_happens(kind):
    chances = Chances(1, only(kind), 3, 0.0, 0.3, 0.3)
    made = [mutate(LINE, LINE, range(16), lines.LENS, chances, Numbers(1, MUTATE, n)) for n in range(40)]
    assert sum(bool(changes) for changes in made) > 20


def test_swap_exchanges_pitches_and_keeps_rhythm():
    check_swap_keeps_pitches(mutate, LINE, lines.LENS, 300)
    with pytest.raises(AssertionError, match="two sides"):
        check_swap_keeps_pitches(broken.swap_that_copies, LINE, lines.LENS, 300)


def test_rests_and_accents_move_and_density_stays():
    check_rests_keep_density(mutate, LINE, lines.LENS, 300)
    with pytest.raises(AssertionError, match="two sides"):
        check_rests_keep_density(broken.rest_by_one, LINE, lines.LENS, 300)


@pytest.mark.parametrize("wrong", [broken.pins_ignored, broken.candidates_ignored])
def test_pins_and_steps_not_played_are_left_alone(wrong):
    check_pins(mutate, LINE, lines.LENS, 200)
    with pytest.raises(AssertionError, match="was protected"):
        check_pins(wrong, LINE, lines.LENS, 200)


def test_a_homing_at_home_is_no_event():
    chances = Chances(4, lines.DEFAULT_WEIGHTS, 3, 1.0, 0.2, 0.2)
    arguments = (LINE, LINE, range(16), lines.LENS, chances, Numbers(1, MUTATE, 0))
    assert check_moment(mutate, *arguments) == []
    with pytest.raises(AssertionError, match="changes nothing"):
        check_moment(broken.nothing_reported_as_change, *arguments)


def test_homing_restores_pitch_freedom_and_rolls_and_keeps_what_a_hand_set():
    home = Step(pitch=50, rest=0.1, accent=0.2, velocity=0.3, link=0.4)
    away = Step(61, 0.5, 0.6, 0.7, 0.8, SOUND, SOUND, 2, False, True, 3, 2, 4)
    chances = Chances(1, lines.DEFAULT_WEIGHTS, 3, 1.0, 0.2, 0.2)
    (change,) = mutate([away], [home], [0], lines.LENS, chances, Numbers(1, MUTATE, 0))
    assert change.kind == "home"
    assert change.after == Step(50, 0.1, 0.2, 0.3, 0.4, SOUND, SOUND, 2, False, False, 3, 2, 4)


def test_a_forced_step_keeps_its_state_and_exchanges_no_rest():
    forced = [step._replace(rhythm=REST if n % 2 else SOUND) for n, step in enumerate(LINE)]
    chances = Chances(16, only("rest"), 3, 0.0, 0.5, 0.5)
    assert mutate(forced, forced, range(16), lines.LENS, chances, Numbers(1, MUTATE, 0)) == []


def test_one_tone_has_no_pitch_mutation():
    lens = lens_for(0, Scale("one", (0,), (0.0,)), 50, 12)
    chances = Chances(2, only("substitute", "neighbour", "swap", "octave"), 5, 0.0, 0.2, 0.2)
    assert lens.tones == (60,)
    assert mutate(LINE, LINE, range(16), lens, chances, Numbers(1, MUTATE, 0)) == []


def test_no_weight_no_candidate_no_count_change_nothing():
    chances = Chances(3, (0.0,) * len(KINDS), 3, 0.0, 0.2, 0.2)
    numbers = Numbers(1, MUTATE, 0)
    assert mutate(LINE, LINE, range(16), lines.LENS, chances, numbers) == []
    full = chances._replace(weights=lines.DEFAULT_WEIGHTS)
    assert mutate(LINE, LINE, (), lines.LENS, full, numbers) == []
    assert mutate(LINE, LINE, range(16), lines.LENS, full._replace(count=0), numbers) == []


def test_numbers_are_used_in_fixed_amount():
    for weights, homing in ((lines.DEFAULT_WEIGHTS, 0.0), (only("velocity"), 1.0), ((0.0,) * 7, 0.5)):
        numbers = Numbers(3, MUTATE, 9)
        mutate(LINE, LINE, range(16), lines.LENS, Chances(5, weights, 3, homing, 0.2, 0.2), numbers)
        assert numbers.slot == 5 * SLOTS


def test_the_homing_knob_does_not_shift_which_steps_are_chosen():
    def played(paused: range) -> list[Step]:
        now = list(LINE)
        for moment in range(30):
            count = 0 if moment in paused else 1
            chances = Chances(count, lines.DEFAULT_WEIGHTS, 3, 0.0, 0.2, 0.2)
            now = applied(now, mutate(now, LINE, range(16), lines.LENS, chances, Numbers(4, MUTATE, moment)))
        return now

    def chosen(homing: float) -> list[int]:
        """Return which step is chosen at each moment; `away` is never at home, so each moment shows."""
        chances = Chances(1, only("velocity"), 3, homing, 0.2, 0.2)
        away = [step._replace(velocity=0.25) for step in LINE]
        return [mutate(LINE, away, range(16), lines.LENS, chances, Numbers(4, MUTATE, n))[0].index for n in range(30)]

    assert chosen(0.0) == chosen(0.4) == chosen(1.0)
    assert played(range(0)) == played(range(0))
    assert played(range(10, 20)) != played(range(0))


def _flat_memory(line: list[Step], cycles: int) -> tuple[list[int], list[Step]]:
    """Run 100,000 cycles at full mutation with a trail; return memory blocks at marks, and the last line."""
    trail, form, blocks, count = Trail(limit=64), Form(tuple(line), tuple(line), len(line)), [], 0
    last: list[Step] = []

    def each(now: list[Step]) -> None:
        nonlocal form, count, last
        count += 1
        after = Form(tuple(now), form.home, form.length)
        trail.record(cycle=count, now=count, kind="mutation", text="", before=form, after=after)
        form, last = after, now
        if count % 20_000 == 0:
            blocks.append(sys.getallocatedblocks())

    check_stays_in_key(mutate, line, lines.LENS, cycles, 1, each)
    return blocks, last


def test_register_and_scale_hold_for_100_000_cycles_and_memory_is_flat():
    blocks, last = _flat_memory(list(LINE), 100_000)
    assert len(blocks) == 5
    assert max(blocks[1:]) - blocks[0] < 2_000, "memory grew"
    assert last != list(LINE)


def test_register_and_scale_hold_with_sixteen_mutations_a_cycle():
    check_stays_in_key(mutate, LINE, lines.LENS, 5_000, 16, lambda now: None)


@pytest.mark.parametrize(
    ("wrong", "words"), [(broken.register_ignored, "outside the register"), (broken.scale_ignored, "not in the scale")]
)
def test_a_line_that_leaves_register_or_scale_is_refused(wrong, words):
    with pytest.raises(AssertionError, match=words):
        check_stays_in_key(wrong, LINE, lines.LENS, 5_000, 1, lambda now: None)


@pytest.mark.parametrize("name", sorted(SCALES))
def test_every_scale_mutates_in_key(name):
    lens = lens_for(9, SCALES[name], 40, 24)
    line = lines.drawn(3, lens)[:16]
    check_stays_in_key(mutate, line, lens, 60, 16, lambda now: None)


@ROUNDS
@given(seed=st.integers(0, 10_000), spared=st.sets(st.integers(0, 15), max_size=4))
def test_a_hand_between_decision_and_change_spares_whole_exchanges(seed, spared):
    chances = Chances(8, only("swap", "neighbour", "rest"), 3, 0.0, 0.4, 0.4)
    changes = mutate(LINE, LINE, range(16), lines.LENS, chances, Numbers(seed, MUTATE, 0))
    kept, now = sparing(changes, spared), list(LINE)
    for change in kept:
        assert change.index not in spared
        assert change.before == now[change.index], "what is kept must not hang on what was left out"
        now[change.index] = change.after
    sides = {(change.kind, change.index, change.partner) for change in kept if change.partner >= 0}
    dropped = {(change.kind, change.index, change.partner) for change in changes if change not in kept}
    for kind, index, partner in sides:
        assert (kind, partner, index) not in dropped, "half of an exchange was kept"


def test_what_people_read():
    heard = Step(pitch=50, rest=0.9)
    chances = Chances(1, only("neighbour"), 3, 0.0, 0.2, 0.2)
    (change,) = mutate([heard], [heard], [0], lines.LENS, chances, Numbers(2, MUTATE, 0))
    name = {48: "C3", 53: "F3"}[change.after.pitch]
    assert describe(change, lines.LENS, 0.2, 0.2) == (f"D3 → {name} · neighbour", False)
    assert describe(change, lines.LENS, 0.2, 0.2, middle_c=3)[0].startswith("D2 → ")
    assert describe(change, lines.LENS, 0.2, 0.2, semitones=2)[0].startswith("E3 → ")
    assert describe(change, lines.LENS, 0.95, 0.2) == (f"D3 → {name} · neighbour", True), "a resting step is silent"
    falls = change._replace(kind="rest", after=heard._replace(rest=0.1), partner=6)
    assert describe(falls, lines.LENS, 0.2, 0.2) == ("D3 → rest · rest with step 7", False)
    accent = change._replace(kind="accent", after=heard._replace(accent=0.1), partner=6)
    assert describe(accent, lines.LENS, 0.2, 0.2) == ("D3, accented · accent with step 7", False)
    velocity = change._replace(kind="velocity", after=heard._replace(velocity=0.25))
    assert describe(velocity, lines.LENS, 0.2, 0.2) == ("D3, velocity 0.50 → 0.25 · velocity", False)
    stored = change._replace(kind="octave", after=heard._replace(pitch=62 + 12))
    assert describe(stored, lines.LENS, 0.2, 0.2)[1] is False
    same = change._replace(kind="home", before=heard, after=heard._replace(pitch=26))
    assert describe(same, lines.LENS, 0.2, 0.2) == ("D3 · home", True), "26 folds to 50"


# -- neighbours, twins, exchanges -------------------------------------------------

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
