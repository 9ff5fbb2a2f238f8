"""Every kind of mutation by its pre- and postconditions, and broken ones refused."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.line.chance import MUTATE, Numbers
from replank.line.heard import describe
from replank.line.kinds import KINDS, SLOTS, Chances
from replank.line.lenses import lens_for
from replank.line.mutation import mutate, sparing
from replank.line.scales import SCALES, Scale
from replank.line.steps import REST, SOUND, Form, Step
from replank.line.trail import Trail
from tests.line import broken, lines
from tests.line.checks import (
    applied,
    check_moment,
    check_pins,
    check_rests_keep_density,
    check_stays_in_key,
    check_swap_keeps_pitches,
    only,
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
