"""Mutation: the changes of a line, one step at a time.

A mutation starts from what sounds and stores the new tone.  Every random
number has a fixed place, so that a chance knob that was moved shifts nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from replank.line.chance import Numbers
from replank.line.draft import Draft
from replank.line.fit import pick
from replank.line.heard import is_accented, is_heard
from replank.line.kinds import HOME, HOMING, KIND, KINDS, MAKERS, SLOTS, Chances, Turn, go_home
from replank.line.lenses import Lens
from replank.line.steps import BY_CHANCE, REST, Change, Step


def mutate(
    steps: Sequence[Step],
    home: Sequence[Step],
    candidates: Collection[int],
    lens: Lens,
    chances: Chances,
    numbers: Numbers,
    first_turn: int = 0,
) -> list[Change]:
    """Return the changes of one mutation moment, in the order in which to apply them.

    `count` distinct candidates are chosen uniformly.  With chance `homing` a
    chosen step becomes its home form (nothing, if it is at home while others
    are away); else a kind is drawn by weight, without replacement until one
    can change something.  A later change sees the earlier ones.

    Args:
        steps: The played line.
        home: Its home, at least as many steps.
        candidates: Indices, counted from 0, that may change; pinned ones among
            them are passed over.
        lens: Root, scale and register.
        chances: The settings.
        numbers: `SLOTS` a chosen step, from its present slot, are read.
        first_turn: The number of the first chosen step's turn.
    """
    first = numbers.slot
    numbers.slot = first + SLOTS * chances.count
    pool = sorted({index for index in candidates if not steps[index].pinned})
    left = list(pool)
    changes: list[Change] = []
    if not left:
        return changes
    draft = Draft(steps, home, lens, chances.rest_chance, chances.fit)
    for number in range(min(chances.count, len(pool))):
        turn = Turn(draft, chances, numbers, first + SLOTS * number, pool)
        turn.choose(left)
        draft.begin()
        kind = _take_turn(turn, pool)
        if draft.was:
            changes += turn.changes(kind, first_turn + number)
    return changes


def may_change(step: Step) -> bool:
    """Tell whether mutation may ever touch a step: not where it is pinned or always rests."""
    return not step.pinned and step.rhythm != REST


def possible_kinds(lens: Lens, chances: Chances, steps: Sequence[Step] | int) -> tuple[float, ...]:
    """Return for each of `KINDS` the share of the steps, 0 to 1, on which it can be made.

    A kind that cannot be made hands its weight to the others.

    Args:
        lens: Root, scale and register.
        chances: The settings.
        steps: The steps that may change; or how many of a line that is drawn,
            each tone of the register being as likely, its rolls lying by rank.
    """
    count, octave = len(lens.tones), len(lens.scale.offsets)
    if isinstance(steps, int):
        places = list(range(count))
        swaps = float(steps > 1 and count > 1)
        rests, accents = (_split(steps, chance) for chance in (chances.rest_chance, chances.accent_chance))
    else:
        places = [lens.degree_index(lens.base(step)) for step in steps]
        swaps = float(len(set(places)) > 1)
        rests = _mixed([is_heard(step, chances.rest_chance) for step in steps if step.rhythm == BY_CHANCE], steps)
        accents = _mixed(
            [is_accented(step, chances.accent_chance) for step in steps if step.accented == BY_CHANCE], steps
        )
    jumps = len([place for place in places if place >= octave or place + octave < count]) / max(1, len(places))
    moves = float(count > 1)
    return moves, moves, swaps, jumps, rests, accents, 1.0


def alike_twins(steps: Sequence[Step], home: Sequence[Step], lens: Lens) -> float:
    """Return the mean number of twins of a step that stand to it as their home forms do."""
    draft = Draft(steps, home, lens, 0.0, 0.0)
    able = range(len(steps))
    pairs = [1 for index in able for twin in draft.twins(index, able) if draft.is_alike(index, twin)]
    return len(pairs) / max(1, len(steps))


def _split(count: int, chance: float) -> float:
    """Return how sure it is that of so many steps by rank a chance takes some and leaves some."""
    return min(1.0, count * chance, count * (1.0 - chance)) if count > 1 else 0.0


def _mixed(states: Sequence[bool], steps: Sequence[Step]) -> float:
    """Return the share of the steps that are in two states by chance; 0 where all are in one."""
    return len(states) / len(steps) if len(set(states)) > 1 else 0.0


def sparing(changes: Sequence[Change], indexes: Collection[int]) -> list[Change]:
    """Return the changes without the turns that touch some steps and without what hangs on these.

    For steps that a hand edits or pins after a mutation was decided: all that
    one chosen step brought about goes together, and with it what came after
    it on the same steps.

    Args:
        changes: What `mutate` returned.
        indexes: Steps to be left alone, counted from 0.
    """
    spared, kept = set(indexes), []
    for turn in by_turn(changes):
        touched = {change.index for change in turn}
        if touched & spared:
            spared |= touched
        else:
            kept += turn
    return kept


def by_turn(changes: Sequence[Change]) -> Iterator[list[Change]]:
    """Yield the changes of each turn together."""
    turn: list[Change] = []
    for change in changes:
        if turn and change.turn != turn[0].turn:
            yield turn
            turn = []
        turn.append(change)
    if turn:
        yield turn


def homed(step: Step, home: Step) -> Step:
    """Return a step with its home's pitch, freedom, rolls and forced velocity; what else a hand set stays."""
    return step._replace(
        pitch=home.pitch, free=home.free, rest=home.rest, accent=home.accent, velocity=home.velocity, link=home.link,
        forced_velocity=home.forced_velocity,
    )  # fmt: skip


def _take_turn(turn: Turn, pool: Sequence[int]) -> str:
    """Change the draft by what the chosen step brings about; return the kind."""
    draft, chances = turn.draft, turn.chances
    if turn.number(HOMING) < chances.homing and (
        chances.homing >= 1.0 or not all(draft.is_home(index) for index in pool)
    ):
        go_home(turn)
        return HOME
    left = [(weight, kind) for weight, kind in zip(chances.weights, KINDS, strict=True) if weight > 0]
    tried = 0
    while left:
        kind = left.pop(pick([weight for weight, _ in left], turn.number(KIND + tried)))[1]
        if MAKERS[kind](turn):
            if not draft.was or not draft.is_poorer():
                return kind
            draft.take_back()
        turn.follows, turn.partner = {}, -1
        tried += 1
    return ""
