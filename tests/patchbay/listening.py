"""Ears for tests: onsets and pitches of a monophonic recording, knowing nothing of MIDI.

Pitch is the YIN estimator (de Cheveigné & Kawahara, "YIN, a fundamental frequency
estimator for speech and music", J. Acoust. Soc. Am. 111(4), 2002), steps 1 to 5;
onsets are where the level, in windows of 2 ms, rises out of quiet.
"""

from __future__ import annotations

import wave
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

Samples = np.ndarray[Any, np.dtype[np.float64]]


class Heard(NamedTuple):
    """A note that was heard.

    Attributes:
        onset: Seconds from the beginning of the recording.
        hertz: Its pitch.
    """

    onset: float
    hertz: float

    @property
    def note(self) -> float:
        """The pitch as a note number with its fraction; 69 is 440 Hz."""
        return float(69 + 12 * np.log2(self.hertz / 440.0))


def load(path: Path) -> tuple[Samples, int]:
    """Return a 16-bit recording as one channel from -1 to 1, and its rate."""
    with wave.open(str(path)) as file:
        rate, channels = file.getframerate(), file.getnchannels()
        data = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
    return data.reshape(-1, channels).mean(axis=1) / 32768.0, rate


def pitch(samples: Samples, rate: int, low: float = 50.0, high: float = 1500.0) -> float:
    """Return the fundamental frequency in hertz of a steady tone."""
    longest, shortest = int(rate / low), int(rate / high)
    window = len(samples) - longest
    if window < longest:
        raise ValueError(f"{len(samples)} samples are too few for {low:g} Hz")
    still = samples[:window]
    difference = np.array([np.sum((still - samples[lag : lag + window]) ** 2) for lag in range(longest + 1)])
    running = np.cumsum(difference[1:]) / np.arange(1, longest + 1)
    normal = np.concatenate(([1.0], difference[1:] / np.maximum(running, 1e-12)))
    below = np.flatnonzero(normal[shortest:] < 0.15)
    lag = shortest + (int(below[0]) if len(below) else int(np.argmin(normal[shortest:])))
    while lag + 1 < len(normal) and normal[lag + 1] < normal[lag]:
        lag += 1
    if 0 < lag < longest:  # the least of a parabola through three points
        a, b, c = normal[lag - 1 : lag + 2]
        if (bend := a - 2 * b + c) > 0:
            return rate / (lag + 0.5 * (a - c) / bend)
    return rate / lag


def onsets(samples: Samples, rate: int) -> list[float]:
    """Return where notes begin, in seconds: the level rises out of quiet."""
    hop = rate // 500
    frames = samples[: len(samples) // hop * hop].reshape(-1, hop)
    level = np.sqrt((frames**2).mean(axis=1))
    loud = 0.1 * float(np.quantile(level, 0.95))
    quiet = 0.5 * loud
    found, is_quiet = [], True
    for number, value in enumerate(level):
        if is_quiet and value > loud:
            found.append(number * hop / rate)
            is_quiet = False
        elif value < quiet:
            is_quiet = True
    return found


def listen(path: Path, length: float = 0.09) -> list[Heard]:
    """Return the notes of a recording; each pitch from `length` seconds a little after its onset."""
    samples, rate = load(path)
    found = []
    for onset in onsets(samples, rate):
        start = int((onset + 0.02) * rate)
        part = samples[start : start + int(length * rate)]
        if len(part) >= int(0.06 * rate):
            found.append(Heard(onset, pitch(part, rate)))
    return found
