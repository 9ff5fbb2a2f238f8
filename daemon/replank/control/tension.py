"""Tension: one knob over several parameters, as offsets on what hands have set.

The middle changes nothing.  The register is left alone: moving it folds single
notes by octaves and tears the line.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from replank.control.parameters import PARAMETERS

MIDDLE = 0.5
"""The value of `tension` that has no effect."""

OFFSETS: dict[str, float] = {
    "rest_chance": -0.4,
    "transpose_degrees": 2,
    "velocity_centre": 20,
    "accent_chance": 0.2,
    "mutation_chance": 0.3,
    "homing": -0.3,
    "gate": 0.2,
}
"""What full tension adds to each parameter, in its own unit; no tension takes as much away."""


def sounding(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values under tension of the parameters that it moves; empty in the middle.

    Whole numbers go to the nearest, ties away from what was set; each value
    stays inside its parameter's range.
    """
    way = (values["tension"] - MIDDLE) / MIDDLE
    if not way:
        return {}
    moved: dict[str, Any] = {}
    for name, most in OFFSETS.items():
        row, offset = PARAMETERS[name], way * most
        if row.kind != "float":
            offset = int(offset + 0.5) if offset >= 0 else -int(0.5 - offset)
        moved[name] = type(values[name])(min(row.high, max(row.low, values[name] + offset)))
    return moved
