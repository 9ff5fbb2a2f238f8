"""How fast the line changes as it is set now: one answer for `status`, the dashboard and the forecast."""

from __future__ import annotations

from typing import TYPE_CHECKING

from replank.control import tension
from replank.control.pace import Ground, Pace, ground, pace, pace_from_home
from replank.control.parameters import Value
from replank.line.mutation import alike_twins

if TYPE_CHECKING:
    from replank.performer.core import Performer


def sounding_values(p: Performer) -> dict[str, Value]:
    """Return all parameters by name, as tension lets them sound."""
    return {**p.values, **tension.sounding(p.values)}


def in_the_long_run(p: Performer) -> Pace:
    """Return the pace where as much of the line is at home as homing says; twins apart."""
    return _pace(p, p.settings.chances.homing)


def at_first(p: Performer) -> Pace:
    """Return the pace while nearly all of the line is at home, so that a homing changes nothing."""
    return _pace(p, 1.0)


def of_choices(p: Performer) -> Pace:
    """Return the pace at which steps are chosen, whatever then happens to them."""
    return _pace(p, 1.0, chosen=True)


def from_home(p: Performer) -> Pace:
    """Return the pace from the beginning of a piece, as though the line had just begun."""
    return pace_from_home(sounding_values(p), ground_of(p))


def ground_of(p: Performer) -> Ground:
    """Return what the line's pace stands on, the twins that are alike included."""
    s, steps = p.settings, p.melody.steps[: p.settings.length]
    twins = alike_twins(steps, p.melody.home, s.lens)
    return ground(sounding_values(p), pulses=p.by_pulses, lens=s.lens, line=steps, twins=twins)


def _pace(p: Performer, at_home_share: float, chosen: bool = False) -> Pace:
    s = p.settings
    return pace(
        sounding_values(p), 0, at_home_share, chosen, pulses=p.by_pulses, lens=s.lens,
        line=p.melody.steps[: s.length], twins=0.0,
    )  # fmt: skip
