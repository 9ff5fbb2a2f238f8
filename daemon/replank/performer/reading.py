"""What each step comes to under the present settings, worked out when either has changed, not at every strike."""

from __future__ import annotations

from typing import NamedTuple

from replank.line.heard import is_accented, link_of, ratchet_of, velocity_roll_of
from replank.line.steps import BY_CHANCE, LINK_BY_CHANCE, LINK_NONE, SOUND, STEPS, Step
from replank.performer.settings import Settings
from replank.timing.phrases import Phrase


class Heard(NamedTuple):
    """A step as it sounds in its place, silencing aside.

    Attributes:
        step: The line's own, or home's where it stands in.
        is_struck: True where it is struck.
        rests_by_chance: True where nothing but its roll (or the die of this
            pass) silences it, so that a sustained note may run through it.
        covers: What covers the line's own step: "", "visit home", "close", "breath".
        phrase: Its phrase; None where no phrases are counted.
        at: Where it begins, as the phrase counts.
    """

    step: Step
    is_struck: bool
    rests_by_chance: bool
    covers: str = ""
    phrase: Phrase | None = None
    at: int = 0

    @property
    def is_close(self) -> bool:
        """True where it closes its phrase."""
        return self.covers == "close"

    @property
    def is_held_through(self) -> bool:
        """True between the close and the breath: what closes sounds on."""
        return self.covers == "breath" and self.phrase is not None and self.at < self.phrase.silence


class Reading(NamedTuple):
    """A step as it sounds wherever it is heard.

    Attributes:
        settings, step: What it was made from; it holds as long as both are the present ones.
        base: Pitch, 0 to 127, before any transposition.
        note: Pitch after both transpositions.
        cents: Deviation of the note's degree from its semitone.
        is_accented: True where it is accented.
        link: LINK_NONE, LINK_SLIDE or LINK_TIE.
        strikes: 1 to 4.
        soft, loud: Velocity without and with an accent, 1 to 127.
        roll: What a velocity controller carries, [0, 1).
        heard: Whether it is struck, on a pass on which no die is thrown, outside phrases.
        is_steady: True where that is so on every pass.
        may_sustain: True where it holds through rests by chance, if they follow: its link roll decides.
        is_plain: True where its gate depends on nothing that follows but its own length.
    """

    settings: Settings
    step: Step
    base: int
    note: int
    cents: float
    is_accented: bool
    link: int
    strikes: int
    soft: int
    loud: int
    roll: float
    heard: Heard
    is_steady: bool
    may_sustain: bool
    is_plain: bool


class Readings:
    """The last reading of each of the 64 steps."""

    __slots__ = ("_known",)

    def __init__(self) -> None:
        self._known: list[Reading | None] = [None] * STEPS

    def of(self, index: int, step: Step, settings: Settings) -> Reading:
        """Return what `step`, at the place `index` from 0, comes to."""
        known = self._known[index]
        if known is None or known.step is not step or known.settings is not settings:
            known = self._known[index] = read(step, settings)
        return known


def read(step: Step, s: Settings) -> Reading:
    """Return what a step comes to."""
    note, link = s.lens.sound(step, s.degrees, s.semitones), link_of(step, s.slide)
    strikes = ratchet_of(step, s.ratchet, s.ratchet_count) if s.ratchet or step.ratchet > 1 else 1
    place = 1.0 - step.link  # ratchets lie at its low end
    may_sustain = link == LINK_NONE and step.linked == LINK_BY_CHANCE and bool(s.rest or s.reroll)
    may_sustain = may_sustain and strikes == 1 and s.ratchet < place <= s.ratchet + s.sustain
    is_plain = link == LINK_NONE and strikes == 1 and not may_sustain and s.gate < 1.0
    return Reading(
        s, step, s.lens.base(step), note, s.lens.deviation(note, s.semitones),
        is_accented(step, s.accent), link, strikes,
        s.velocity_of(step, False), s.velocity_of(step, True), velocity_roll_of(step),
        Heard(step, *by_roll(step, step.rest, s.rest)), not s.reroll and step.pass_of == 1, may_sustain, is_plain,
    )  # fmt: skip


def by_roll(step: Step, roll: float, rest_chance: float) -> tuple[bool, bool]:
    """Tell whether a step is struck with this rest roll, and whether it rests by chance alone."""
    if step.rhythm != BY_CHANCE:
        return step.rhythm == SOUND, False
    return roll >= rest_chance, roll < rest_chance
