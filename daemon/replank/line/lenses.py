"""From intended pitch to sound: fold into the register, nearest scale tone, transpositions.

A lens never writes into the line: turned back, it restores the melody exactly.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from replank.line.scales import Scale
from replank.line.steps import Step

TOP = 127
"""The highest MIDI note."""


@dataclass(frozen=True, slots=True)
class Lens:
    """Root, scale and register as one table; make one with `lens_for`.

    Attributes:
        root: Pitch class 0 to 11.
        scale: The scale.
        low, high: The register, inclusive notes 0 to 127, at least an octave.
        tones: The scale tones of the register, rising.
        table: For each intended pitch 0 to 127 the tone that it sounds as:
            folded by octaves into the register, then the nearest scale tone
            inside it, ties downward.
        places: For each note 0 to 127 the index in `tones` of the tone nearest
            to it, ties downward, without folding.
    """

    root: int
    scale: Scale
    low: int
    high: int
    tones: tuple[int, ...]
    table: tuple[int, ...]
    places: tuple[int, ...]

    def base(self, step: Step) -> int:
        """Return the pitch, 0 to 127, of a step before any transposition."""
        return step.pitch if step.free else self.table[step.pitch]

    def degree_index(self, base: int) -> int:
        """Return the index in `tones` of a base pitch; the nearest for a free one."""
        return self.places[base]

    def sound(self, step: Step, degrees: int = 0, semitones: int = 0) -> int:
        """Return the note, 0 to 127, that a step sounds as, before any voice's offset.

        Args:
            step: The step.
            degrees: `transpose_degrees`: along the scale, which goes on in
                every octave, so that the register may be left.
            semitones: `transpose`.
        """
        if step.free:
            note = step.pitch + (self._ladder(degrees) if degrees else 0)
        else:
            note = self.table[step.pitch]
            if degrees:
                octave, offset = divmod(note - self.root, 12)
                offsets = self.scale.offsets
                note = self.root + self._ladder(octave * len(offsets) + offsets.index(offset) + degrees)
        return fold(note + semitones, 0, TOP)

    def unmoved(self, tone: int, degrees: int) -> int:
        """Return the pitch of the register that sounds as `tone`, of the scale, once moved by so many degrees.

        Where that lies outside the register it is the same tone of another octave.
        """
        octave, offset = divmod(tone - self.root, 12)
        offsets = self.scale.offsets
        degree = octave * len(offsets) + offsets.index(offset) - degrees
        return fold(self.root + self._ladder(degree), self.low, self.high)

    def _ladder(self, degree: int) -> int:
        """Return the semitones from the root to a degree, counted from 0, of any octave."""
        octave, place = divmod(degree, len(self.scale.offsets))
        return 12 * octave + self.scale.offsets[place]

    def deviation(self, note: int, semitones: int = 0) -> float:
        """Return how many cents above its semitone a note of the scale is meant.

        Args:
            note: A note that `sound` returned.
            semitones: The `transpose` that is in it.

        Returns:
            0.0 for a note off the scale, and for every scale of the table.
        """
        offset = (note - semitones - self.root) % 12
        offsets = self.scale.offsets
        return self.scale.cents[offsets.index(offset)] if offset in offsets else 0.0


def fold(note: int, low: int, high: int) -> int:
    """Return `note` moved by the fewest octaves into [low, high], at least an octave wide."""
    if note < low:
        return note + (low - note + 11) // 12 * 12
    if note > high:
        return note - (note - high + 11) // 12 * 12
    return note


def reflect(index: int, count: int) -> int:
    """Return an index reflected at the edges of [0, count - 1] until it lies inside.

    The edge itself is counted once, so one beyond the edge is one before it.
    """
    if count == 1:
        return 0
    index %= 2 * (count - 1)
    return index if index < count else 2 * (count - 1) - index


def _nearest(tones: Sequence[int], note: int) -> int:
    """Return the index of the tone nearest to a note, ties downward."""
    above = bisect_left(tones, note)
    if above == 0:
        return 0
    if above == len(tones):
        return above - 1
    return above if tones[above] - note < note - tones[above - 1] else above - 1


@lru_cache(maxsize=256)
def lens_for(root: int, scale: Scale, low: int, span: int) -> Lens:
    """Return the lens of a root, a scale and a register.

    Args:
        root: Pitch class 0 to 11.
        scale: The scale.
        low: The lowest pitch of the register, 0 to 115.
        span: Semitones from the lowest to the highest pitch, at least 12; cut
            at note 127.

    Raises:
        ValueError: The register is not at least an octave within 0 to 127.
    """
    high = min(low + span, TOP)
    if not (low >= 0 and high - low >= 12 and 0 <= root < 12):
        raise ValueError(f"root {root} with a register from {low} over {span} semitones: an octave within 0 to 127")
    classes = {(root + offset) % 12 for offset in scale.offsets}
    tones = tuple(note for note in range(low, high + 1) if note % 12 in classes)
    places = tuple(_nearest(tones, note) for note in range(TOP + 1))
    table = tuple(tones[places[fold(note, low, high)]] for note in range(TOP + 1))
    return Lens(root, scale, low, high, tones, table, places)


def root_pitch(lens: Lens) -> int:
    """Return the root nearest to the middle of the register, ties downward."""
    roots = [note for note in lens.tones if note % 12 == lens.root]
    return min(roots, key=lambda note: (abs(2 * note - lens.low - lens.high), note))
