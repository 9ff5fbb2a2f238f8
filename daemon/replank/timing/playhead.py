"""The playhead: in which order the steps of a line are played.

A cycle is one return to the first step.  `phase` counts the steps of the
cycle from 0; which step of the line a phase plays follows from the direction.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from replank.timing.order import cycle_steps, index_at, phase_of

Roll = Callable[[int], float]
"""Gives the number in [0, 1) of an advance; the same one whenever it is asked."""

__all__ = ["Playhead", "Roll", "cycle_steps", "index_at"]

_NONE = -1


def lowest(advance: int) -> float:
    """Return 0 for every advance: a roll for playheads that never go at random."""
    return 0.0


class Playhead:
    """Where the line is, and which step is next.

    Attributes:
        length: Steps that are played, 1 to 64.
        direction: forward, reverse, pendulum, mirror or random.
        phase: Place in the cycle of the step now, from 0; -1 before the first.
        index: The step now, 0-based; -1 before the first.
        advances: How often it has advanced; never falls, so that each advance
            has a random number of its own.
    """

    __slots__ = ("_cycle", "_located", "_roll", "advances", "direction", "index", "length", "phase")

    def __init__(self, length: int = 16, direction: str = "forward", roll: Roll = lowest) -> None:
        self._cycle = cycle_steps(direction, length)
        self.length = length
        self.direction = direction
        self.phase = _NONE
        self.index = _NONE
        self.advances = 0
        self._located = 0  # steps since the origin that come next; _NONE goes on from the phase
        self._roll = roll

    def peek(self) -> tuple[int, bool]:
        """Return the next step (0-based) and whether it begins a cycle; changes nothing."""
        phase = self._next_phase()
        return self._index_of(phase), phase == 0

    @property
    def begins(self) -> bool:
        """True if the next step begins a cycle."""
        # asked several times a step: `_next_phase` without the call
        next_one = self.phase + 1 if self._located == _NONE else self._located
        return next_one % self._cycle == 0

    @property
    def phase_ahead(self) -> int:
        """The place in its cycle, from 0, of the next step."""
        return self._next_phase()

    def advance(self) -> bool:
        """Go to the next step; True if that is the first one of a cycle."""
        phase = self._next_phase()
        self.index = self._index_of(phase)
        self.phase = phase
        self.advances += 1
        self._located = _NONE
        return phase == 0

    def reset(self) -> None:
        """Make the next advance give the first step."""
        self._located = 0

    def locate(self, steps: int) -> None:
        """Make the next advance give the step `steps` (0 is the first) after the origin.

        At random every step but the first is drawn: a place in the cycle is
        found again, its pitch is not.

        Raises:
            ValueError: `steps` is negative.
        """
        if steps < 0:
            raise ValueError(f"{steps} steps after the origin: must not be negative")
        self._located = steps

    def nudge(self, steps: int) -> None:
        """Move the playhead: the next step is the one `steps` later (or earlier)."""
        self._located = (self._next_phase() + steps) % self._cycle

    def set_length(self, length: int) -> None:
        """Play `length` steps; beyond it the next step is the first.

        Raises:
            ValueError: `length` is below 1.
        """
        self._fit(self.direction, length)

    def set_direction(self, direction: str) -> None:
        """Go on from the present step in another direction.

        Raises:
            ValueError: No such direction.
        """
        self._fit(direction, self.length)

    def save(self) -> list[Any]:
        """Return everything but the roll, as plain data."""
        return [self.length, self.direction, self.phase, self.index, self.advances, self._located]

    @classmethod
    def restore(cls, plain: list[Any], roll: Roll = lowest) -> Playhead:
        """Rebuild a playhead that `save` took apart."""
        made = cls(plain[0], plain[1], roll)
        made.phase, made.index, made.advances, made._located = plain[2:]
        return made

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Playhead) and self.save() == other.save()

    __hash__ = None  # type: ignore[assignment]

    def _next_phase(self) -> int:
        if self._located == _NONE:
            return (self.phase + 1) % self._cycle
        return self._located % self._cycle

    def _index_of(self, phase: int) -> int:
        if self.direction == "forward":
            return phase
        if self.direction != "random":
            return index_at(self.direction, self.length, phase)
        if self._located == 0 or self.length == 1:
            return 0
        roll = self._roll(self.advances)
        if not 0 <= self.index < self.length:
            return int(roll * self.length)
        other = int(roll * (self.length - 1))  # one of the others, so never the same twice running
        return other + 1 if other >= self.index else other

    def _fit(self, direction: str, length: int) -> None:
        cycle = cycle_steps(direction, length)
        if self.phase != _NONE:
            falling = self.direction == "reverse" or (
                self.direction in ("pendulum", "mirror") and self.phase >= self.length
            )
            if self.index >= length:
                self._located = 0 if self._located == _NONE else self._located
            elif direction == "random":
                self.phase = min(self.phase, length - 1)
            else:
                self.phase = phase_of(direction, length, self.index, falling)
        self.direction, self.length, self._cycle = direction, length, cycle
