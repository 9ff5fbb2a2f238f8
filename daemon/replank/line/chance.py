"""Numbered chance: every random number has an address, so none is ever used up.

A number is found from (seed, stream, index, slot) alone.  A piece with a seed
therefore evolves the same in rehearsal and on stage although a knob was moved
in between: turning a chance down leaves numbers unread, it does not shift the
ones that follow.  Nothing but integers is used, so the numbers depend on no
library and on no version of Python.

A drawing has 16 numbers a step, a mutation moment one, and 24 for each step
that it chooses.  The generator is SplitMix64 (Steele, Lea and Flood, "Fast splittable
pseudorandom number generators", OOPSLA 2014).
"""

from __future__ import annotations

_MASK = 0xFFFFFFFFFFFFFFFF
_GAMMA = 0x9E3779B97F4A7C15

DRAW = 1
"""Stream of drawn lines; the index counts drawings since the piece began."""
MUTATE = 2
"""Stream of mutations; the index counts mutation moments since the piece began."""
HAND = 3
"""Stream of mutations asked for by hand, so that they do not shift the others."""
DIRECTION = 4
"""Stream of the random direction; the index counts advances."""
DICE = 5
"""Stream of the dice that are thrown anew on each pass."""
BLEND = 6
"""Stream of the order in which steps go over to another line."""


def mix64(z: int) -> int:
    """Return the SplitMix64 finaliser of a 64-bit integer."""
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    return z ^ (z >> 31)


def stream_key(seed: int, stream: int, index: int) -> int:
    """Return the 64-bit state from which the slots of one index are counted."""
    key = mix64((seed + _GAMMA) & _MASK)
    key = mix64((key ^ stream) + _GAMMA & _MASK)
    return mix64((key ^ (index & _MASK)) + _GAMMA & _MASK)


class Numbers:
    """The numbers of one (seed, stream, index), read by slot or one after another.

    Reading past the numbers that another reader used is free: a slot's number
    does not depend on which slots were read before it.
    """

    __slots__ = ("_key", "slot")

    def __init__(self, seed: int, stream: int, index: int, slot: int = 0) -> None:
        self._key = stream_key(seed, stream, index)
        self.slot = slot

    def at(self, slot: int) -> float:
        """Return the number of `slot`, in [0, 1), a multiple of 2**-53."""
        return (mix64((self._key + (slot + 1) * _GAMMA) & _MASK) >> 11) * 2.0**-53

    def next(self) -> float:
        """Return the number of the present slot, in [0, 1), and go to the next."""
        self.slot += 1
        return self.at(self.slot - 1)

    def below(self, n: int) -> int:
        """Return an integer in [0, n); uses one slot.  `n` is at least 1."""
        return int(self.next() * n)
