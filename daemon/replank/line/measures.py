"""What a line is like to hear, in numbers: intervals, order, figures, rhythm, density, audible changes.

Tests, the forecast and searches measure with these; nothing here decides a
note, so `math.log2` may be used.  Every function takes plain data.

A *ring* is the heard notes of one cycle in the order in which they sound,
rests left out, as MIDI note numbers (semitones); the first stands after the
last, as it does when the line comes round.  Published melodies are no rings:
functions that can read both take `ring`.

Sources: small intervals prevail (P. Vos and J. Troost, *Ascending and
Descending Melodic Intervals*, Music Perception 6, 1989; D. Huron, *Sweet
Anticipation*, 2006); comparing with the same notes shuffled (P. von Hippel and
D. Huron, *Why Do Skips Precede Reversals?*, Music Perception 18, 2000); entropy
(C. Shannon, *A Mathematical Theory of Communication*, 1948).  Window and
figure lengths are our own.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import NamedTuple

FIGURE = 4
"""Notes of a figure: three intervals."""

RECALL = 13
"""A figure returns where it also began at one of so many notes before."""

WINDOW_BARS = 8
"""Bars in which density is counted."""

AUDIBLE_VELOCITY = 8
"""The least difference of MIDI velocity that counts as heard: common practice, without a published source."""


def mean_interval(notes: Sequence[int], ring: bool = True) -> float | None:
    """Return the mean absolute difference of successive notes, semitones; None for fewer than two notes."""
    if len(notes) < 2:
        return None
    total = 0
    for place in range(0 if ring else 1, len(notes)):
        total += abs(notes[place] - notes[place - 1])
    return total / (len(notes) if ring else len(notes) - 1)


def mean_difference(notes: Sequence[int]) -> float | None:
    """Return the mean absolute difference of all pairs of notes, semitones; None for fewer than two notes.

    It is the mean interval to expect of the same notes in any other order, all
    orders being as likely.
    """
    if len(notes) < 2:
        return None
    total = 0
    for place, note in enumerate(notes):
        for other in notes[:place]:
            total += abs(note - other)
    return total / (len(notes) * (len(notes) - 1) / 2)


def order_ratio(cycles: Iterable[Sequence[int]], ring: bool = True) -> float | None:
    """Return how far the order of the notes carries a melody: below 1 it does, 1 is the same notes shuffled.

    Args:
        cycles: The notes of each cycle; those of fewer than two notes say nothing and are left out.
        ring: True where each cycle comes round.

    Returns:
        The sum of the mean intervals over the sum of the mean differences;
        None where no cycle has two different notes.
    """
    stepped = shuffled = 0.0
    for notes in cycles:
        interval, difference = mean_interval(notes, ring), mean_difference(notes)
        if interval is not None and difference is not None:
            stepped += interval
            shuffled += difference
    return stepped / shuffled if shuffled else None


def returning_figures(cycles: Iterable[Sequence[int]], ring: bool = True) -> float | None:
    """Return the share, 0 to 1, of three-interval figures that also begin at one of the 13 notes before.

    A figure is four successive notes as their intervals in semitones, so a
    figure that returns higher or lower is the same.  Round a ring no figure is
    compared with itself.

    Args:
        cycles: The notes of each cycle; figures are compared within a cycle.
        ring: True where each cycle comes round.

    Returns:
        The share of all figures of all cycles; None where there is none.
    """
    found = total = 0
    for notes in cycles:
        count = len(notes)
        if count < FIGURE:
            continue
        figures = [
            tuple(notes[(start + n + 1) % count] - notes[(start + n) % count] for n in range(FIGURE - 1))
            for start in range(count if ring else count - FIGURE + 1)
        ]
        total += len(figures)
        for start, figure in enumerate(figures):
            back = min(RECALL, count - 1 if ring else start)
            found += any(figures[start - before] == figure for before in range(1, back + 1))
    return found / total if total else None


def degree_moves(notes: Sequence[int], classes: Iterable[int], ring: bool = True) -> list[int]:
    """Return how many degrees each successive pair of notes is apart; pairs with a note outside the scale are left out.

    Args:
        notes: MIDI note numbers.
        classes: The pitch classes of the scale, 0 to 11.
        ring: True where the notes come round.
    """
    scale = sorted(set(classes))
    places: list[int | None] = [
        note // 12 * len(scale) + scale.index(note % 12) if note % 12 in scale else None for note in notes
    ]
    moves = []
    for place in range(0 if ring else 1, len(places)):
        before, now = places[place - 1], places[place]
        if before is not None and now is not None:
            moves.append(abs(now - before))
    return moves


def onset_ratio(places: Iterable[tuple[bool, bool]]) -> float | None:
    """Return how much more often a note begins on a beat than off it; 1 is even.

    Args:
        places: For each place of the grid that was played: whether it is on a
            beat, and whether a note begins there.  Leave out the first step of
            a line where its being drawn last to rest should not count.

    Returns:
        Notes per beat place over notes per other place; None where a place of
        either sort, or a note off the beats, is missing.
    """
    counts, notes = [0, 0], [0, 0]
    for on_beat, begins in places:
        counts[on_beat] += 1
        notes[on_beat] += begins
    if not counts[True] or not notes[False]:
        return None
    return (notes[True] / counts[True]) / (notes[False] / counts[False])


def length_entropy(lengths: Iterable[float]) -> float | None:
    """Return the entropy of note lengths, bits: 0 where all are alike, 1 for two that are as frequent.

    Args:
        lengths: How long each note sounds, in steps; rounded to a quarter step.

    Returns:
        The entropy (Shannon 1948) of the shares of the lengths; None without notes.
    """
    counts = Counter(math.floor(4.0 * length + 0.5) for length in lengths)
    total = counts.total()
    if not total:
        return None
    bits = 0.0
    for count in counts.values():
        bits -= count / total * math.log2(count / total)
    return bits


def densities(onsets: Iterable[float], bar_beats: float, bars: int) -> list[float]:
    """Return the notes a beat in each successive window of 8 bars.

    Args:
        onsets: When notes begin, in beats from the beginning of bar 1.
        bar_beats: Beats in a bar.
        bars: How many bars were played; a last window that is not whole is left out.
    """
    window = WINDOW_BARS * bar_beats
    counts = [0] * (bars // WINDOW_BARS)
    for onset in onsets:
        place = math.floor(onset / window)
        if 0 <= place < len(counts):
            counts[place] += 1
    return [count / window for count in counts]


class Sounding(NamedTuple):
    """What a played step sounds as.

    Attributes:
        note: MIDI note number as struck; None where the step rests.
        accented: Whether it is accented.
        velocity: MIDI velocity as struck, 1 to 127; nothing where the step rests.
    """

    note: int | None
    accented: bool = False
    velocity: int = 0


def is_audible(before: Sounding, after: Sounding) -> bool:
    """Tell whether a change of one played step can be heard: note, rest, accent, or velocity by 8 or more."""
    if before.note is None or after.note is None:
        return before.note is not after.note
    return (
        before.note != after.note
        or before.accented != after.accented
        or abs(before.velocity - after.velocity) >= AUDIBLE_VELOCITY
    )


def audible_changes(turns: Iterable[Iterable[tuple[Sounding, Sounding]]]) -> int:
    """Return how many turns of mutation can be heard.

    Args:
        turns: For each reported mutation what each played step that it changed
            was and is; partners and twins stand with the step that they
            follow, so that a turn counts once.
    """
    return sum(any(is_audible(before, after) for before, after in turn) for turn in turns)
