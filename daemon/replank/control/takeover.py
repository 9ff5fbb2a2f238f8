"""How a control and its parameter meet again after one moved without the other.

Positions are 0 (fully left) to 1 (fully right) in the control's own
direction.  The parameter may lie beyond them where the control covers only a
part of its range.

jump
    The parameter goes where the control is.
pickup
    Nothing moves until the control has passed the parameter.
scaled
    Each movement takes the parameter along by the same share of what is left
    in that direction, so that both arrive at the end together.  It never jumps.
"""

from __future__ import annotations

from typing import Any

REST_NS = 120_000_000
"""A control that has not moved for so long, in ns, is at rest."""
HYSTERESIS = 1.0 / 3.0
"""Share of a list position by which a control must leave the present one."""
_SAME = 1e-9


def scaled(held: float, before: float, after: float) -> float:
    """Return the parameter's new position when its control goes from `before` to `after`."""
    if abs(held - before) < _SAME:
        return after
    if after > before:
        return held if held >= 1.0 else held + (after - before) * (1.0 - held) / (1.0 - before)
    return held if held <= 0.0 or before <= 0.0 else held * after / before


class Takeover:
    """One parameter under one control.

    Attributes:
        mode: jump, pickup or scaled.
        held: Where the parameter is.
        waiting: True while the control must be turned to the parameter.
    """

    __slots__ = ("held", "mode", "waiting")

    def __init__(self, mode: str, held: float = 0.0) -> None:
        self.mode, self.held, self.waiting = mode, held, False

    def place(self, held: float, control: float | None, near: float) -> None:
        """Say where the parameter is after it was moved by something else, or the control was learnt.

        Args:
            held: Its position.
            control: The control's position; None unknown.
            near: A distance that counts as met.
        """
        self.held = held
        self.waiting = self.mode == "pickup" and control is not None and abs(control - held) > near

    def move(self, before: float, after: float, near: float) -> bool:
        """Move the control; return False where the parameter waits."""
        if self.mode == "scaled":
            self.held = scaled(self.held, before, after)
            return True
        if self.waiting:
            low, high = (before, after) if before <= after else (after, before)
            if not low - near <= self.held <= high + near:
                return False
            self.waiting = False
        self.held = after
        return True

    def way(self, control: float) -> str:
        """Return the way to turn a waiting control: left, right, or nothing."""
        if not self.waiting:
            return ""
        return "right" if self.held > control else "left"

    def save(self) -> list[Any]:
        """Return it as plain data."""
        return [self.mode, self.held, self.waiting]

    def load(self, plain: list[Any]) -> None:
        """Take over what `save` returned."""
        self.mode, self.held, self.waiting = plain


class Flutter:
    """Tells a movement of a 7-bit control from the flutter of its converter.

    A change by one at rest, or by one back the way it came, is flutter; the
    ends are always reached.
    """

    __slots__ = ("moved_at", "raw", "way")

    def __init__(self, raw: int, now: int) -> None:
        self.raw, self.way, self.moved_at = raw, 0, now

    def is_movement(self, raw: int, now: int) -> bool:
        """Take a new number, 0 to 127; return True where the control moved."""
        change = raw - self.raw
        if change == 0:
            return False
        way = 1 if change > 0 else -1
        is_doubtful = way != self.way or now - self.moved_at >= REST_NS
        if abs(change) == 1 and is_doubtful and raw not in (0, 127):
            return False
        self.raw, self.way, self.moved_at = raw, way, now
        return True


def list_index(position: float, count: int, present: int) -> int:
    """Return the place in a list of `count` at a control position.

    Args:
        position: 0 to 1.
        count: Words in the list.
        present: The place now, -1 none: it is kept until the control has left
            it by a third of a place.
    """
    x = position * count
    index = min(max(int(x), 0), count - 1)
    if 0 <= present < count and present - HYSTERESIS < x < present + 1 + HYSTERESIS:
        return present
    return index
