"""What a step is, and the form of a line.

Steps and forms are immutable: a snapshot, a trail entry or "as it sounded" is
a reference, never a copy that could be forgotten.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

STEPS = 64
"""A line always has this many steps; `length` says how many are played."""

BY_CHANCE, REST, SOUND = 0, 1, 2
"""Rhythm states: by its roll, always rest, always sound.
Accent states use the same numbers: by its roll, never, always."""

LINK_BY_CHANCE, LINK_NONE, LINK_SLIDE, LINK_TIE = 0, 1, 2, 3
"""Link states: by the link roll under `slide_chance`, or set by hand."""

RHYTHM_NAMES = ("chance", "rest", "sound")
ACCENT_NAMES = ("chance", "off", "on")
LINK_NAMES = ("chance", "none", "slide", "tie")


class Step(NamedTuple):
    """One step of a line.

    Attributes:
        pitch: Intended pitch, a MIDI note number 0 to 127, before every lens.
        rest: Rest roll in [0, 1): the step rests when it is below `rest_chance`.
        accent: Accent roll in [0, 1): accented when below `accent_chance`.
        velocity: Velocity roll in [0, 1): 0 is the softest, near 1 the loudest.
        link: Link roll in [0, 1): links when below `slide_chance`; its high
            end, 1 - roll, is the ratchet roll under `ratchet_chance`, so that
            slides and ratchets fall on different steps.
        rhythm: BY_CHANCE, REST or SOUND.
        accented: BY_CHANCE, REST (never) or SOUND (always).
        linked: LINK_BY_CHANCE, LINK_NONE, LINK_SLIDE or LINK_TIE.
        pinned: True protects the step from mutation and redraw.
        free: True lets the pitch stand outside scale and register.
        ratchet: Strikes in the step, 1 to 4, set by hand.
        pass_of: Sounds only on pass `pass_number` of every `pass_of` passes, 1 to 16.
        pass_number: 1 to `pass_of`.
        forced_velocity: The MIDI velocity without an accent, 1 to 127, whatever
            the velocity roll says; 0 leaves it to the roll.
        twin: Steps of a line that carry the same number above 0 were drawn as
            the same place of the same letter of its scheme; 0 has no twins.
    """

    pitch: int = 60
    rest: float = 0.999
    accent: float = 0.999
    velocity: float = 0.5
    link: float = 0.5
    rhythm: int = BY_CHANCE
    accented: int = BY_CHANCE
    linked: int = LINK_BY_CHANCE
    pinned: bool = False
    free: bool = False
    ratchet: int = 1
    pass_number: int = 1
    pass_of: int = 1
    forced_velocity: int = 0
    twin: int = 0


class Written(NamedTuple):
    """A step as a person writes it: its pitch and what is forced.  What is not forced is left to chance.

    Attributes:
        pitch: As in `Step`.
        rhythm, accented, linked, pinned, free: As in `Step`.
        ratchet: Strikes, 2 to 4; 1 by chance.
        pass_number, pass_of: As in `Step`.
        velocity: MIDI velocity without an accent, 1 to 127; 0 by its roll.
    """

    pitch: int
    rhythm: int = BY_CHANCE
    accented: int = BY_CHANCE
    linked: int = LINK_BY_CHANCE
    pinned: bool = False
    free: bool = False
    ratchet: int = 1
    pass_number: int = 1
    pass_of: int = 1
    velocity: int = 0


class Rolls(NamedTuple):
    """The four rolls of a step, each in [0, 1)."""

    rest: float
    accent: float
    velocity: float
    link: float


def words_of(step: Step) -> Written:
    """Return all of a step that a person can write in words: everything but its rolls."""
    return Written(
        pitch=step.pitch, rhythm=step.rhythm, accented=step.accented, linked=step.linked, pinned=step.pinned,
        free=step.free, ratchet=step.ratchet, pass_number=step.pass_number, pass_of=step.pass_of,
        velocity=step.forced_velocity,
    )  # fmt: skip


def rolls_of(step: Step) -> Rolls:
    """Return a step's rolls."""
    return Rolls(step.rest, step.accent, step.velocity, step.link)


def as_written(words: Written, rolls: Rolls) -> Step:
    """Return the step of which these are the words and the rolls."""
    return Step(
        pitch=words.pitch, rest=rolls.rest, accent=rolls.accent, velocity=rolls.velocity, link=rolls.link,
        rhythm=words.rhythm, accented=words.accented, linked=words.linked, pinned=words.pinned, free=words.free,
        ratchet=words.ratchet, pass_number=words.pass_number, pass_of=words.pass_of, forced_velocity=words.velocity,
    )  # fmt: skip


def home_as_written(line: Sequence[Step], words: Sequence[Written], rolls: Sequence[Rolls]) -> tuple[Step, ...]:
    """Return the home of a line.

    Args:
        line: The line's steps, whose rolls hold at home too where `rolls` is empty.
        words: The home as it is written, repeated as often as it fits; empty: the line is its own home.
        rolls: Of each of `words`, or empty.
    """
    if not words:
        return tuple(line)
    return tuple(
        as_written(words[at % len(words)], rolls[at % len(rolls)] if rolls else rolls_of(step))
        for at, step in enumerate(line)
    )


def without_forced_velocity(step: Step) -> Step:
    """Return a step whose velocity is again what its roll says.

    A mutation of kind substitute or velocity ends a forced velocity, and so
    does a hand that moves the velocity or gives the step back to chance;
    homing takes home's instead.
    """
    return step._replace(forced_velocity=0) if step.forced_velocity else step


class Form(NamedTuple):
    """The form of a line: 64 steps, the home they may return to, and the length.

    Attributes:
        steps: The 64 steps as they are now.
        home: The 64 steps of the reference form.
        length: How many are played, 1 to 64.
    """

    steps: tuple[Step, ...]
    home: tuple[Step, ...]
    length: int


class Change(NamedTuple):
    """One step before and after.

    Attributes:
        index: The step, counted from 0.
        kind: One of `mutation.KINDS`, or ``home``.
        before, after: The step; they always differ.
        partner: The step that it exchanged with or follows, counted from 0; -1 none.
        turn: Changes of one number stand or fall together: all that one chosen
            step brought about.
        echo: True where the step moved along with `partner`, its twin.
    """

    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody calls on a change
    kind: str
    before: Step
    after: Step
    partner: int = -1
    turn: int = 0
    echo: bool = False


def same_music(a: Step, b: Step) -> bool:
    """Tell whether two steps are the same to homing: pitch, free, rolls and a forced velocity.

    Marks that only a hand changes (pin, forced rhythm and accent, links, ratchets, passes)
    do not count: homing leaves them as they are.
    """
    return (
        a.pitch == b.pitch
        and a.free == b.free
        and a.rest == b.rest
        and a.accent == b.accent
        and a.velocity == b.velocity
        and a.link == b.link
        and a.forced_velocity == b.forced_velocity
    )
