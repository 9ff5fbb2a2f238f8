"""The kinds of mutation: what one chosen step, with whoever takes part, does to the line.

One function of the draft exchanges rolls and one moves steps together; nothing
else here writes a rest, an accent or a pitch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from replank.line.chance import Numbers
from replank.line.draft import Draft
from replank.line.fit import pick
from replank.line.heard import is_accented, is_heard
from replank.line.steps import BY_CHANCE, STEPS, Change, Step, without_forced_velocity

KINDS = ("substitute", "neighbour", "swap", "octave", "rest", "accent", "velocity")
"""Mutation kinds, in the order of their weights."""
PITCH_KINDS = frozenset(("substitute", "neighbour", "swap", "octave"))
"""The kinds that change a pitch, and take `free` from the steps that they touch."""
HOME = "home"
"""The kind of a change that restored a step to its home form."""

SLOTS = 24
"""Numbers that each chosen step has for itself."""
_CHOICE, _ANCHOR, _ECHO, HOMING, KIND = range(5)
_SUBSTITUTE, _NEIGHBOUR, _SWAP, _OCTAVE, _VELOCITY = range(KIND + len(KINDS), KIND + len(KINDS) + 5)
# of an exchange the partner, and after it whether the exchange is made
_REST, _ACCENT, _WITH_REST, _WITH_ACCENT = 16, 18, 20, 22


class Chances(NamedTuple):
    """The settings that a mutation moment reads.

    Attributes:
        count: Distinct steps that mutate, at least 0.
        weights: One number of at least 0 for each of `KINDS`, in that order.
        leap: The largest move of a substitution, in degrees, 1 to 14.
        homing: Chance in [0, 1] that a chosen step becomes its home form.
        rest_chance: Steps by chance are silent when their roll is below it.
        accent_chance: Steps by chance are accented when their roll is below it.
        fit: How much the neighbours choose a new tone, 0 to 1.
        motif: Chance in [0, 1] that the twins of a step move along.
        anchor: Chance in [0, 1] that step 1 is left out where it sounds the root.
        metre: m of each step, by which exchanges favour strong places; from
            `metre.exchange_weights`.
    """

    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody calls on settings
    weights: tuple[float, ...]
    leap: int
    homing: float
    rest_chance: float
    accent_chance: float
    fit: float = 0.0
    motif: float = 0.0
    anchor: float = 0.0
    metre: tuple[float, ...] = (1.0,) * STEPS


class Turn:
    """One chosen step: the line so far, who may take part, its numbers, and what came of it."""

    __slots__ = ("_numbers", "_slot", "able", "chances", "draft", "follows", "index", "is_echoed", "partner")

    def __init__(self, draft: Draft, chances: Chances, numbers: Numbers, slot: int, able: Sequence[int]) -> None:
        self.draft = draft
        self.chances = chances
        self.able = able
        self.index = self.partner = -1
        self._numbers, self._slot = numbers, slot
        self.is_echoed = self.number(_ECHO) < chances.motif
        self.follows: dict[int, tuple[int, bool]] = {}  # of each other step the one that it follows, and if as a twin

    def number(self, slot: int) -> float:
        return self._numbers.at(self._slot + slot)

    def choose(self, left: list[int]) -> None:
        """Choose the step among those that are left, and take it off the list."""
        draft, options = self.draft, left
        if (
            self.able[0] == 0
            and draft.heard[0]
            and draft.lens.base(draft.steps[0]) % 12 == draft.lens.root
            and self.number(_ANCHOR) < self.chances.anchor
        ):
            out = {0, *self.twins(0)}
            others = [index for index in left if index not in out]
            if others:
                options, self.able = others, [index for index in self.able if index not in out]
        self.index = options[int(self.number(_CHOICE) * len(options))]
        left.remove(self.index)

    def twins(self, index: int) -> list[int]:
        """Return the twins that move along with a step: those still alike."""
        draft = self.draft
        if not self.is_echoed:
            return []
        return [twin for twin in draft.twins(index, self.able) if draft.is_alike(index, twin)]

    def changes(self, kind: str, turn: int) -> Iterator[Change]:
        """Yield what has come of it, the chosen step first, then its partner."""
        draft = self.draft
        order = sorted(draft.was, key=lambda index: (index != self.index, index != self.partner, index))
        for index in order:
            before, after = draft.was[index], draft.steps[index]
            if before != after:
                followed, is_echo = self.follows.get(index, (self.partner, False))
                yield Change(index, kind, before, after, followed, turn, is_echo)


def go_home(turn: Turn) -> None:
    """Make the step, and its twins where they are echoed, their home forms."""
    draft, index = turn.draft, turn.index
    if draft.is_home(index):
        return
    # all twins, so that a motif that has come apart stands together again
    twins = draft.twins(index, turn.able) if turn.is_echoed else []
    turn.follows.update((twin, (index, True)) for twin in twins)
    together = [index, *twins]
    draft.move((one, draft.home[one].pitch, draft.home[one].free) for one in together)
    for one in together:
        home = draft.home[one]
        for name in ("rest", "accent"):
            if getattr(draft.steps[one], name) != getattr(home, name):
                other = draft.holder(name, one)
                turn.follows.setdefault(other, (one, False))
                draft.exchange(name, one, getattr(home, name), other)
        step = draft.steps[one]._replace(velocity=home.velocity, forced_velocity=home.forced_velocity, link=home.link)
        draft.put(one, step)


def _with_twins(turn: Turn, index: int) -> list[int]:
    """Return a step and the twins that move along with it, these noted as following it."""
    twins = turn.twins(index)
    turn.follows.update((twin, (index, True)) for twin in twins)
    return [index, *twins]


def _move_by(turn: Turn, slot: int, amounts: Sequence[int]) -> bool:
    """Move the step and its twins by one of the amounts, in degrees, chosen by fit; False where all lead outside."""
    draft = turn.draft
    together = _with_twins(turn, turn.index)
    places = [draft.places[index] for index in together]
    low, high, count = min(places), max(places), len(draft.lens.tones)
    able = [amount for amount in amounts if low + amount >= 0 and high + amount < count]
    if not able:
        return False
    stands = [{index: place + amount for index, place in zip(together, places, strict=True)} for amount in able]
    chosen = stands[pick([draft.fit(moved) for moved in stands], turn.number(slot))]
    draft.move((index, draft.lens.tones[place], False) for index, place in chosen.items())
    return True


def _substitute(turn: Turn) -> bool:
    draft, index, leap = turn.draft, turn.index, turn.chances.leap
    if not _move_by(turn, _SUBSTITUTE, [*range(-leap, 0), *range(1, leap + 1)]):
        return False
    _revoice(turn)
    for name, state, slot in (("rest", "rhythm", _WITH_REST), ("accent", "accented", _WITH_ACCENT)):
        if getattr(draft.steps[index], state) == BY_CHANCE:
            others = [one for one in turn.able if one != index and getattr(draft.steps[one], state) == BY_CHANCE]
            other = _exchanged(turn, name, others, slot)
            turn.follows.setdefault(other, (index, False))
    return True


def _neighbour(turn: Turn) -> bool:
    return _move_by(turn, _NEIGHBOUR, (-1, 1))


def _octave(turn: Turn) -> bool:
    octave = len(turn.draft.lens.scale.offsets)
    return _move_by(turn, _OCTAVE, (-octave, octave))


def _swap(turn: Turn) -> bool:
    draft, places, count = turn.draft, turn.draft.places, len(turn.draft.lens.tones)
    here = [turn.index, *turn.twins(turn.index)]
    options: list[tuple[int, dict[int, int]]] = []
    for other in turn.able:
        away = places[other] - places[turn.index]
        if not away or other in here:
            continue
        moved = {index: places[index] + away for index in here}
        moved.update((index, places[index] - away) for index in (other, *turn.twins(other)))
        if all(0 <= place < count for place in moved.values()):
            options.append((other, moved))
    if not options:
        return False
    other, moved = options[pick([draft.fit(moved) for _, moved in options], turn.number(_SWAP))]
    _with_twins(turn, turn.index)
    _with_twins(turn, other)
    turn.partner = other
    turn.follows[other] = turn.index, False
    draft.move((index, draft.lens.tones[place], False) for index, place in moved.items())
    return True


def _rest(turn: Turn) -> bool:
    return _trade(turn, "rest", "rhythm", is_heard, turn.chances.rest_chance, _REST)


def _accent(turn: Turn) -> bool:
    return _trade(turn, "accent", "accented", is_accented, turn.chances.accent_chance, _ACCENT)


def _trade(
    turn: Turn, name: str, state: str, shows: Callable[[Step, float], bool], chance: float, slot: int
) -> bool:  # fmt: skip
    """Exchange a roll with a step on which it shows otherwise; False where there is none."""
    steps = turn.draft.steps
    if getattr(steps[turn.index], state) != BY_CHANCE:
        return False
    here = shows(steps[turn.index], chance)
    others = [one for one in turn.able if getattr(steps[one], state) == BY_CHANCE and shows(steps[one], chance) != here]
    if not others:
        return False
    other = _exchanged(turn, name, others, slot)
    if other >= 0:
        turn.partner = other
        turn.follows[other] = turn.index, False
    return True


def _exchanged(turn: Turn, name: str, others: Sequence[int], slot: int) -> int:
    """Exchange a roll with one of the others, as strong places allow; return which, -1 for none."""
    if not others:
        return -1
    draft, index = turn.draft, turn.index
    other = others[int(turn.number(slot) * len(others))]
    mine, roll = getattr(draft.steps[index], name), getattr(draft.steps[other], name)
    # the higher rest roll sounds longer as the chance rises, the lower accent roll is accented sooner
    gains, loses = (index, other) if (roll > mine) == (name == "rest") else (other, index)
    metre = turn.chances.metre
    if turn.number(slot + 1) * metre[loses] >= metre[gains]:
        return -1
    draft.exchange(name, index, roll, other)
    return other


def _velocity(turn: Turn) -> bool:
    _revoice(turn)
    return turn.draft.was[turn.index] != turn.draft.steps[turn.index]


def _revoice(turn: Turn) -> None:
    """Give the step a new velocity roll, which ends a forced velocity."""
    draft, index = turn.draft, turn.index
    draft.put(index, without_forced_velocity(draft.steps[index])._replace(velocity=turn.number(_VELOCITY)))


MAKERS: dict[str, Callable[[Turn], bool]] = dict(
    zip(KINDS, (_substitute, _neighbour, _swap, _octave, _rest, _accent, _velocity), strict=True)
)
"""Each changes the draft and tells whether it could; a drawn exchange that strong places forbid counts as done."""
