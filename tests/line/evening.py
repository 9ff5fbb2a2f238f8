"""A line that plays for a while without a performer: drawn, heard cycle by cycle, mutating."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from replank.control.parameters import DEFAULTS
from replank.control.setup import Setup
from replank.line.heard import is_heard
from replank.line.steps import Step
from replank.performer.melody import Melody
from replank.performer.settings import Settings

MINUTE = 24
"""Cycles a minute: 16 sixteenths at 96 BPM take 2.5 s."""


def settings(**values: Any) -> Settings:
    """Return the defaults with some values changed."""
    return Settings({**DEFAULTS, **values}, Setup())


def begun(seed: int, s: Settings) -> Melody:
    """Return a melody with a line that was just drawn."""
    melody = Melody(seed)
    melody.redraw(s.lens, s.shape)
    return melody


def cycle(melody: Melody, s: Settings) -> int:
    """Hear the line once and mutate it at its end; return how many turns changed something."""
    for index in range(s.length):
        melody.step_begins(index, True)
    melody.decide(s.length, s.lens, s.mutation_chance, s.chances)
    melody.end_cycle(s.length, {}, True)
    return len({change.turn for change in melody.release_decided(True)})


def played(seed: int, s: Settings, cycles: int) -> Melody:
    """Return a melody after so many cycles."""
    melody = begun(seed, s)
    for _ in range(cycles):
        cycle(melody, s)
    return melody


def lines_of(seed: int, s: Settings, cycles: int) -> Iterator[list[Step]]:
    """Yield the played steps of each cycle as it is heard, the drawn line first."""
    melody = begun(seed, s)
    for _ in range(cycles):
        yield melody.steps[: s.length]
        cycle(melody, s)


def notes(steps: list[Step], s: Settings) -> list[int]:
    """Return the notes of a cycle, rests left out."""
    return [s.lens.base(step) for step in steps if is_heard(step, s.rest)]
