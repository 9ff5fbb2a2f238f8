"""When mutation moments come and what they touch, across Start, pieces, recalls, and changes in mid cycle."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from replank.control.setup import Piece, Setup
from replank.line.steps import Step
from replank.performer import Performer, lookahead, steps
from replank.performer.melody import Melody
from tests.performer.kit import Stage


@pytest.fixture
def decided(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """(number of the first moment, moments) of each decision, in order."""
    real, found = Melody.decide, []

    def decide(self: Melody, length: int, lens: Any, chance: float, chances: Any, moments: int = 1) -> None:
        found.append((self.moment, moments))
        real(self, length, lens, chance, chances, moments)

    monkeypatch.setattr(Melody, "decide", decide)
    return found


def piece(name: str, **values: Any) -> Piece:
    return Piece(name, seed=6, values={"phrase": 4, "breath": 0, "settle_new": 0, "mutation_chance": 1.0, **values})


def on_stage(*pieces: Piece) -> Stage:
    return Stage(replace(Setup(), pieces=pieces))


# -- moments -------------------------------------------------------------------


FORETOLD = [
    {"mutate_every": every, "restart_every": restart, "length": length, "meter": meter, "division": division}
    for every in ("cycle", "3bars", "5steps", "phrase", "2cycles")
    for restart, length, meter, division in ((0, 16, "4/4", "1/16"), (3, 11, "3/4", "1/16"), (2, 5, "7/8", "1/4"))
]


def foretold(monkeypatch: pytest.MonkeyPatch, values: dict[str, Any]) -> list[tuple[bool, bool]]:
    """For each step of 24 bars but the first: was a moment foretold by the step before, and did it come."""
    real_step, real_moment = steps.boundary, steps.mutation_moment
    found: list[tuple[bool, bool]] = []
    told, came = [False], [False]

    def moment(p: Performer) -> None:
        came[0] = True
        real_moment(p)

    def step(p: Performer) -> None:
        real_step(p)
        found.append((told[0], came[0]))
        told[0], came[0] = steps._is_moment_next(p, p.transport.step_clock), False

    monkeypatch.setattr(steps, "mutation_moment", moment)
    monkeypatch.setattr(steps, "boundary", step)
    stage = Stage(phrase=4, breath=0, settle_new=0, **values)
    stage.start()
    stage.bars(24)
    return found[1:]


@pytest.mark.parametrize("values", FORETOLD, ids=str)
def test_what_was_foretold_is_what_happens(monkeypatch: pytest.MonkeyPatch, values: dict[str, Any]) -> None:
    found = foretold(monkeypatch, values)
    assert len(found) > 90 and sum(came for _, came in found) >= 3
    assert [n for n, (told, came) in enumerate(found) if told != came] == []


def test_a_rule_that_differs_for_the_next_step_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Broken build: looking ahead does not know of returns to step 1."""
    monkeypatch.setattr(lookahead, "restarts_next", lambda p, clock: False)
    found = foretold(monkeypatch, FORETOLD[1])
    assert any(told != came for told, came in found)


def test_cycles_before_start_are_none_of_the_new_phrase(decided: list[tuple[int, int]]) -> None:
    stage = Stage(mutate_every="phrase", phrase=4, settle_new=0)
    stage.start()
    stage.bars(3)
    stage.start()  # in the fourth bar, of which one is a cycle
    stage.bars(5)
    assert decided == [(0, 4)]


@pytest.mark.parametrize("every", ["cycle", "2bars", "24steps", "phrase"])
def test_a_piece_mutates_alike_in_rehearsal_and_after_another_piece(every: str) -> None:
    def mutations(stage: Stage) -> list[tuple[int, str]]:
        """Return the mutations of 17 bars, each with its cycles since the first: a cycle is a bar here."""
        stage.bars(17)
        said = stage.said("mutation")
        return [(d["cycle"] - said[0]["cycle"], d["text"]) for d in said]

    one = piece("Meridian", mutate_every=every)
    rehearsed = on_stage(one)
    rehearsed.start()
    on_night = on_stage(piece("First Light", mutate_every=every), one)
    on_night.start()
    on_night.bars(8)  # the next bar begins a phrase, and is even
    on_night.do("next_piece")
    on_night.forget()
    at_rehearsal, at_night = mutations(rehearsed), mutations(on_night)
    assert len(at_rehearsal) > 3 and at_night == at_rehearsal


def test_a_piece_as_left_decides_again_what_it_had_decided(decided: list[tuple[int, int]]) -> None:
    stage = on_stage(piece("First Light"), piece("Meridian", mutate_every="phrase"))
    stage.do("piece", "2")
    stage.start()
    stage.bars(3)
    stage.clocks(91)  # the last step of the phrase has begun: its four moments are decided
    assert decided == [(0, 4)]
    stage.do("piece", "1")
    stage.bars(4)
    stage.do("piece_as_left", "2")
    decided.clear()
    stage.bars(5)
    assert decided[0][0] == 0


def test_with_settle_0_a_line_that_came_back_still_mutates_only_where_it_was_heard() -> None:
    stage = Stage(settle=0, settle_new=0, mutation_chance=1.0, mutation_count=16, homing=0.0, motif=0.0)
    stage.start()
    stage.do("keep", "first", due="now")
    stage.bars(2)
    stage.clocks(50)  # steps 1 to 9 of a cycle of the changed line
    stage.do("recall", "first", due="now")
    stage.forget()
    stage.clocks(50)
    changed = {d["index"] for d in stage.said("mutation")}
    assert changed and min(changed) > 9


# -- as it sounded -------------------------------------------------------------


def test_keep_last_is_what_sounded_also_where_the_line_changed_in_its_midst() -> None:
    stage = Stage(mutate_every="1step", mutation_chance=1.0, settle_new=0, seed=3, homing=0.0, slide_chance=0.0)
    stage.start()
    stage.bars(4)
    stage.forget()
    stage.bars(1)
    heard = {d["index"]: d["note"] for d in stage.steps()}
    stage.clocks(1)
    assert len(heard) == 16 and len(stage.said("mutation")) > 8
    stage.do("keep_last", "whole")
    stage.set(hold=True)
    stage.do("recall", "whole", due="now")
    stage.bars(1)
    stage.forget()
    stage.bars(2)
    cycle = stage.steps()[-1]["cycle"] - 1
    assert {d["index"]: d["note"] for d in stage.steps() if d["cycle"] == cycle} == heard


def test_a_restored_state_keeps_the_same_last_cycle() -> None:
    # On a visit home a step that is at home is the line's own, whether or not it is the same object in memory.
    def kept(restore: bool) -> list[Any]:
        stage = Stage(phrase=1, breath=0, visit_home=2, hold=True)
        if restore:
            stage.p = Performer.restore(json.loads(json.dumps(stage.p.save())))
        stage.start()
        stage.bars(1)
        stage.clocks(60)  # step 10 of the visit has begun
        stage.p.melody.steps[3] = Step(pitch=50)  # changed after it was heard
        stage.bars(1)
        stage.do("keep_last", "visit")
        return stage.p.melody.snapshots["visit"].save()

    assert kept(True) == kept(False)
