"""A MIDI-to-CV interface and a tuner, simulated: known errors, known noise."""

from __future__ import annotations

import builtins
import random
from dataclasses import dataclass
from typing import Any

import pytest

from replank.control.bend import cents_to_bend, correction, value_cents
from replank.control.setup import Voltage
from replank.control.voltage import note_volts, quantised, volts_note
from replank.host.tunefit import Reading


@dataclass(frozen=True)
class Interface:
    """What it should do, and how it fails.

    Attributes:
        voltage: As its maker meant it.
        scale: Relative error of the volts.
        offset: Volts too many.
        bow: Volts of curvature at the ends of the range, none in the middle.
        step: Cents too high from the fourth octave on: a converter's bit that is off.
    """

    voltage: Voltage
    scale: float = 0.0
    offset: float = 0.0
    bow: float = 0.0
    step: float = 0.0

    def cents(self, note: int, bend_cents: float = 0.0) -> float:
        """Return how far from the note an oscillator that tracks exactly sounds."""
        v = self.voltage
        made = quantised(v, note_volts(v, note, bend_cents))
        middle, half = (v.high + v.low) / 2, (v.high - v.low) / 2
        actual = made * (1 + self.scale) + self.offset + self.bow * ((made - middle) / half) ** 2
        return (volts_note(v, actual) - note) * 100 + (self.step if note >= 72 else 0.0)

    def corrected(self, note: int, pairs: tuple[tuple[int, float], ...], bend_range: int = 2) -> float:
        """Return the same with a correction sent as bend."""
        return self.cents(note, value_cents(cents_to_bend(correction(pairs, note), bend_range), bend_range))

    def readings(self, notes: range, times: int, noise: float, seed: int) -> list[Reading]:
        """Return what a tuner with some noise in cents reads, note by note."""
        numbers = random.Random(seed)
        wanted = [note for note in notes for _ in range(times)]
        return [Reading(n, self.cents(n) + numbers.gauss(0, noise), line) for line, n in enumerate(wanted, 1)]


def without_scipy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make importing SciPy fail, as where it is not installed."""
    real = builtins.__import__

    def absent(name: str, *rest: Any) -> Any:
        if name.startswith("scipy"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", absent)
