"""A piece with everything that moves and comes by itself: arcs, a plan, phrases, tension, a ramp, what waits.

`perform` plays it with the real performer, as `recording` plays the night of the pictures.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from replank.control.setup import Arc, PlanAct
from replank.performer.events import Assign, Midi
from tests.dashboard import recording
from tests.dashboard.server import Server

ARCS = (
    Arc("tension", "minutes", ((0.0, 0.0), (0.5, 0.5), (1.0, 1.0), (7.0, 0.0))),
    Arc("transpose_degrees", "bars", ((0, 0), (16, 7), (64, 0))),
    Arc("gate", "minutes", ((0.0, 0.6), (0.1, 0.3))),
    Arc("swing", "minutes", ((2.0, 50.0), (6.0, 60.0))),
)
PLAN = (PlanAct(5, "accent_chance=0.2"), PlanAct(28, "recall:early"), PlanAct(41, "rest_chance=0.4"),
        PlanAct(49, "go_home"), PlanAct(61, "end"))  # fmt: skip
BARS = 25
"""Bars that are played; the place is then in the second beat of the next."""


def night(**values: Any) -> recording.Night:
    """Return the night with the first piece so furnished, played up to the 26th bar."""
    made = recording.Night()
    pieces = made.performer.setup.pieces
    made.performer.setup = replace(
        made.performer.setup, pieces=(replace(pieces[0], arc=ARCS, plan=PLAN), *pieces[1:])
    )  # fmt: skip
    made.act("piece", "1", due="now")
    made.receive(Assign({"phrase": 4, "visit_home": 7, "rest_chance": 0.3, **values}))
    made.receive(Midi(0, b"\xfa"))
    made.clocks(96 * 5)
    made.act("keep", "early")
    made.clocks(96 * 7)
    made.receive(Assign({"swing": 54.0}))
    made.clocks(96 * (BARS - 12) + 30)
    made.act("ramp", "homing", "0.2", "8")
    made.act("recall", "early", due="4bars")
    return made


def perform(**values: Any) -> dict[str, Any]:
    """Return the record of that night; see `recording.perform`."""
    made = night(**values)
    told = [n for n in made.notices if recording.NOTICES[n.kind].level != "step"]
    mutation = next(n for n in reversed(told) if n.kind == "mutation")
    return {
        "greeting": recording.GREETING,
        "state": made.state(),
        "notices": [recording.notice_message(n) for n in told[-40:-1]],
        "fresh": [recording.notice_message(n) for n in (mutation, told[-1])],
        "step": recording.notice_message(next(n for n in reversed(made.notices) if n.kind == "step")),
    }


def server(**values: Any) -> Server:
    """Return a socket that plays it."""
    return Server(perform(**values))
