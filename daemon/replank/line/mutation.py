"""Mutation: the changes of a line, one step at a time.

A mutation starts from what sounds and stores the new tone.  Every random
number has a fixed place, so that a chance knob that was moved shifts nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import NamedTuple

from replank.line.chance import Numbers
from replank.line.heard import describe, is_accented, is_heard, link_of, ratchet_of
from replank.line.lenses import Lens, reflect
from replank.line.steps import BY_CHANCE, Step, same_music, without_forced_velocity

__all__ = [
    "HOME", "KINDS", "PITCH_KINDS", "Chances", "Change", "describe", "homed", "is_accented", "is_heard", "link_of",
    "mutate", "ratchet_of", "sparing",
]  # fmt: skip

KINDS = ("substitute", "neighbour", "swap", "octave", "rest", "accent", "velocity")
"""Mutation kinds, in the order of their weights."""
PITCH_KINDS = frozenset(("substitute", "neighbour", "swap", "octave"))
"""The kinds that change a pitch, and take `free` from the steps that they touch."""
HOME = "home"
"""The kind of a change that restored a step to its home form."""

SLOTS = 16
"""Numbers that each chosen step has for itself."""
_CHOICE, _HOMING, _KIND = 0, 1, 2
_TARGET, _REST, _ACCENT, _VELOCITY = _KIND + len(KINDS), 10, 11, 12


class Chances(NamedTuple):
    """The settings that a mutation moment reads.

    Attributes:
        count: Distinct steps that mutate, at least 0.
        weights: One number of at least 0 for each of `KINDS`, in that order.
        leap: The largest move of a substitution, in degrees, 1 to 14.
        homing: Chance in [0, 1] that a chosen step becomes its home form.
        rest_chance: Steps by chance are silent when their roll is below it.
        accent_chance: Steps by chance are accented when their roll is below it.
    """

    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody calls on settings
    weights: tuple[float, ...]
    leap: int
    homing: float
    rest_chance: float
    accent_chance: float


class Change(NamedTuple):
    """One step before and after.

    Attributes:
        index: The step, counted from 0.
        kind: One of `KINDS`, or ``home``.
        before, after: The step; they always differ.
        partner: The step that it exchanged with, counted from 0; -1 none.
    """

    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody calls on a change
    kind: str
    before: Step
    after: Step
    partner: int = -1


class _Moment(NamedTuple):
    """What every kind reads: the line as changed so far, and the numbers of one chosen step."""

    steps: list[Step]
    pool: Sequence[int]
    lens: Lens
    chances: Chances
    numbers: Numbers
    slot: int

    def number(self, slot: int) -> float:
        return self.numbers.at(self.slot + slot)

    def pick(self, options: Sequence[int]) -> int:
        """Return one of the options, each with the same chance."""
        return options[int(self.number(_TARGET) * len(options))]


def mutate(
    steps: Sequence[Step],
    home: Sequence[Step],
    candidates: Sequence[int],
    lens: Lens,
    chances: Chances,
    numbers: Numbers,
) -> list[Change]:
    """Return the changes of one mutation moment, in the order in which to apply them.

    `count` distinct candidates are chosen uniformly.  With chance `homing` a
    chosen step becomes its home form (nothing, if it is at home); else a kind
    is drawn by weight, without replacement until one can change something.
    A later change sees the earlier ones.  Swap, rest and accent change two
    steps.  A step that several changes return to what it was is left out.

    Args:
        steps: The line.
        home: Its home, as many steps.
        candidates: Indices, counted from 0, that may change; pinned ones among
            them are passed over.
        lens: Root, scale and register.
        chances: The settings.
        numbers: `SLOTS` a chosen step, from its present slot, are read.
    """
    pool = sorted({index for index in candidates if not steps[index].pinned})
    now = list(steps)
    changes: list[Change] = []
    first = numbers.slot
    deck = list(pool)
    for turn in range(min(chances.count, len(pool))):
        slot = first + SLOTS * turn
        other = turn + int(numbers.at(slot + _CHOICE) * (len(deck) - turn))
        deck[turn], deck[other] = deck[other], deck[turn]
        made = _mutate_step(_Moment(now, pool, lens, chances, numbers, slot), deck[turn], home[deck[turn]])
        for change in made:
            now[change.index] = change.after
        changes += made
    numbers.slot = first + SLOTS * chances.count
    if len(changes) > 2:
        changes = [change for change in changes if now[change.index] != steps[change.index]]
    return changes


def sparing(changes: Sequence[Change], indexes: Collection[int]) -> list[Change]:
    """Return the changes without those of some steps and without what hangs on these.

    For steps that a hand edits or pins after a mutation was decided: an
    exchange goes with both of its sides, and with it what came after it there.

    Args:
        changes: What `mutate` returned.
        indexes: Steps to be left alone, counted from 0.
    """
    spared, kept = set(indexes), []
    for change in changes:
        if change.index in spared or change.partner in spared:
            spared |= {change.index, change.partner} - {-1}
        else:
            kept.append(change)
    return kept


def _mutate_step(moment: _Moment, index: int, home: Step) -> list[Change]:
    """Return the changes of one chosen step."""
    if moment.number(_HOMING) < moment.chances.homing:
        return _go_home(moment.steps[index], index, home)
    left = [(weight, kind) for weight, kind in zip(moment.chances.weights, KINDS, strict=True) if weight > 0]
    turn = 0
    while left:
        total = 0.0
        for weight, _ in left:  # not sum(): since Python 3.12 it rounds otherwise
            total += weight
        mark, place = moment.number(_KIND + turn) * total, 0
        while place < len(left) - 1 and mark >= left[place][0]:
            mark -= left[place][0]
            place += 1
        made = _MAKERS[left.pop(place)[1]](moment, index)
        if made:
            return made
        turn += 1
    return []


def _go_home(step: Step, index: int, home: Step) -> list[Change]:
    if same_music(step, home):
        return []
    return [Change(index, HOME, step, homed(step, home))]


def homed(step: Step, home: Step) -> Step:
    """Return a step with its home's pitch, freedom, rolls and forced velocity; what else a hand set stays."""
    return step._replace(
        pitch=home.pitch, free=home.free, rest=home.rest, accent=home.accent, velocity=home.velocity, link=home.link,
        forced_velocity=home.forced_velocity,
    )  # fmt: skip


def _moves(moment: _Moment, index: int, leap: int) -> list[int]:
    """Return the tones of the moves of 1 to `leap` degrees either way that change what sounds."""
    base = moment.lens.base(moment.steps[index])
    place, tones = moment.lens.degree_index(base), moment.lens.tones
    targets = (tones[reflect(place + way * size, len(tones))] for size in range(1, leap + 1) for way in (1, -1))
    return [tone for tone in targets if tone != base]


def _substitute(moment: _Moment, index: int) -> list[Change]:
    targets = _moves(moment, index, moment.chances.leap)
    if not targets:
        return []
    before = moment.steps[index]
    after = without_forced_velocity(before)._replace(
        pitch=moment.pick(targets),
        free=False,
        rest=moment.number(_REST),
        accent=moment.number(_ACCENT),
        velocity=moment.number(_VELOCITY),
    )
    return [Change(index, "substitute", before, after)]


def _neighbour(moment: _Moment, index: int) -> list[Change]:
    return _move_to(moment, index, "neighbour", _moves(moment, index, 1))


def _octave(moment: _Moment, index: int) -> list[Change]:
    lens, before = moment.lens, moment.steps[index]
    tone, base = lens.table[before.pitch], lens.base(before)
    inside = [target for target in (tone + 12, tone - 12) if lens.low <= target <= lens.high]
    return _move_to(moment, index, "octave", [target for target in inside if target != base])


def _move_to(moment: _Moment, index: int, kind: str, targets: Sequence[int]) -> list[Change]:
    if not targets:
        return []
    before = moment.steps[index]
    return [Change(index, kind, before, before._replace(pitch=moment.pick(targets), free=False))]


def _swap(moment: _Moment, index: int) -> list[Change]:
    # What a free step gives is the tone nearest to it: the step that gets it is not free.
    tones = {other: moment.lens.table[moment.steps[other].pitch] for other in moment.pool}
    partners = [other for other in moment.pool if tones[other] != tones[index]]

    def swapped(step: Step, other: Step) -> Step:
        return step._replace(pitch=moment.lens.table[other.pitch], free=False)

    return _exchange(moment, index, "swap", partners, swapped)


def _rest(moment: _Moment, index: int) -> list[Change]:
    chance, steps = moment.chances.rest_chance, moment.steps
    if steps[index].rhythm != BY_CHANCE:
        return []
    heard = is_heard(steps[index], chance)
    partners = [
        other for other in moment.pool if steps[other].rhythm == BY_CHANCE and is_heard(steps[other], chance) != heard
    ]
    return _exchange(moment, index, "rest", partners, lambda step, other: step._replace(rest=other.rest))


def _accent(moment: _Moment, index: int) -> list[Change]:
    chance, steps = moment.chances.accent_chance, moment.steps
    if steps[index].accented != BY_CHANCE:
        return []
    accented = is_accented(steps[index], chance)
    partners = [
        other
        for other in moment.pool
        if steps[other].accented == BY_CHANCE and is_accented(steps[other], chance) != accented
    ]
    return _exchange(moment, index, "accent", partners, lambda step, other: step._replace(accent=other.accent))


def _exchange(
    moment: _Moment, index: int, kind: str, partners: Sequence[int], mix: Callable[[Step, Step], Step]
) -> list[Change]:
    """Return the two changes of an exchange with one of the partners, or none."""
    if not partners:
        return []
    partner = moment.pick(partners)
    here, there = moment.steps[index], moment.steps[partner]
    return [
        Change(index, kind, here, mix(here, there), partner),
        Change(partner, kind, there, mix(there, here), index),
    ]


def _velocity(moment: _Moment, index: int) -> list[Change]:
    before, roll = moment.steps[index], moment.number(_VELOCITY)
    after = without_forced_velocity(before)._replace(velocity=roll)
    return [] if after == before else [Change(index, "velocity", before, after)]


_MAKERS: dict[str, Callable[[_Moment, int], list[Change]]] = dict(
    zip(KINDS, (_substitute, _neighbour, _swap, _octave, _rest, _accent, _velocity), strict=True)
)
