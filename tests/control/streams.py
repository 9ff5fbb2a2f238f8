"""What simulated controls send, made from how such controls are built, not from the recogniser."""

from __future__ import annotations

import itertools
import random

RELATIVE = {  # delta -> byte, as in the table of test_decoding
    "twos-complement": lambda d: d & 127,
    "offset-64": lambda d: 64 + d,
    "sign-magnitude": lambda d: d if d >= 0 else 64 - d,
    "sign-magnitude-reversed": lambda d: 64 + d if d >= 0 else -d,
}


def turn(dice: random.Random, top: int, step: int) -> list[int]:
    """Return the positions of a knob that is turned right, left, right."""
    at = dice.randrange(top // 4, top // 2)
    ends = [at + top // 3, at - top // 5, at + top // 6]
    path = [at]
    for end in ends:
        while abs(path[-1] - end) > step:
            path.append(path[-1] + (1 if end > path[-1] else -1) * dice.randint(1, step))
    return [max(0, min(top, one)) for one in path]


def cc(channel: int, number: int, value: int) -> bytes:
    return bytes((0xB0 | channel - 1, number, value))


def knob_7(dice: random.Random, channel: int, number: int) -> list[bytes]:
    path = turn(dice, 127, 3)
    sent = [path[0]] + [b for a, b in itertools.pairwise(path) if a != b]
    return [cc(channel, number, value) for value in sent]


def knob_14(dice: random.Random, channel: int, number: int) -> list[bytes]:
    made = []
    for value in turn(dice, 16383, 300):
        made += [cc(channel, number, value >> 7), cc(channel, number + 32, value & 127)]
    return made


def parameter(
    dice: random.Random, channel: int, number: int, *, registered: bool, fine: bool, again: bool
) -> list[bytes]:
    """Return NRPN or RPN; `again`: the number is sent before each value, and the null function after it."""
    select = [cc(channel, 101 if registered else 99, number >> 7), cc(channel, 100 if registered else 98, number & 127)]
    null = [cc(channel, 101, 127), cc(channel, 100, 127)]
    made = [] if again else [*select]
    for value in turn(dice, 16383, 300):
        made += select if again else []
        made.append(cc(channel, 6, value >> 7))
        made += [cc(channel, 38, value & 127)] if fine else []
        made += null if again else []
    return made


def encoder(dice: random.Random, channel: int, number: int, encoding: str) -> list[bytes]:
    """Return a slow turn right, left, right: mostly single clicks."""
    made = []
    for way in (1, -1, 1):
        for _ in range(dice.randint(6, 14)):
            made.append(cc(channel, number, RELATIVE[encoding](way * dice.choice((1, 1, 1, 1, 2)))))
    return made


def pressed(on: bytes, off: bytes | None, *, latching: bool = False) -> list[bytes]:
    """Return two presses."""
    if latching:
        return [on, off or on]
    return [on, off, on, off] if off else [on, on]
