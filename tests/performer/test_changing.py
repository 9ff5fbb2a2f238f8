"""Mutation at the performer: moments, candidates, settle, hold, homing, what is said about it."""

from __future__ import annotations

from typing import Any

import pytest

from replank.control.actions import ACTIONS
from replank.line.halflife import half_life
from replank.line.steps import same_music
from tests.performer.kit import MS, Stage, pulses_setup


def eager(**more: object) -> Stage:
    stage = Stage(**{"mutation_chance": 1.0, "homing": 0.0, "settle_new": 0, **more})
    stage.start()
    return stage


def forms(stage: Stage, cycles: int) -> list[tuple[object, ...]]:
    found = []
    for _ in range(cycles):
        found.append(tuple(stage.p.melody.steps[: stage.p.settings.length]))
        stage.clocks(stage.p.settings.length * stage.p.settings.division)
    return found


def test_with_no_file_the_first_four_cycles_repeat_exactly() -> None:
    stage = Stage(mutation_chance=1.0, homing=0.0)
    stage.start()
    stage.clocks(1)
    found = forms(stage, 7)
    assert found[0] == found[1] == found[2] == found[3]
    assert found[4] != found[3]


def test_about_one_mutation_is_drawn_every_second_bar() -> None:
    """The defaults: chance 0.5, one step; exact binomial bound at 1e-6 for n = 1000, p = 0.5: 423 to 577
    (scipy.stats.binom.ppf and isf at 5e-7)."""
    stage = Stage(homing=0.0)
    stage.start()
    stage.clocks(96 * 4)
    stage.forget()
    stage.interval = 1_000_000
    stage.clocks(96 * 1000)
    cycles = {n["cycle"] for n in stage.said("mutation")}
    assert 423 <= len(cycles) <= 577


def test_mutations_happen_between_the_last_step_and_the_next_first_and_are_told_exactly() -> None:
    stage = eager(mutation_count=4)
    stage.clocks(1)
    for _ in range(60):
        before = list(stage.p.melody.steps)
        stage.forget()
        stage.clocks(95)
        assert stage.said("mutation") == []
        assert stage.p.melody.steps == before
        stage.clocks(1)
        told = {n["index"] - 1 for n in stage.said("mutation")}
        assert told == {i for i in range(64) if stage.p.melody.steps[i] != before[i]}


def test_one_cycles_mutations_are_one_unit() -> None:
    stage = eager(mutation_count=8)
    stage.clocks(97)
    before = stage.p.view()["trail"]["units"]
    stage.clocks(96)
    assert stage.p.view()["trail"]["units"] == before + 1


def test_a_mutation_of_a_resting_step_is_reported_as_silent() -> None:
    stage = eager(rest_chance=1.0, mutation_count=8)
    stage.clocks(96 * 20)
    assert len(stage.said("mutation")) > 50
    assert all(n["silent"] and "silent" in n["text"] for n in stage.said("mutation"))


@pytest.mark.parametrize("every", ["4bars", "10steps", "cycle"])
def test_mutate_every(every: str) -> None:
    stage = eager(mutate_every=every)
    stage.clocks(1)
    moments = []
    for k in range(1, 96 * 16):
        before = len(stage.said("mutation"))
        stage.clocks(1)
        moments += [k] if len(stage.said("mutation")) > before else []
    spacing = {"4bars": 4 * 96, "10steps": 60, "cycle": 96}[every]
    assert len(moments) >= 3
    assert all(moment % spacing == 0 for moment in moments)


def test_steps_that_were_not_played_pinned_or_just_edited_do_not_mutate() -> None:
    stage = eager(length=8, mutation_count=16)
    stage.do("pin", "3", "on")
    hidden, pinned = stage.p.melody.steps[8:], stage.p.melody.steps[2]
    stage.clocks(48 * 30)
    assert stage.p.melody.steps[8:] == hidden
    assert stage.p.melody.steps[2] == pinned
    assert {n["index"] for n in stage.said("mutation")} == {1, 2, 4, 5, 6, 7, 8}
    stage.do("pitch", "5", "1")
    edited = stage.p.melody.steps[4]
    stage.clocks(48)
    assert stage.p.melody.steps[4] == edited


def test_what_was_not_reached_before_a_reset_does_not_mutate() -> None:
    stage = eager(mutation_count=16, settle=0)
    for _ in range(30):
        stage.clocks(6 * 4)
        stage.do("reset")
    assert {n["index"] for n in stage.said("mutation")} == {1, 2, 3, 4}


def test_hold_stops_all_mutation_and_mutate_by_hand_works_even_then() -> None:
    stage = eager(hold=True, mutation_count=16)
    stage.clocks(96 * 10)
    assert stage.said("mutation") == []
    stage.do("mutate")
    stage.clocks(6)
    assert 1 <= len(stage.said("mutation")) <= 32
    home = Stage(homing=1.0)  # every step is at home, and would be sent there
    home.do("mutate")
    assert 1 <= len(home.said("mutation")) <= 2
    assert stage.p.view()["trail"]["can_undo"]


def test_nothing_mutates_while_muted() -> None:
    stage = eager(mutation_count=16)
    stage.do("mute")
    stage.clocks(96 * 10)
    assert stage.said("mutation") == []
    stage.do("mute", "off")
    stage.clocks(96 * 3)
    assert stage.said("mutation")


def test_turning_the_chance_knob_leaves_the_seeds_evolution_alone() -> None:
    """The numbers are addressed, not used up: a rehearsal and a show with one seed meet again."""
    rehearsal, show = eager(), eager()
    show.set(mutation_chance=0.0)
    show.clocks(96 * 5 + 20)
    rehearsal.set(hold=True)
    rehearsal.clocks(96 * 5 + 20)
    show.set(mutation_chance=1.0)
    rehearsal.set(hold=False)
    show.clocks(96 * 20)
    rehearsal.clocks(96 * 20)
    assert show.p.melody.steps == rehearsal.p.melody.steps
    assert show.p.melody.mutations > 10


@pytest.mark.parametrize("action", ["undo", "back:1", "go_home", "recall:a"])
def test_after_bringing_back_one_whole_cycle_is_heard_before_anything_mutates(action: str) -> None:
    stage = eager(mutation_count=4)
    stage.clocks(20)
    stage.do("keep", "a")
    stage.clocks(96 * 6)
    name, *args = action.split(":")
    stage.do(name, *args, due="now")
    brought = list(stage.p.melody.steps)
    stage.clocks(96 - 20 + 95)
    assert stage.p.melody.steps == brought, "the rest of this cycle, and a whole one"
    stage.clocks(96 * 2)
    assert stage.p.melody.steps != brought


@pytest.mark.parametrize("action", ["redraw", "clear"])
def test_after_a_new_line_four_cycles_are_heard(action: str) -> None:
    stage = eager(settle_new=4)
    stage.clocks(96 * 6)
    stage.do(action, due="cycle")
    if action == "clear":
        stage.set(mutation_chance=1.0, homing=0.0)
    while stage.p.due:
        stage.clocks(1)
    stage.set(mutation_chance=1.0, homing=0.0)
    brought = list(stage.p.melody.steps)
    stage.clocks(96 * 4 - 1)
    assert stage.p.melody.steps == brought
    stage.clocks(96 * 3)
    assert stage.p.melody.steps != brought


def test_a_cycle_cut_short_does_not_count_as_heard_but_a_regular_reset_does_not_freeze_the_line() -> None:
    stage = eager(mutation_count=8)
    stage.clocks(96 * 3)
    stage.do("undo", due="now")
    brought = list(stage.p.melody.steps)
    stage.clocks(30)
    stage.do("reset")
    stage.clocks(30)
    assert stage.p.melody.steps == brought, "never yet heard in full"
    for _ in range(6):
        stage.do("reset")
        stage.clocks(60)
    assert stage.p.melody.steps != brought, "resets in the same place play a shorter line"


def test_homing_is_the_share_of_the_line_at_home_in_the_long_run() -> None:
    """Weights of one-step pitch kinds only, so that no partner is drawn away: the share tends to homing.

    Bound: the share over 16 steps, sampled every 16 cycles, 120 times, differs from 0.5 by
    less than 4.9 standard errors of independent steps (normal approximation, 1e-6).
    """
    kinds = {"weight_swap": 0.0, "weight_rest": 0.0, "weight_accent": 0.0, "weight_velocity": 0.0}
    stage = eager(homing=0.5, **kinds)
    stage.interval = 1_000_000
    shares = []
    for _ in range(120):
        stage.clocks(96 * 16)
        m = stage.p.melody
        shares.append(sum(same_music(m.steps[i], m.home[i]) for i in range(16)) / 16)
    mean = sum(shares) / len(shares)
    # samples 16 cycles apart share (15/16)^16 = 0.36 of their steps: effective n is n (1 - r) / (1 + r)
    effective = 16 * 120 * (1 - 0.36) / (1 + 0.36)
    assert abs(mean - 0.5) < 4.9 * (0.25 / effective) ** 0.5


def test_already_at_home_is_no_event() -> None:
    stage = eager(homing=1.0, mutation_count=16)
    stage.clocks(96 * 20)
    assert stage.said("mutation") == []
    assert stage.p.view()["trail"]["units"] == 0


def test_the_half_life_follows_the_closed_form() -> None:
    view = Stage(homing=0.0, weight_swap=0.0, weight_rest=0.0, weight_accent=0.0, weight_velocity=0.0).p.view()
    assert view["half_life"]["cycles"] == pytest.approx(21.83, abs=0.005)  # ln(1/2) / ln(1 - 0.5 / 16)
    assert view["half_life"]["bars"] == view["half_life"]["cycles"]
    assert view["half_life"]["cycles"] == half_life(16, 0.5)


@pytest.mark.parametrize(
    ("values", "cycle_steps", "cycles_of_a_moment"),
    [
        ({}, 16, 1),
        ({"direction": "mirror"}, 32, 1),
        ({"direction": "pendulum"}, 30, 1),
        ({"length": 12, "restart_every": 1}, 8, 1),  # a bar of 16 has cycles of 12 and 4 steps
        ({"mutate_every": "4bars"}, 16, 4),
        ({"direction": "mirror", "mutate_every": "64steps"}, 32, 2),
    ],
)
def test_the_half_life_knows_the_length_of_a_cycle(values: dict[str, Any], cycle_steps: int, cycles_of_a_moment: int):
    stage = Stage(homing=0.0, weight_swap=0.0, weight_octave=0.0, **values)
    stage.start()
    stage.clocks(20)
    shown, length = stage.p.view(), values.get("length", 16)
    # of the weights 3, 4 (pitch) and 1, 1, 1 (not) seven of ten touch a pitch
    assert shown["half_life"]["rate"] == pytest.approx(0.5 * 7 / 10 / cycles_of_a_moment)
    cycles = shown["half_life"]["cycles"]
    assert cycles == pytest.approx(half_life(length, 0.5 * 7 / 10 / cycles_of_a_moment))
    assert shown["half_life"]["bars"] == pytest.approx(cycles * cycle_steps / 16)
    assert shown["half_life"]["minutes"] == pytest.approx(
        cycles * cycle_steps * 6 * shown["transport"]["interval_ns"] / 60e9
    )


def test_the_half_life_of_pulses_is_in_cycles_of_their_own() -> None:
    stage = Stage(pulses_setup(), homing=0.0, weight_swap=0.0, weight_octave=0.0, mutate_every="4bars", restart_every=1)
    for _ in range(3):
        stage.pulse(after=500 * MS)
    found = stage.p.view()["half_life"]
    assert found["rate"] == pytest.approx(0.5 * 7 / 10 / 4)  # bar means cycle
    assert found["bars"] is None
    assert found["minutes"] == pytest.approx(found["cycles"] * 16 * 0.5 / 60)


def test_every_action_of_the_table_has_a_handler_and_none_else_but_the_inner_two() -> None:
    from replank.performer.acting import HANDLERS

    assert set(HANDLERS) - {"caught", "brought"} == set(ACTIONS)


def test_a_scheme_that_does_not_fit_the_length_says_once_that_the_line_is_drawn_free() -> None:
    stage = Stage(length=7)
    assert stage.said("without_effect") == []  # the default: nobody has set it
    stage.set(scheme="abab")
    (said,) = stage.said("without_effect")
    assert said["name"] == "scheme" and "drawn free" in said["why"]
    stage.set(length=16)
    stage.set(scheme="aaab")
    stage.set(length=10, scheme="free")
    assert len(stage.said("without_effect")) == 1
