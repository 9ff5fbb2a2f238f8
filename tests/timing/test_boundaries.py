"""What begins at a clock, against counting clock by clock."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from replank.timing import boundaries
from replank.timing.bars import Bars

METERS = st.sampled_from(("4/4", "3/4", "7/8", "5/16", "1/4"))
EVERY = st.tuples(st.sampled_from(("bar", "cycle", "step")), st.integers(1, 9))


@given(METERS, st.integers(0, 8), st.sampled_from((1, 3, 6, 9, 16, 24, 96)), st.integers(0, 3000))
def test_restarts_cut_steps_short(meter: str, every: int, division: int, clock: int) -> None:
    bars = Bars(meter)

    def returns(at: int) -> bool:
        return bars.is_bar(at) and boundaries.restarts(every, bars.bar_index(at))

    after = next((at for at in range(clock + 1, clock + 8 * bars.bar_length + 1) if returns(at)), -1)
    assert boundaries.restart_after(bars, every, clock) == after
    before = next((at for at in range(clock, -1, -1) if returns(at)), -1)
    assert boundaries.restart_before(bars, every, clock) == before
    step = next(at for at in range(clock + 1, clock + division + 1) if returns(at) or at == clock + division)
    assert boundaries.step_after(bars, every, division, clock) == step


@given(EVERY)
def test_moments_come_once_in_as_many(every: tuple[str, int]) -> None:
    """Every row has its own unit, and comes once in `count`."""
    unit, count = every
    kinds = {
        "bar": lambda n: boundaries.is_bar_moment(every, 4, n),
        "cycle": lambda n: boundaries.is_cycle_moment(every, n),
    }
    for kind, is_moment in kinds.items():
        found = [n for n in range(4 * count) if is_moment(n)]
        assert found == ([0, count, 2 * count, 3 * count] if kind == unit else [])
    assert [n for n in range(2 * count) if boundaries.is_step_moment(every, n)] == (
        list(range(count, 2 * count)) if unit == "step" else []
    )


def test_with_pulses_a_cycle_is_a_bar() -> None:
    for unit in ("bar", "cycle"):
        assert [n for n in range(9) if boundaries.is_pulsed_moment((unit, 3), 4, n, 0)] == [0, 3, 6]
    assert [n for n in range(9) if boundaries.is_pulsed_moment(("phrase", 1), 4, 0, n)] == [0, 4, 8]
    assert not any(boundaries.is_pulsed_moment(("step", 3), 4, n, n) for n in range(9))
