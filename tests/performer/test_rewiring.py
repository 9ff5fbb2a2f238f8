"""A rig read again while the line plays: which of its values hold, and which stay as they were moved."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from replank.control.parameters import DEFAULTS
from replank.control.setup import Piece, Setup, to_plain
from replank.performer.events import Configure
from tests.performer.kit import Stage


def reloaded(then: dict[str, Any], setup: Setup, **moved: Any) -> Stage:
    """A line that plays under `setup`, on which something is moved; then the rig gives other values."""
    stage = Stage(setup)
    stage.start()
    stage.clocks(20)
    if moved:
        stage.set(**moved)
    stage.give(Configure(to_plain(replace(setup, values=then))))
    stage.clocks(96 + 6)
    return stage


def test_what_a_rig_gives_otherwise_holds_where_nobody_has_moved_it() -> None:
    old = Setup(values={"retrigger_gap": 8.0, "gate": 0.5, "leap": 5, "root": "E"})
    stage = reloaded({"retrigger_gap": 12.0, "gate": 0.7, "meter": "3/4", "root": "A"}, old, gate=0.9)
    values = stage.p.values
    assert (values["retrigger_gap"], values["gate"], values["meter"], values["root"]) == (12.0, 0.9, "3/4", "A")
    assert values["leap"] == DEFAULTS["leap"], "what the rig gives no more is at its default"
    assert stage.said("setup")[0]["text"].endswith("so it stays: gate 0.9")
    assert {one["name"] for one in stage.said("parameter") if one["origin"] == "rig"} == {
        "retrigger_gap", "leap", "meter", "root",
    }  # fmt: skip
    stage.do("clear", due="now")
    assert stage.p.values["gate"] == 0.7, "clear goes back to what the rig says now"


def test_what_a_piece_gives_stays_when_the_rig_gives_it_otherwise() -> None:
    pieces = (Piece("First Light", values={"gate": 0.5}), Piece("Meridian"))
    stage = reloaded({"gate": 0.8, "swing": 60.0}, Setup(pieces=pieces, values={"gate": 0.5}))
    assert (stage.p.values["gate"], stage.p.values["swing"]) == (0.5, 60.0)
    stage.do("next_piece", due="now")
    assert stage.p.values["gate"] == 0.8, "a piece that does not say takes the rig's"


def test_a_rig_read_again_without_a_change_moves_nothing() -> None:
    stage = reloaded({"gate": 0.5}, Setup(values={"gate": 0.5}), gate=0.9, swing=60.0)
    assert (stage.p.values["gate"], stage.p.values["swing"]) == (0.9, 60.0)
    assert [one["text"] for one in stage.said("setup")] == ["the new rig is in use"]
