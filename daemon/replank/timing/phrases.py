"""Phrases: the close and the breath at the end of so many bars.

Everything is counted in one unit from one beginning: MIDI clocks of the song,
or steps where pulses drive the line.  A phrase ends with its breath, in which
nothing begins; the step before it that stands on the last beat closes it.
That a phrase ends on a long note and a silence is common practice; no
published figure is behind the default of one beat.
"""

from __future__ import annotations

from typing import NamedTuple

OPEN, CLOSE, BREATH = 0, 1, 2
"""What a step is to its phrase: nothing special, its close, silent before its end."""

INSTEAD = 4
"""Bars (cycles, with pulses) that stand for a phrase where `phrase` is 0."""


class Phrase(NamedTuple):
    """One phrase, in clocks or steps.

    Attributes:
        number: From 1.
        start, end: Its beginning, and the beginning of the next one.
        beat: Length of a beat.
        breath: Beats of silence at the end.
    """

    number: int
    start: int
    end: int
    beat: int
    breath: int

    @property
    def silence(self) -> int:
        """Where the breath begins."""
        return max(self.start, self.end - self.breath * self.beat)

    def part(self, at: int, upcoming: int, closed: int) -> int:
        """Return what a step is to this phrase: OPEN, CLOSE or BREATH.

        The close is the first step on or after the last beat before the
        breath; where none begins there, the last step before the breath.

        Args:
            at: Where the step begins.
            upcoming: Where the next one begins.
            closed: `end` of the last phrase that has had its close; -1 none.
        """
        silence = self.silence
        if at >= silence:
            return BREATH
        if at < max(self.start, silence - self.beat):
            return CLOSE if upcoming >= silence and closed != self.end else OPEN
        return BREATH if closed == self.end else CLOSE


def number_of(bar: int, length: int) -> int:
    """Return the phrase, from 1, in which a bar lies.

    Args:
        bar: From 0; negative before the beginning.
        length: Bars of a phrase; 0 counts as `INSTEAD`.
    """
    return bar // (length or INSTEAD) + 1


def begins(bar: int, length: int) -> bool:
    """Tell whether a phrase begins with a bar, from 0; `length` 0 counts as `INSTEAD`."""
    return bar % (length or INSTEAD) == 0


def bars_left(bar: int, length: int) -> int:
    """Return the bars of its phrase that begin after this one; `length` 0 counts as `INSTEAD`."""
    length = length or INSTEAD
    return length - 1 - bar % length
