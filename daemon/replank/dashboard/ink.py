"""The dashboard's inks: what a pitch, a word and a warning are drawn with.

The pitch wheel puts the twelve pitch classes in the order of fifths, 30 degrees
of OKLCH hue apart at one chroma, so that related keys look related and a
semitone is far away.  Lightness goes in three levels by semitone: neighbours a
semitone or a whole tone apart differ in lightness too, which is what a
colour-blind eye keeps.  Colour is never alone: height and name say the same.
"""

from __future__ import annotations

from functools import lru_cache
from os import environ
from typing import NamedTuple

from rich.style import Style
from textual.theme import Theme

from replank.dashboard.colour import oklch

FULL, SIXTEEN, NONE = "full", "sixteen", "none"
"""What a terminal can show: 256 colours or more, sixteen, none (`NO_COLOR`)."""

CHROMA = 0.13
LEVELS = {True: (0.88, 0.65, 0.765), False: (0.54, 0.30, 0.42)}
"""Lightness of a pitch class by its number modulo 3, on dark and on light ground."""

_SIXTEEN = (
    "bright_red", "cyan", "bright_yellow", "bright_blue", "green", "bright_magenta",
    "bright_cyan", "yellow", "blue", "bright_green", "magenta", "bright_white",
)  # fmt: skip


class Ground(NamedTuple):
    """The colours of one ground, ``#rrggbb``; contrast is held by a test."""

    paper: str
    text: str
    strong: str
    faint: str
    rule: str
    hand: str
    good: str
    warn: str
    bad: str
    raised: str


NIGHT = Ground(
    paper="#0a0c10", text="#cfcabc", strong="#fffaf0", faint="#8d8a80", rule="#6a6963",
    hand="#ffc46b", good="#8fd7a5", warn="#ffb02e", bad="#ff8a7a", raised="#171b22",
)  # fmt: skip
DAY = Ground(
    paper="#faf8f2", text="#2c2a26", strong="#000000", faint="#65625a", rule="#86837a",
    hand="#7d4700", good="#1c6636", warn="#824e00", bad="#a3201a", raised="#ece8dd",
)  # fmt: skip


def hue(pitch_class: int) -> float:
    """Return the hue of a pitch class in degrees: 30 for each fifth above C."""
    return (pitch_class * 7 % 12) * 30.0


@lru_cache(32)
def pitch_colour(pitch_class: int, dark: bool) -> str:
    """Return ``#rrggbb`` of a pitch class on dark or light ground."""
    return oklch(LEVELS[dark][pitch_class % 3], CHROMA, hue(pitch_class))


@lru_cache(64)
def shade_colour(pitch_class: int, dark: bool, glowing: bool) -> str:
    """Return the colour below a note's head; glowing where the playhead is.

    The two differ by less than a tenth of relative luminance, so that a
    playhead of any speed is no flash (WCAG 2.2, general flash).
    """
    if dark:
        return oklch(0.37 if glowing else 0.25, 0.07 if glowing else 0.045, hue(pitch_class))
    return oklch(0.85 if glowing else 0.91, 0.08 if glowing else 0.04, hue(pitch_class))


@lru_cache(32)
def rest_colour(pitch_class: int, dark: bool) -> str:
    """Return the quiet colour of a pitch that persists, for the history picture."""
    return oklch(0.58, 0.09, hue(pitch_class))


def depth_of(color_system: str | None) -> str:
    """Return what can be shown, from `NO_COLOR` and the name of Rich's colour system."""
    if "NO_COLOR" in environ or color_system is None:
        return NONE
    return SIXTEEN if color_system in ("standard", "windows") else FULL


def theme(name: str, ground: Ground, dark: bool) -> Theme:
    """Return the Textual theme of a ground."""
    return Theme(
        name=name, primary=ground.hand, secondary=ground.faint, accent=ground.hand, warning=ground.warn,
        error=ground.bad, success=ground.good, foreground=ground.text, background=ground.paper,
        surface=ground.paper, panel=ground.raised, boost=ground.raised, dark=dark,
    )  # fmt: skip


class Ink:
    """The styles of one ground at one depth.

    Args:
        dark: True for the night ground.
        depth: FULL, SIXTEEN or NONE.
    """

    def __init__(self, dark: bool = True, depth: str = FULL) -> None:
        self.dark, self.depth = dark, depth
        self.ground = NIGHT if dark else DAY
        if depth == FULL:
            g = self.ground
            self.text, self.strong = Style(color=g.text), Style(color=g.strong, bold=True)
            self.faint, self.rule = Style(color=g.faint), Style(color=g.rule)
            self.hand, self.good = Style(color=g.hand, bold=True), Style(color=g.good)
            self.warn, self.bad = Style(color=g.warn, bold=True), Style(color=g.bad, bold=True)
            self.chosen = Style(color=g.paper, bgcolor=g.hand, bold=True)
            self.raised, self.ground_style = Style(bgcolor=g.raised), Style(color=g.text, bgcolor=g.paper)
        else:
            some = depth == SIXTEEN
            plain = Style()
            self.text, self.strong = plain, Style(bold=True)
            self.faint, self.rule = plain, Style(dim=True)
            self.hand = Style(color="bright_yellow" if some and dark else None, bold=True)
            self.good = Style(color="green" if some else None)
            self.warn = Style(color="yellow" if some and dark else None, bold=True)
            self.bad = Style(color="bright_red" if some else None, bold=True)
            self.chosen = Style(reverse=True, bold=True)
            self.raised = self.ground_style = plain

    @property
    def fills(self) -> bool:
        """True where tinted areas can be shown; else shapes are drawn with glyphs."""
        return self.depth == FULL

    def pitch(self, note: int) -> str | None:
        """Return the colour of a note's head, or None where there is no colour."""
        if self.depth == FULL:
            return pitch_colour(note % 12, self.dark)
        return _SIXTEEN[note % 12] if self.depth == SIXTEEN and self.dark else None

    def shade(self, note: int, glowing: bool = False) -> str | None:
        """Return the colour below a note's head, or None where areas are not tinted."""
        return shade_colour(note % 12, self.dark, glowing) if self.depth == FULL else None

    def quiet(self, note: int) -> str | None:
        """Return the colour of a note that persists, or None where there is no colour."""
        return rest_colour(note % 12, self.dark) if self.depth == FULL else self.pitch(note)

    def level(self, level: str) -> Style:
        """Return the style of a notice's level."""
        return {"warn": self.warn, "error": self.bad}.get(level, self.text)
