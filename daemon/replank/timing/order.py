"""The order of steps in a cycle, for each direction, as plain arithmetic."""

from __future__ import annotations

DIRECTIONS = ("forward", "reverse", "pendulum", "mirror", "random")


def cycle_steps(direction: str, length: int) -> int:
    """Return how many steps one cycle has.

    forward, reverse and random: `length`; pendulum: 2 `length` - 2, the ends
    sound once; mirror: 2 `length`, the ends sound twice.  A line of one step
    has cycles of one step in every direction.

    Raises:
        ValueError: No such direction, or a length below 1.
    """
    if length < 1:
        raise ValueError(f"a line of {length} steps: must be at least 1")
    if direction == "mirror" and length > 1:
        return 2 * length
    if direction == "pendulum" and length > 1:
        return 2 * length - 2
    if direction not in DIRECTIONS:
        raise ValueError(f"{direction!r} is not one of {', '.join(DIRECTIONS)}")
    return length


def index_at(direction: str, length: int, phase: int) -> int:
    """Return the step, 0-based, that the place `phase` of a cycle plays.

    Raises:
        ValueError: No such direction or place, or a place at random, which is drawn.
    """
    if not 0 <= phase < cycle_steps(direction, length):
        raise ValueError(f"place {phase} is not in a cycle of {cycle_steps(direction, length)} steps")
    if direction == "forward":
        return phase
    if direction == "reverse":
        return length - 1 - phase
    if direction == "random":
        if phase:
            raise ValueError("at random only the first step is known beforehand")
        return 0
    if phase < length:
        return phase
    return (2 * length - 2 if direction == "pendulum" else 2 * length - 1) - phase


def phase_of(direction: str, length: int, index: int, falling: bool) -> int:
    """Return the place in the cycle at which step `index` plays; not at random.

    Args:
        direction: forward, reverse, pendulum or mirror.
        length: Steps played; more than `index`.
        index: The step, 0-based.
        falling: Of two places, the one on the way back.
    """
    if direction == "forward" or length == 1:
        return index
    if direction == "reverse":
        return length - 1 - index
    if not falling:
        return index
    return (2 * length - 2 - index if direction == "pendulum" else 2 * length - 1 - index) % cycle_steps(
        direction, length
    )
