"""What begins at a clock: a step, a return to step 1, a moment of mutation.

Each rule is stated once.  Playing asks it for what begins now, looking ahead
for what begins next; so what was foretold is what happens.
"""

from __future__ import annotations

from replank.timing.bars import Bars
from replank.timing.phrases import begins

Every = tuple[str, int]
"""`mutate_every`: step, bar, cycle or phrase, and how many of them."""


def restarts(every: int, bar: int) -> bool:
    """Tell whether the line returns to step 1 with a bar, from 0; `every` bars, 0 never."""
    return every > 0 and bar % every == 0


def restart_after(bars: Bars, every: int, clock: int) -> int:
    """Return the first bar line after a clock that returns the line to step 1; -1 none."""
    if not every:
        return -1
    line = bars.next_bar(clock + 1)
    return line + -bars.bar_index(line) % every * bars.bar_length


def restart_before(bars: Bars, every: int, clock: int) -> int:
    """Return the last bar line at or before a clock that returns the line to step 1; -1 none."""
    if not every:
        return -1
    line = bars.next_bar(clock - bars.bar_length + 1)
    return line - bars.bar_index(line) % every * bars.bar_length


def step_after(bars: Bars, every: int, division: int, clock: int) -> int:
    """Return the song clock of the step after one at `clock`: a return to step 1 cuts a step short."""
    restart = restart_after(bars, every, clock)
    return clock + division if restart < 0 else min(clock + division, restart)


def is_bar_moment(every: Every, phrase: int, bar: int) -> bool:
    """Tell whether mutations may happen with a bar, from 0; `phrase` is its length in bars."""
    unit, count = every
    return begins(bar, phrase) if unit == "phrase" else unit == "bar" and bar % count == 0


def is_cycle_moment(every: Every, passes: int) -> bool:
    """Tell whether mutations may happen with a cycle that `passes` cycles came before."""
    return every[0] == "cycle" and passes % every[1] == 0


def is_pulsed_moment(every: Every, phrase: int, passes: int, place: int) -> bool:
    """Tell whether mutations may happen with a cycle of pulses, which stands for a bar.

    Args:
        every: The setting.
        phrase: Cycles of a phrase.
        passes: Cycles that came before this one.
        place: The cycle as phrases count, from 0.
    """
    unit, count = every
    return begins(place, phrase) if unit == "phrase" else unit != "step" and passes % count == 0


def is_step_moment(every: Every, since: int) -> bool:
    """Tell whether mutations may happen with a step, `since` steps after the last moment."""
    return every[0] == "step" and since >= every[1]
