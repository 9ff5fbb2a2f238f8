"""Curves between a control's position and its parameter's range.

Every curve rises from (0, 0) to (1, 1) and is made of additions and
multiplications only, so that a knob means the same on every machine.
Outside 0 to 1 a curve goes on straight.
"""

from __future__ import annotations

from collections.abc import Callable

CURVES: dict[str, Callable[[float], float]] = {
    "linear": lambda x: x,
    "fine_low": lambda x: x * x,
    "fine_high": lambda x: x * (2.0 - x),
    "fine_ends": lambda x: x * x * (3.0 - 2.0 * x),
    "fine_middle": lambda x: x * (1.0 + (x - 1.0) * (2.0 * x - 1.0)),
}
"""Curve name -> share of the range at a position; fine where the curve is flat."""

_HALVINGS = 48


def bend(curve: str, position: float) -> float:
    """Return the share of the range, 0 to 1, at a control position, 0 to 1."""
    if not 0.0 < position < 1.0:
        return position
    return CURVES[curve](position)


def unbend(curve: str, share: float) -> float:
    """Return the control position at which a curve reaches a share of the range."""
    if curve == "linear" or not 0.0 < share < 1.0:
        return share
    function, low, high = CURVES[curve], 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if function(middle) < share:
            low = middle
        else:
            high = middle
    return high
