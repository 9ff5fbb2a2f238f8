"""How fast a line changes at given settings, in cycles, bars and minutes.

`replank.line.halflife` has the closed forms; here they meet length, direction,
division, meter and tempo.  Everything is computed, nothing counted, and of
settings that stay as they are: what arcs, plans, phrases and visits home change
only playing can tell.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from replank.control import tension
from replank.control.parameters import KINDS, Value
from replank.line.generate import mean_twins
from replank.line.halflife import MOST, echoed, half_life, half_life_from_home, touch_rate, untouched
from replank.line.kinds import Chances
from replank.line.lenses import Lens, lens_for
from replank.line.mutation import may_change, possible_kinds
from replank.line.pitch import class_number
from replank.line.scales import get_scale
from replank.line.steps import Step
from replank.timing.divisions import PPQN, bar_clocks, division_clocks
from replank.timing.playhead import cycle_steps

ECHO_SHARE = 0.6, 0.4
"""Of the twins that a line begins with, the share that moves along until half of it is touched: so much, and so much
more at full `homing`, which brings twins together again.  Counted, not derived; good to a tenth of the half-life."""

_EVERY = re.compile(r"(\d+)(bar|step)s?")


class Pace(NamedTuple):
    """How fast a line changes.

    Attributes:
        steps: Played steps that may change: neither pinned nor always resting.
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


class Ground(NamedTuple):
    """What the pace of a line stands on, whatever chance and count of mutation are.

    Attributes:
        steps: Played steps that may change.
        candidates: Steps among which a moment chooses.
        weights: Of the kinds, each times the share of the steps on which it can be made.
        moment: Cycles between two mutation moments.
        cycle_steps, cycle_bars: As in `Pace`.
        bar_minutes: Minutes of a bar; 0 of pulses.
        twins: Mean number of twins of a step that are still alike.
    """

    steps: int
    candidates: int
    weights: Sequence[float]
    moment: float
    cycle_steps: float
    cycle_bars: float
    bar_minutes: float
    twins: float


def ground(
    values: Mapping[str, Value], pinned: int = 0, pulses: bool = False,
    scales: Mapping[str, tuple[float, ...]] = {}, lens: Lens | None = None, line: Sequence[Step] | None = None,
    twins: float | None = None,
) -> Ground:  # fmt: skip
    """Return what the pace of a line stands on; the arguments are those of `pace`."""
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
    able = None if line is None else [one for one in line if may_change(one)]
    steps = max(0, length - pinned) if able is None else len(able)
    moment = _moment_cycles(str(values["mutate_every"]), cycle, cycle_bars)
    # a moment that comes before the cycle is out chooses among the steps played since the last one
    candidates = steps if moment >= 1 else max(1, round(steps * moment)) if steps else 0
    if lens is None:
        lens = lens_for(
            class_number(str(values["root"])), get_scale(str(values["scale"]), scales),
            int(values["register_low"]), int(values["register_span"]),
        )  # fmt: skip
    weights = possible_weights(values, lens, candidates if able is None else able)
    if twins is None:
        twins = mean_twins(str(values["scheme"]), length)
    bar_minutes = 0.0 if pulses else bar / PPQN / beat
    return Ground(steps, candidates, weights, moment, cycle, cycle_bars, bar_minutes, twins)


def pace(
    values: Mapping[str, Value], pinned: int = 0, at_home_share: float = 1.0, chosen: bool = False,
    pulses: bool = False, scales: Mapping[str, tuple[float, ...]] = {}, lens: Lens | None = None,
    line: Sequence[Step] | None = None, twins: float | None = None,
) -> Pace:  # fmt: skip
    """Return the pace of a line.

    Args:
        values: All parameters by name.
        pinned: Played steps that are pinned or always rest; a `line` says it itself.
        at_home_share: Share of the steps that may change at home, 0 to 1; a new line begins at 1.
        chosen: True counts every chosen step, whatever then happens to it.
        pulses: True where each pulse is a step: nothing restarts at bars, and bar means cycle.
        scales: A person's own scales, in cents by name.
        lens: Root, scale and register; by default those of the values.
        line: The played steps; by default those of a line that is drawn at these values.
        twins: Mean number of twins of a step that are still alike; by default as drawn.
    """
    on = ground(values, pinned, pulses, scales, lens, line, twins)
    chance, count = 0.0 if values["hold"] else float(values["mutation_chance"]), int(values["mutation_count"])
    if chosen:
        rate = chance * min(count, on.candidates)
    else:
        rate = touch_rate(chance, count, on.weights, float(values["homing"]), at_home_share, on.candidates)
    rate /= on.moment
    cycles = half_life(on.steps, rate) if on.steps and rate > 0 else None
    return _pace(on, rate, cycles, echoed(float(values["motif"]), on.twins))


def pace_from_home(values: Mapping[str, Value], on: Ground) -> Pace:
    """Return the pace from the beginning of a piece: the line is at home, and what is new settles first.

    Its half-life takes in how much sooner twins bring it, by `ECHO_SHARE`;
    `echoed` is the most by which they may bring it sooner.  Its rate is that of the
    first moments.
    """
    chance, count = 0.0 if values["hold"] else float(values["mutation_chance"]), int(values["mutation_count"])
    homing, motif = float(values["homing"]), float(values["motif"])
    rate = touch_rate(chance, count, on.weights, homing, 1.0, on.candidates) / on.moment
    return _pace(on, rate, _cycles_from_home(values, on, chance, count), echoed(motif, on.twins))


def _cycles_from_home(values: Mapping[str, Value], on: Ground, chance: float, count: int) -> float | None:
    homing = float(values["homing"])
    # a twin that was not heard since the last moment does not move along
    twins = (ECHO_SHARE[0] + ECHO_SHARE[1] * homing) * on.twins * on.candidates / max(1, on.steps)
    faster = echoed(float(values["motif"]), twins)
    return half_life_from_home(
        on.steps, chance, count, on.weights, homing, candidates=on.candidates, moment=on.moment,
        settle=int(values["settle_new"]), faster=faster,
    )  # fmt: skip


def _pace(on: Ground, rate: float, cycles: float | None, more: float) -> Pace:
    bars = None if cycles is None else cycles * on.cycle_bars
    minutes = None if bars is None or not on.bar_minutes else bars * on.bar_minutes
    return Pace(on.steps, rate, on.cycle_steps, on.cycle_bars, cycles, bars, minutes, more)


class HalfLife(NamedTuple):
    """What a wanted half-life needs.

    Attributes:
        chance: `mutation_chance`, 0 to 1.
        count: `mutation_count`, above the one given where that was too few.
    """

    chance: float
    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody calls here


def solve_half_life(values: Mapping[str, Value], bars: float, on: Ground) -> HalfLife | None:
    """Return the settings of a wanted half-life, by the closed forms; None where there are none.

    Args:
        values: All parameters by name, as they are set: tension is added here.
        bars: Bars from the beginning of the piece until half of the steps that
            may change are expected touched, what settles at first included.
        on: What the line's pace stands on.
    """
    wanted = bars / on.cycle_bars

    def cycles(chance: float, count: int) -> float:
        """Return the half-life at a set chance, which tension moves; endless for never."""
        heard = {**values, "mutation_chance": chance}
        heard |= tension.sounding(heard)
        found = _cycles_from_home(heard, on, float(heard["mutation_chance"]), count)
        return math.inf if found is None else found

    if not on.steps or cycles(0.0, 1) < wanted:
        return None
    for tried in range(int(values["mutation_count"]), MOST + 1):
        if cycles(1.0, tried) > wanted:
            continue
        low, high = 0.0, 1.0
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (middle, high) if cycles(middle, tried) > wanted else (low, middle)
        # a chance of five digits is as good, and can be read
        return HalfLife(round(high, 5), tried)
    return None


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
