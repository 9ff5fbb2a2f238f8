"""What carries ten minutes, in figures over fixed seeds: note lengths, density, the first minute.

The measures are those of `replank.line.measures`; the bounds are this
project's own aims, the bands of published melodies stand in
tests/reference/test_melodies.py.
"""

from __future__ import annotations

from statistics import fmean, median

import pytest

from replank.control.setup import Arc, Piece, Setup
from replank.line.heard import is_accented, is_heard
from replank.line.measures import Sounding, audible_changes, densities, length_entropy
from replank.line.steps import Step
from tests.performer.cycles import heard_cycles
from tests.performer.kit import Stage

SEEDS = range(1, 25)
AT_96 = 26_041_667
"""Nanoseconds of a MIDI clock at 96 BPM (60e9 / (24 x 96))."""
CYCLE_S = 2.5
"""Seconds of 16 sixteenths at 96 BPM."""


def entropy(**values: float) -> float:
    """Return the mean entropy of the lengths of a cycle's notes, bits."""
    return fmean(
        fmean(length_entropy(cycle.lengths) or 0.0 for cycle in heard_cycles(seed, 8, **values)) for seed in SEEDS
    )


def test_notes_have_different_lengths() -> None:
    assert entropy() >= 0.6
    assert entropy(rest_chance=0.4) >= 0.9


def test_without_sustain_they_have_not() -> None:
    """Negative control."""
    assert entropy(sustain=0.0) < 0.6


def ratio(piece: Piece) -> float:
    """Return the most notes a beat over the least, by windows of 8 bars over ten minutes."""
    found = []
    for seed in SEEDS[:6]:
        cycles = heard_cycles(seed, 240, setup=Setup(pieces=(piece,)))
        dense = densities([onset for cycle in cycles for onset in cycle.onsets], 4, 240)
        found.append(max(dense) / min(dense))
    return fmean(found)


def test_an_arc_of_tension_gives_ten_minutes_a_shape() -> None:
    rising = Arc("tension", "minutes", ((0.0, 0.0), (10.0, 1.0)))
    assert ratio(Piece("First Light", minutes=10, arc=(rising,))) >= 2.0
    assert ratio(Piece("First Light", minutes=10)) < 1.2  # the control: without it all minutes are alike


# -- the first minute ----------------------------------------------------------


def first_change(seed: int) -> float:
    """Return the seconds until a changed step is heard at the defaults and 96 BPM; the first cycles are alike."""
    stage = Stage(seed=seed)
    stage.interval = AT_96
    s, m = stage.p.settings, stage.p.melody

    def sounding(step: Step) -> Sounding:
        note = s.lens.sound(step) if is_heard(step, s.rest) else None
        return Sounding(note, is_accented(step, s.accent), s.velocity(step.velocity, False))

    first = list(m.steps)
    stage.start()
    stage.clocks(1)
    for cycle in range(1, 40):
        before = list(m.steps[:16])
        stage.clocks(96)
        assert cycle >= 4 or m.steps == first, f"seed {seed} changes after cycle {cycle}"
        changed = [i for i in range(16) if audible_changes([[(sounding(before[i]), sounding(m.steps[i]))]])]
        if changed:
            return (cycle + changed[0] / 16) * CYCLE_S
    return 100.0


@pytest.mark.timeout(300)
def test_the_first_minute_repeats_four_times_and_then_changes_soon() -> None:
    times = sorted(first_change(seed) for seed in range(1, 201))
    assert median(times) <= 15.0
    assert times[int(0.9 * len(times))] <= 30.0
