"""How fast a line changes at given settings, in cycles, bars and minutes.

`replank.line.halflife` has the closed forms; here they meet length, direction,
division, meter and tempo.  Everything is computed, nothing counted.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from replank.control.parameters import KINDS, Value
from replank.line.generate import mean_twins
from replank.line.halflife import echoed, half_life, touch_rate, untouched
from replank.line.kinds import Chances
from replank.line.lenses import Lens, lens_for
from replank.line.mutation import possible_kinds
from replank.line.pitch import class_number
from replank.line.scales import get_scale
from replank.line.steps import Step
from replank.timing.divisions import PPQN, bar_clocks, division_clocks
from replank.timing.playhead import cycle_steps

_EVERY = re.compile(r"(\d+)(bar|step)s?")


class Pace(NamedTuple):
    """How fast a line changes.

    Attributes:
        steps: Unpinned steps that are played.
        rate: Expected number of them touched by a pitch mutation in a cycle.
        cycle_steps: Steps that a cycle takes (their mean, where restarts cut it short).
        cycle_bars: Bars of a cycle; of pulses, where a bar is a cycle, 1.
        cycles, bars: Until half of them are expected touched; None for never.
        minutes: The same at the tempo of the internal clock; None also of pulses.
        echoed: By how much the rate is at most higher, since twins move along; 1 without `motif`.
    """

    steps: int
    rate: float
    cycle_steps: float
    cycle_bars: float
    cycles: float | None
    bars: float | None
    minutes: float | None
    echoed: float = 1.0

    def untouched_after(self, bars: float) -> float:
        """Return the share of the steps, 0 to 1, expected untouched after so many bars."""
        return untouched(self.steps, self.rate, bars / self.cycle_bars) if self.steps else 1.0


def pace(
    values: Mapping[str, Value], pinned: int = 0, at_home_share: float = 1.0, chosen: bool = False,
    pulses: bool = False, scales: Mapping[str, tuple[float, ...]] = {}, lens: Lens | None = None,
    line: Sequence[Step] | None = None, twins: float | None = None,
) -> Pace:  # fmt: skip
    """Return the pace of a line.

    Args:
        values: All parameters by name.
        pinned: Played steps that are pinned.
        at_home_share: Share of the unpinned steps at home, 0 to 1; a new line begins at 1.
        chosen: True counts every chosen step, whatever then happens to it.
        pulses: True where each pulse is a step: nothing restarts at bars, and bar means cycle.
        scales: A person's own scales, in cents by name.
        lens: Root, scale and register; by default those of the values.
        line: The steps that may change; by default those of a line that is drawn at these values.
        twins: Mean number of twins of a step that are still alike; by default as drawn.
    """
    length, beat = int(values["length"]), float(values["tempo"])
    bar = bar_clocks(str(values["meter"]))
    step = division_clocks(str(values["division"]), str(values["meter"]))
    cycle = float(cycle_steps(str(values["direction"]), length))
    restart = 0 if pulses else int(values["restart_every"])
    if restart:
        # a return to the first step ends a cycle, so that the last one before it is cut short
        between = restart * bar / step
        cycle = between / max(1, -(-between // cycle))
    cycle_bars = 1.0 if pulses else cycle * step / bar
    steps = max(0, length - pinned)
    moment = _moment_cycles(str(values["mutate_every"]), cycle, cycle_bars)
    # a moment that comes before the cycle is out chooses among the steps played since the last one
    candidates = steps if moment >= 1 else max(1, round(steps * moment)) if steps else 0
    chance, count = float(values["mutation_chance"]), int(values["mutation_count"])
    if values["hold"]:
        chance = 0.0
    if lens is None:
        lens = lens_for(
            class_number(str(values["root"])), get_scale(str(values["scale"]), scales),
            int(values["register_low"]), int(values["register_span"]),
        )  # fmt: skip
    weights = possible_weights(values, lens, candidates if line is None else line)
    if twins is None:
        twins = mean_twins(str(values["scheme"]), length)
    if chosen:
        rate = chance * min(count, candidates)
    else:
        rate = touch_rate(chance, count, weights, float(values["homing"]), at_home_share, candidates)
    rate /= moment
    cycles = half_life(steps, rate) if steps and rate > 0 else None
    bars = None if cycles is None else cycles * cycle_bars
    minutes = None if bars is None or pulses else bars * bar / PPQN / beat
    more = echoed(float(values["motif"]), twins)
    return Pace(steps, rate, cycle, cycle_bars, cycles, bars, minutes, more)


def possible_weights(values: Mapping[str, Value], lens: Lens, steps: Sequence[Step] | int) -> list[float]:
    """Return the weights of the kinds, each times the share of the steps on which it can be made.

    Args:
        values: All parameters by name.
        lens: Root, scale and register.
        steps: The steps that may change, or how many of a drawn line.
    """
    weights = tuple(float(values[f"weight_{kind}"]) for kind in KINDS)
    rest, accent = float(values["rest_chance"]), float(values["accent_chance"])
    chances = Chances(1, weights, int(values["leap"]), 0.0, rest, accent)
    shares = possible_kinds(lens, chances, steps)
    return [weight * share for weight, share in zip(weights, shares, strict=True)]


def _moment_cycles(every: str, cycle: float, cycle_bars: float) -> float:
    """Return the cycles between two mutation moments."""
    found = _EVERY.fullmatch(every)
    if found is None:
        return 1.0
    return int(found[1]) / (cycle_bars if found[2] == "bar" else cycle)
