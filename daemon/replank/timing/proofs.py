"""Clocks that were made up, and what the host's ear has proved of them."""

from __future__ import annotations

from typing import NamedTuple

MOST = 8
"""Trials that the ear may still prove; it is late by half a second at most."""


class Credit(NamedTuple):
    """Clocks that were made up in a trial that has ended.

    Attributes:
        begins, ends: Stamps between which they were lost, ns.
        made: How many were made up.
        proved: How many the ear heard.
    """

    begins: int
    ends: int
    made: int
    proved: int


class Credits:
    """The last credits, oldest first."""

    __slots__ = ("_kept",)

    def __init__(self) -> None:
        self._kept: list[Credit] = []

    def add(self, credit: Credit) -> bool:
        """Keep one more; return True where that drops one which nobody has proved."""
        self._kept.append(credit)
        if len(self._kept) <= MOST:
            return False
        oldest = self._kept.pop(0)
        return oldest.proved < oldest.made

    def prove(self, stamp: int) -> bool:
        """Take a clock that the ear heard; return True where no credit has counted it yet."""
        for i, one in enumerate(self._kept):
            if one.begins < stamp < one.ends:
                proved = one.proved + 1
                self._kept[i] = one._replace(proved=proved, made=max(one.made, proved))
                return proved > one.made
        return True

    def forget(self) -> None:
        """Somebody gave the position: what was made up before is no matter any more."""
        self._kept = []

    @property
    def all_proved(self) -> bool:
        """True where the ear heard all that was made up."""
        return all(one.proved >= one.made for one in self._kept)

    def save(self) -> list[list[int]]:
        """Return everything as plain data."""
        return [list(one) for one in self._kept]

    @classmethod
    def restore(cls, plain: list[list[int]]) -> Credits:
        """Rebuild what `save` took apart."""
        made = cls()
        made._kept = [Credit(*one) for one in plain]
        return made
