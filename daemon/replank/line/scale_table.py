"""The scale table: 63 scales of twelve-tone equal temperament, declared once.

Names are the trade's.  Sources: theory textbooks for the church modes and the
minor scales; public scale dictionaries and lists for the others; where a row
has a source of its own, or a weak one, it is named beside it.  Forte numbers
are those of Forte, *The Structure of Atonal Music* (1973), which a reference
library confirms in the tests.
"""

from __future__ import annotations

from typing import NamedTuple


class ScaleRow(NamedTuple):
    """One row of the table.

    Attributes:
        name: The canonical spelling, in files and on screen.
        family: What it belongs to: church, harmonic minor, symmetric ...
        offsets: Semitones above the root, rising from 0, below 12.
        forte: Forte number of the set class.
        aliases: Other names in use.
    """

    name: str
    family: str
    offsets: tuple[int, ...]
    forte: str
    aliases: tuple[str, ...]


SCALE_ROWS: tuple[ScaleRow, ...] = (
    ScaleRow("ionian", "church", (0, 2, 4, 5, 7, 9, 11), "7-35", ("major",)),
    ScaleRow("dorian", "church", (0, 2, 3, 5, 7, 9, 10), "7-35", ()),
    ScaleRow("phrygian", "church", (0, 1, 3, 5, 7, 8, 10), "7-35", ()),
    ScaleRow("lydian", "church", (0, 2, 4, 6, 7, 9, 11), "7-35", ()),
    ScaleRow("mixolydian", "church", (0, 2, 4, 5, 7, 9, 10), "7-35", ()),
    ScaleRow("aeolian", "church", (0, 2, 3, 5, 7, 8, 10), "7-35", ("natural minor", "minor")),
    ScaleRow("locrian", "church", (0, 1, 3, 5, 6, 8, 10), "7-35", ()),
    ScaleRow("harmonic minor", "harmonic minor", (0, 2, 3, 5, 7, 8, 11), "7-32", ()),
    ScaleRow("locrian natural 6", "harmonic minor", (0, 1, 3, 5, 6, 9, 10), "7-32", ("locrian 6",)),
    ScaleRow("ionian augmented", "harmonic minor", (0, 2, 4, 5, 8, 9, 11), "7-32", ("ionian #5", "major augmented")),
    ScaleRow("ukrainian dorian", "harmonic minor", (0, 2, 3, 6, 7, 9, 10), "7-32", ("dorian #4", "romanian minor")),
    ScaleRow("phrygian dominant", "harmonic minor", (0, 1, 4, 5, 7, 8, 10), "7-32",
             ("freygish", "spanish", "phrygian major")),
    ScaleRow("lydian #2", "harmonic minor", (0, 3, 4, 6, 7, 9, 11), "7-32", ("lydian #9",)),
    ScaleRow("ultralocrian", "harmonic minor", (0, 1, 3, 4, 6, 8, 9), "7-32", ("super-locrian bb7",)),
    # The ascending form; the descending one is aeolian.
    ScaleRow("melodic minor ascending", "melodic minor", (0, 2, 3, 5, 7, 9, 11), "7-34",
             ("jazz minor", "melodic minor")),
    ScaleRow("dorian b2", "melodic minor", (0, 1, 3, 5, 7, 9, 10), "7-34", ("phrygian #6",)),
    ScaleRow("lydian augmented", "melodic minor", (0, 2, 4, 6, 8, 9, 11), "7-34", ()),
    ScaleRow("lydian dominant", "melodic minor", (0, 2, 4, 6, 7, 9, 10), "7-34", ("acoustic", "overtone")),
    ScaleRow("mixolydian b6", "melodic minor", (0, 2, 4, 5, 7, 8, 10), "7-34", ("melodic major", "hindu")),
    ScaleRow("half-diminished", "melodic minor", (0, 2, 3, 5, 6, 8, 10), "7-34", ("locrian #2", "aeolian b5")),
    ScaleRow("altered", "melodic minor", (0, 1, 3, 4, 6, 8, 10), "7-34", ("super-locrian", "diminished whole-tone")),
    ScaleRow("harmonic major", "heptatonic", (0, 2, 4, 5, 7, 8, 11), "7-32", ()),
    ScaleRow("double harmonic", "heptatonic", (0, 1, 4, 5, 7, 8, 11), "7-22", ("byzantine", "double harmonic major")),
    ScaleRow("hungarian minor", "heptatonic", (0, 2, 3, 6, 7, 8, 11), "7-22", ("double harmonic minor",)),
    ScaleRow("hungarian major", "heptatonic", (0, 3, 4, 6, 7, 9, 10), "7-31", ()),
    ScaleRow("neapolitan minor", "heptatonic", (0, 1, 3, 5, 7, 8, 11), "7-30", ()),
    ScaleRow("neapolitan major", "heptatonic", (0, 1, 3, 5, 7, 9, 11), "7-33", ()),
    ScaleRow("major locrian", "heptatonic", (0, 2, 4, 5, 6, 8, 10), "7-33", ("locrian major",)),
    ScaleRow("leading whole tone", "heptatonic", (0, 2, 4, 6, 8, 10, 11), "7-33", ()),
    ScaleRow("lydian minor", "heptatonic", (0, 2, 4, 6, 7, 8, 10), "7-33", ("lydian dominant b6",)),
    # One published dictionary alone has this row.
    ScaleRow("persian", "heptatonic", (0, 1, 4, 5, 6, 8, 11), "7-20", ()),
    ScaleRow("enigmatic ascending", "heptatonic", (0, 1, 4, 6, 8, 10, 11), "7-24", ("scala enigmatica", "enigmatic")),
    ScaleRow("chromatic", "symmetric", (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11), "12-1", ()),
    ScaleRow("whole tone", "symmetric", (0, 2, 4, 6, 8, 10), "6-35", ("Messiaen mode 1",)),
    ScaleRow("octatonic half-whole", "symmetric", (0, 1, 3, 4, 6, 7, 9, 10), "8-28",
             ("dominant diminished", "Messiaen mode 2")),
    ScaleRow("octatonic whole-half", "symmetric", (0, 2, 3, 5, 6, 8, 9, 11), "8-28", ("diminished",)),
    ScaleRow("augmented", "symmetric", (0, 3, 4, 7, 8, 11), "6-20", ("hexatonic 3-1",)),
    ScaleRow("augmented inverse", "symmetric", (0, 1, 4, 5, 8, 9), "6-20", ("hexatonic 1-3", "six-tone symmetric")),
    # The spelling from the root is from memory; the set class is published.
    ScaleRow("tritone (petrushka)", "symmetric", (0, 1, 4, 6, 7, 10), "6-30", ("tritone", "petrushka")),
    # Messiaen's modes after Technique de mon langage musical, 1944 (from memory; a public dictionary agrees).
    ScaleRow("messiaen mode 3", "symmetric", (0, 2, 3, 4, 6, 7, 8, 10, 11), "9-12", ()),
    ScaleRow("messiaen mode 4", "symmetric", (0, 1, 2, 5, 6, 7, 8, 11), "8-9", ()),
    ScaleRow("messiaen mode 5", "symmetric", (0, 1, 5, 6, 7, 11), "6-7", ()),
    ScaleRow("messiaen mode 6", "symmetric", (0, 2, 4, 5, 6, 8, 10, 11), "8-25", ()),
    ScaleRow("messiaen mode 7", "symmetric", (0, 1, 2, 3, 5, 6, 7, 8, 9, 11), "10-6", ()),
    ScaleRow("prometheus", "hexatonic", (0, 2, 4, 6, 9, 10), "6-34", ("mystic",)),
    ScaleRow("major pentatonic", "pentatonic", (0, 2, 4, 7, 9), "5-35", ()),
    ScaleRow("suspended pentatonic", "pentatonic", (0, 2, 5, 7, 10), "5-35", ("egyptian",)),
    ScaleRow("blues minor pentatonic", "pentatonic", (0, 3, 5, 8, 10), "5-35", ("man gong", "malkos raga")),
    ScaleRow("ritusen", "pentatonic", (0, 2, 5, 7, 9), "5-35", ("yo", "ritsu", "blues major pentatonic")),
    ScaleRow("minor pentatonic", "pentatonic", (0, 3, 5, 7, 10), "5-35", ("min'yo",)),
    # After Koizumi 1974 and Titon 1996.
    ScaleRow("in (miyako-bushi)", "japanese", (0, 1, 5, 7, 8), "5-20", ("sakura", "kumoi-joshi", "in", "miyako-bushi")),
    ScaleRow("in-sen", "japanese", (0, 1, 5, 7, 10), "5-29", ()),
    # Helmholtz and Ellis, On the Sensations of Tone, p. 519 no. 110.
    ScaleRow("hirajoshi", "japanese", (0, 2, 3, 7, 8), "5-20", ()),
    ScaleRow("iwato", "japanese", (0, 1, 5, 6, 10), "5-20", ()),
    ScaleRow("akebono", "japanese", (0, 2, 3, 7, 9), "5-29", ("kumoi", "flat three pentatonic")),
    ScaleRow("kokin-joshi", "japanese", (0, 2, 5, 7, 8), "5-29", ()),
    # Kaneshiro, Toyo Ongaku Kenkyu 55, 1990 (abstract).
    ScaleRow("ryukyu", "japanese", (0, 4, 5, 7, 11), "5-20", ("okinawa", "ionian pentatonic")),
    # Not a tuning: pelog lies 30 to 40 cents from any semitone.
    ScaleRow("pelog (5-note, 12-TET approx)", "indonesian", (0, 1, 3, 7, 8), "5-20", ("pelog",)),
    # Not a tuning: nearest semitones to the mean of 30 gamelans (Surjodiningrat et al.), up to 45 cents off.
    ScaleRow("slendro (12-TET approx)", "indonesian", (0, 2, 5, 7, 10), "5-35", ("slendro",)),
    ScaleRow("minor blues", "blues", (0, 3, 5, 6, 7, 10), "6-47", ("blues",)),
    ScaleRow("major blues", "blues", (0, 2, 3, 4, 7, 9), "6-47", ()),
    ScaleRow("bebop dominant", "bebop", (0, 2, 4, 5, 7, 9, 10, 11), "8-23", ()),
    ScaleRow("bebop major", "bebop", (0, 2, 4, 5, 7, 8, 9, 11), "8-26", ()),
)  # fmt: skip
"""Every scale, in the order in which people read them."""
