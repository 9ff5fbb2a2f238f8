"""The seam between two cycles: what is decided, closed and applied there, and in which order."""

from __future__ import annotations

import itertools

import pytest

from replank.control.setup import Piece, Setup
from replank.line.steps import LINK_SLIDE, SOUND
from tests.performer.kit import MS, Stage, every_step, pulses_setup


def eager(setup: Setup | None = None, **more: object) -> Stage:
    stage = Stage(setup, **{"mutation_chance": 1.0, "homing": 0.0, "settle_new": 0, "settle": 0, **more})
    stage.start()
    return stage


def test_a_swung_last_step_is_a_candidate_like_any_other() -> None:
    stage = eager(swing=60.0, mutation_count=16)
    stage.bars(20)
    assert {n["index"] for n in stage.said("mutation")} == set(range(1, 17))


@pytest.mark.parametrize("swing", [50.0, 62.0])
def test_a_slide_over_the_seam_reaches_the_mutated_step(swing: float) -> None:
    """A slide into a step that mutates to a rest ends its gate normally; into a note, it slides."""
    kinds = {f"weight_{k}": 0.0 for k in ("neighbour", "swap", "octave", "rest", "accent", "velocity")}
    stage = eager(length=4, mutation_count=3, rest_chance=0.5, gate=0.5, swing=swing, metric=0.0, anchor=0.0, **kinds)
    m = stage.p.melody
    m.steps[3] = m.home[3] = m.steps[3]._replace(linked=LINK_SLIDE, rhythm=SOUND, pinned=True)
    slid = ended = 0
    for _ in range(300):
        stage.forget()
        before = list(m.steps)
        stage.clocks(24)
        steps = stage.steps()
        if len(steps) < 4 or before[0] == m.steps[0]:
            continue
        last = next(s for s in steps if s["index"] == 4)
        first = next(s for s in steps if s["index"] == 1)
        # the notices of one round are 1 to 4; the link of 4 is judged against the 1 that comes then
        stage.clocks(4 if swing > 50 else 1)
        coming = [s for s in stage.steps() if s["index"] == 1][-1]
        if coming is not first:
            assert (last["link"] == "slide") == (coming["note"] >= 0), (last, coming)
            slid += coming["note"] >= 0
            ended += coming["note"] < 0
        stage.clocks(24 - (4 if swing > 50 else 1))
    assert slid > 20 and ended > 20


def test_a_mutation_by_bars_is_decided_when_the_step_before_begins() -> None:
    stage = eager(mutate_every="1bar", length=5, mutation_count=16)
    stage.clocks(96 - 6)
    assert not stage.p.melody.is_decided
    stage.clocks(1)
    assert stage.p.melody.is_decided and stage.p.melody.pending
    assert stage.said("mutation") == []
    stage.clocks(6)
    assert stage.said("mutation")


def test_with_pulses_a_bar_of_mutate_every_is_a_cycle() -> None:
    stage = Stage(pulses_setup(), mutation_chance=1.0, homing=0.0, settle_new=0, mutate_every="4bars", length=4)
    for _ in range(4 * 8 + 1):
        stage.pulse(50 * MS)
    assert {n["cycle"] for n in stage.said("mutation")} == {5, 9}


def test_keep_last_right_after_a_recall_at_the_seam_keeps_what_sounded() -> None:
    stage = eager(mutation_count=8)
    stage.clocks(20)
    stage.do("keep", "old")
    stage.clocks(96 * 5)
    stage.do("recall", "old")  # due at the bar, which is the seam
    sounded = list(stage.p.melody.steps)
    stage.clocks(96)
    stage.do("keep_last", "moment")
    assert list(stage.p.melody.snapshots["moment"].form.steps) == sounded
    assert list(stage.p.melody.steps) == list(stage.p.melody.snapshots["old"].form.steps)


def test_back_to_the_cycle_before_a_recall_at_the_seam_gives_what_sounded_in_it() -> None:
    stage = eager(mutation_count=8)
    stage.clocks(20)
    stage.do("keep", "old")
    stage.clocks(96 * 5)
    stage.do("recall", "old")
    sounded, cycle = list(stage.p.melody.steps), stage.p.melody.cycle
    stage.clocks(96)
    stage.do("back", str(cycle), due="now")
    assert list(stage.p.melody.steps) == sounded


def test_what_is_due_at_the_seam_replaces_the_mutations_that_were_decided() -> None:
    stage = eager(mutation_count=16, settle=1)
    stage.clocks(96 - 5)
    assert stage.p.melody.pending
    stage.do("rotate", "1", due="bar")
    turned = [stage.p.melody.steps[-1 % 16], *stage.p.melody.steps[:15]]
    stage.clocks(6)
    assert list(stage.p.melody.steps[:16]) == turned
    assert stage.said("mutation") == []


@pytest.mark.parametrize("swing", [50.0, 75.0])
def test_restart_every_where_the_division_does_not_divide_the_bar(swing: float) -> None:
    """7 clocks a step: 13 whole steps and 5 clocks of a fourteenth, which the bar line cuts."""
    stage = Stage(**{**every_step(), "division": "7c", "length": 16, "restart_every": 1, "swing": swing})
    stage.start()
    stage.clocks(96 * 4)
    bars = [[s["index"] for s in stage.steps() if s["bar"] == n] for n in (1, 2, 3, 4)]
    assert all(bar == list(range(1, 15)) for bar in bars), bars
    if swing == 50:
        firsts = [now for (now, _), s in zip(stage.ons(), stage.steps(), strict=True) if s["index"] == 1]
        assert [b - a for a, b in itertools.pairwise(firsts)] == [96 * stage.interval] * 3


def test_a_delayed_strike_that_a_restart_overtakes_never_sounds_after_step_one() -> None:
    stage = Stage(**{**every_step(), "division": "5c", "length": 20, "restart_every": 1, "swing": 75.0})
    stage.start()
    stage.clocks(96 * 6)
    found = [s["index"] for s in stage.steps()]
    assert all(b in (1, a + 1) for a, b in itertools.pairwise(found)), found


def test_repeats_of_a_step_that_is_cut_short_do_not_sound_after_step_one() -> None:
    stage = Stage(**{**every_step(), "division": "1/4", "meter": "7/16", "length": 8, "restart_every": 1})
    for n in range(8):
        stage.do("ratchet", str(n + 1), "4")
    stage.start()
    stage.clocks(42 * 3)
    bars = [[now for now, _ in stage.ons() if (now // stage.interval - 1) // 42 == bar] for bar in range(3)]
    assert [len(bar) for bar in bars] == [7, 7, 7], "two quarters, the second one cut after three sixteenths"


SET = (
    Piece("First Light", {"direction": "random", "length": 7}, seed=11),
    Piece("Meridian", {"length": 5}, seed=12),
)


def test_a_piece_with_a_seed_evolves_the_same_whatever_was_played_before_it() -> None:
    """Rehearsed first or coming in on stage after others, at whatever place."""
    found = []
    for before in (0, 31, 40, 96 * 3):
        stage = Stage(Setup(pieces=SET), mutation_chance=1.0, seed=5)
        stage.start()
        if before:
            stage.do("piece", "2", due="now")
            stage.clocks(before)
            stage.do("piece", "1", due="now")
            stage.start()
        stage.set(mutation_chance=1.0, reroll=0.5, homing=0.0)
        stage.forget()
        stage.clocks(42 * 12)
        found.append([(s["index"], s["note"]) for s in stage.steps()])
        assert stage.p.melody.mutations > 3
    assert found[1:] == found[:1] * 3


def test_as_left_returns_exactly_with_its_values_and_its_generator() -> None:
    stage = Stage(Setup(pieces=SET))
    stage.start()
    stage.set(mutation_chance=1.0, homing=0.0, settle_new=0, gate=0.3)
    stage.clocks(42 * 8 + 10)
    p, m = stage.p, stage.p.melody

    def generator() -> tuple[object, ...]:
        return m.seed, m.moment, m.draws, m.by_hand, m.passes, p.transport.playhead.advances

    left = m.form(7), generator(), p.piece_values()
    stage.do("piece", "2", due="now")
    stage.clocks(200)
    assert generator() != left[1]
    stage.do("piece_as_left", "1", due="now")
    assert (m.form(7), generator(), p.piece_values()) == left
    stage.do("undo", due="now")
    assert p.values["gate"] == 0.6, "undo brings back every value of the other piece"


def test_a_piece_left_when_its_mutations_were_decided_decides_the_same_ones_again() -> None:
    stage = Stage(Setup(pieces=SET))
    stage.start()
    stage.set(mutation_chance=1.0, settle_new=0, settle=0)
    stage.clocks(42 * 9)
    m = stage.p.melody
    assert m.is_decided
    moment = m.moment
    stage.do("piece", "2", due="now")
    stage.do("piece_as_left", "1", due="now")
    assert (m.moment, m.is_decided) == (moment - 1, False)


def test_a_line_that_answers_moves_although_it_is_never_heard_in_full() -> None:
    stage = eager(length=32, mutation_count=8, settle=1)
    stage.do("answer", "1", "1")
    stage.bars(4)
    stage.do("undo", due="now")
    stage.forget()
    stage.bars(3)
    assert stage.said("mutation") == []
    stage.bars(6)
    assert stage.said("mutation")
