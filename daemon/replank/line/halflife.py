"""How fast a line is replaced: closed forms, for people and for planning.

Model: a line of `n` steps; each cycle the expected number of distinct steps
that are touched is `rate`, each step being as likely as any other, cycles
independent.  A step is then untouched by one cycle with chance 1 - rate / n.
They hold where no twin moves along (`motif` 0); else the rate is at most
`echoed` times as high.

Nothing here decides a note while the line runs: a chance found for a wanted
half-life is rounded, stored as a parameter, and recorded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from replank.line.kinds import KINDS, PITCH_KINDS

MOST = 16
"""The most steps that one mutation moment may change."""


def untouched(n: int, rate: float, cycles: float) -> float:
    """Return the expected share of steps, 0 to 1, that no cycle has touched."""
    return math.pow(_kept(n, rate), cycles)


def half_life(n: int, rate: float) -> float | None:
    """Return the cycles until half of the steps are expected touched; None for never."""
    kept = _kept(n, rate)
    if kept >= 1.0:
        return None
    return math.log(0.5) / math.log(kept) if kept > 0.0 else 0.0


def rate_for(n: int, half_life: float) -> float:
    """Return the touches a cycle that give a half-life in cycles above 0."""
    return n * (1.0 - math.pow(2.0, -1.0 / half_life))


def at_home(n: int, rate: float, cycles: float, homing: float, exchanged: float = 0.0) -> float:
    """Return the expected share of steps at home, a line beginning at home.

    A step is where its last touch left it: at home if that was a homing.  So
    the share tends to `homing`, and below it where steps are also touched as
    the partner of an exchange.

    Args:
        n: Steps.
        rate: Choices a cycle (`mutation_chance` times `mutation_count`).
        cycles: Cycles.
        homing: Chance that a chosen step goes home.
        exchanged: Chance that a choice also touches a partner.
    """
    left = untouched(n, rate * (1.0 + exchanged), cycles)
    return left + (1.0 - left) * homing / (1.0 + exchanged)


def touch_rate(
    chance: float, count: int, weights: Sequence[float], homing: float, at_home_share: float, n: int
) -> float:
    """Return the expected number of distinct steps that a cycle touches by a pitch mutation.

    With m = min(count, n) chosen steps, a kind of weight w among the sum W:

    - own = homing * (1 - at_home_share) + (1 - homing) * (substitute +
      neighbour + octave + swap) / W is the chance that a chosen step's pitch is touched;
    - other = (1 - homing) * swap / W / (n - 1) is the chance that a given
      step is the partner of a given other chosen step;
    - a step is missed by a mutation moment with chance
      m/n * (1 - own) * (1 - other)^(m - 1) + (1 - m/n) * (1 - other)^m,
      and the rate is chance * n * (1 - that).

    Assumed: one moment a cycle (`mutate_every` is the caller's), each kind
    can be made when it is drawn (the caller takes off what cannot, see
    `mutation.possible_kinds`), partners are uniform, and a homing of a step
    that is not at home counts as a pitch mutation.

    Args:
        chance: `mutation_chance`, 0 to 1.
        count: `mutation_count`.
        weights: Of the kinds, in their order.
        homing: 0 to 1.
        at_home_share: The share of the candidates that is at home, 0 to 1.
        n: Candidates: played, unpinned steps.
    """
    if n < 1:
        return 0.0
    by_kind = dict(zip(KINDS, weights, strict=True))
    if n == 1:
        by_kind["swap"] = 0.0
    total = sum(by_kind.values())
    pitched = sum(by_kind[kind] for kind in PITCH_KINDS) / total if total else 0.0
    own = homing * (1.0 - at_home_share) + (1.0 - homing) * pitched
    other = (1.0 - homing) * by_kind["swap"] / total / (n - 1) if total and n > 1 else 0.0
    m = min(count, n)
    missed = m / n * (1.0 - own) * (1.0 - other) ** (m - 1) + (1.0 - m / n) * (1.0 - other) ** m
    return chance * n * (1.0 - missed)


def echoed(motif: float, twins: float) -> float:
    """Return by how much the rate is at most higher where twins move along.

    Args:
        motif: 0 to 1.
        twins: Mean number of twins of a step that are still alike.
    """
    return 1.0 + motif * twins


def half_life_from_home(
    n: int, chance: float, count: int, weights: Sequence[float], homing: float, *, candidates: int = 0,
    moment: float = 1.0, settle: int = 0, faster: float = 1.0,
) -> float | None:  # fmt: skip
    """Return the cycles until half of the steps are expected touched, a line beginning at home; None for never.

    A step that was never touched is at home, so that no homing is its first
    touch: the rate is that of `touch_rate` with all at home.  Only while the
    whole line is at home is a kind drawn in place of a homing.  The cycles that
    settle come on top: the first moment is at the end of the last of them.

    Args:
        n: Steps that may change.
        chance, count, weights, homing: As `touch_rate`.
        candidates: Steps among which a moment chooses; 0 means all of them.
        moment: Cycles between two mutation moments.
        settle: Whole cycles heard before anything changes.
        faster: By how much the rate is higher than that of `touch_rate`; see `echoed`.
    """
    able = candidates or n
    if n < 1 or homing >= 1.0 or chance <= 0.0:
        return None
    usual = faster * touch_rate(chance, count, weights, homing, 1.0, able)
    # once one step of a moment has left home the others may go there
    one, drawn = (faster * touch_rate(chance, 1, weights, of, 1.0, able) for of in (homing, 0.0))
    first = usual + drawn - one
    gone, moments, whole = 0.0, 0, 1.0  # whole: the chance that all is still at home
    while whole > 1e-3:
        rate = whole * first + (1.0 - whole) * usual
        lost = -math.log(_kept(n, rate)) if rate < n else math.inf
        if gone + lost >= math.log(2.0):
            part = (math.log(2.0) - gone) / lost if lost < math.inf else 0.0
            return moment * (moments + part) + settled(settle, moment)
        gone, moments, whole = gone + lost, moments + 1, whole * (1.0 - chance)
        if moments > 1000:  # a chance so small that the first change is a matter of chance alone
            break
    left = half_life(n, usual)
    if left is None:
        return None
    return moment * (moments + left * (1.0 - gone / math.log(2.0))) + settled(settle, moment)


def settled(settle: int, moment: float = 1.0) -> float:
    """Return by how many cycles a settling of whole cycles puts off what happens at each moment."""
    return max(0.0, moment * (math.ceil(settle / moment) - 1))


def _kept(n: int, rate: float) -> float:
    return max(0.0, 1.0 - rate / n) if n > 0 else 1.0
