"""What every mutation must obey, as functions, so that a deliberately broken `mutate` can be passed in."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from replank.line.chance import MUTATE, Numbers
from replank.line.heard import is_accented, is_heard
from replank.line.kinds import HOME, KINDS, PITCH_KINDS, Chances
from replank.line.lenses import Lens
from replank.line.mutation import by_turn
from replank.line.steps import BY_CHANCE, Change, Step, same_music

Mutate = Callable[[Sequence[Step], Sequence[Step], Sequence[int], Lens, Chances, Numbers], list[Change]]
HAND_MARKS = ("rhythm", "accented", "linked", "pinned", "ratchet", "pass_number", "pass_of", "twin")
EXCHANGES = {"swap": "pitch", "rest": "rest", "accent": "accent"}
MAY_CHANGE = {
    "substitute": {"pitch", "free", "rest", "accent", "velocity", "forced_velocity"},
    "neighbour": {"pitch", "free"},
    "swap": {"pitch", "free"},
    "octave": {"pitch", "free"},
    "rest": {"rest"},
    "accent": {"accent"},
    "velocity": {"velocity", "forced_velocity"},
    HOME: {"pitch", "free", "rest", "accent", "velocity", "link", "forced_velocity"},
}
FOLLOWS = {**MAY_CHANGE, "substitute": {"rest", "accent"}, HOME: {"rest", "accent"}}
ECHOES = {**MAY_CHANGE, "substitute": {"pitch", "free", "rest", "accent"}}


def applied(steps: Sequence[Step], changes: Sequence[Change]) -> list[Step]:
    """Return the steps after the changes."""
    now = list(steps)
    for change in changes:
        now[change.index] = change.after
    return now


def rolls(steps: Sequence[Step]) -> tuple[list[float], list[float]]:
    """Return the sorted rest and accent rolls of the steps that are not pinned."""
    able = [step for step in steps if not step.pinned]
    return sorted(step.rest for step in able), sorted(step.accent for step in able)


def check_moment(
    mutate: Mutate, steps: Sequence[Step], home: Sequence[Step], candidates: Sequence[int], lens: Lens,
    chances: Chances, numbers: Numbers,
) -> list[Change]:  # fmt: skip
    """Run one mutation moment and hold it to every rule; return its changes."""
    before = tuple(steps)
    changes = mutate(steps, home, candidates, lens, chances, numbers)
    assert tuple(steps) == before, "mutate must not write into the line it was given"
    now, chosen = list(steps), set()
    for turn in by_turn(changes):
        chosen.add(turn[0].index)
        assert len({change.index for change in turn}) == len(turn), "a step was reported twice"
        assert len({change.kind for change in turn}) == 1
        for one in turn:
            assert one.index in candidates or (one.kind == HOME and one is not turn[0] and not one.echo), (
                f"step {one.index} is no candidate"
            )
            assert not steps[one.index].pinned, f"step {one.index} is pinned"
            assert one.before == now[one.index], "a change must begin where the one before it ended"
            assert one.before != one.after, "a change that changes nothing was reported"
            assert one.partner == -1 or one.partner != one.index
            _check_marks(one, one is turn[0])
            if one.kind == HOME and (one.echo or one is turn[0]):
                assert same_music(one.after, home[one.index])
        _check_turn(turn, now, lens, chances)
        after = applied(now, turn)
        if turn[0].kind != HOME:
            assert rolls(after) == rolls(now), "a rest or accent roll was thrown anew"
            check_not_poorer(now, after, lens, chances.rest_chance)
        now = after
    assert len(chosen) <= chances.count
    return changes


def check_not_poorer(before: Sequence[Step], after: Sequence[Step], lens: Lens, rest_chance: float) -> None:
    """Assert that a mutation has not left too little of a melody."""
    old, new = ([lens.base(step) for step in line if is_heard(step, rest_chance)] for line in (before, after))
    if not old or not new:
        return
    fewer = len(set(new)) < len(set(old)) and len(set(new)) < min(4, (len(new) + 1) // 2)
    most = [max(map(notes.count, notes)) / len(notes) for notes in (old, new)]
    assert not fewer, f"{len(set(new))} pitches are left"
    assert not (most[1] > most[0] and most[1] > 0.5), "one pitch has most of the steps"


def _check_marks(change: Change, is_first: bool) -> None:
    changed = {name for name in Step._fields if getattr(change.before, name) != getattr(change.after, name)}
    assert not changed & set(HAND_MARKS), f"{change.kind} changed what only a hand may: {changed}"
    allowed = MAY_CHANGE if is_first else ECHOES if change.echo else FOLLOWS
    assert changed <= allowed[change.kind], f"{change.kind} changed {changed}"


def _check_turn(turn: Sequence[Change], now: Sequence[Step], lens: Lens, chances: Chances) -> None:
    first, tones = turn[0], lens.tones
    if first.kind == HOME:
        return
    assert chances.weights[KINDS.index(first.kind)] > 0, f"{first.kind} has no weight"
    amounts: dict[int, int] = {}
    for change in turn:
        if change.before.pitch == change.after.pitch and change.before.free == change.after.free:
            continue
        check_in_key(change.after, lens)
        assert not change.after.free
        amounts[change.index] = tones.index(change.after.pitch) - lens.degree_index(lens.base(change.before))
        if change.echo and change.partner in amounts:
            assert amounts[change.index] == amounts[change.partner], "a twin did not move along"
    if first.kind in PITCH_KINDS:
        assert amounts[first.index], "what sounds did not change"
    leap = {"substitute": chances.leap, "neighbour": 1}.get(first.kind)
    assert leap is None or abs(amounts[first.index]) <= leap, "moved further than leap"
    if first.kind == "octave":
        assert abs(amounts[first.index]) == len(lens.scale.offsets)
        assert abs(first.after.pitch - tones[lens.degree_index(lens.base(first.before))]) == 12
    if first.kind in EXCHANGES:
        assert len(turn) >= 2, "an exchange has two sides"
        other = turn[1]
        assert (first.partner, other.partner) == (other.index, first.index)
        shows = {"rest": (is_heard, chances.rest_chance), "accent": (is_accented, chances.accent_chance)}
        if first.kind in shows:
            assert len(turn) == 2
            tells, chance = shows[first.kind]
            assert tells(first.before, chance) != tells(other.before, chance)
            states = ("rhythm", "rhythm") if first.kind == "rest" else ("accented", "accented")
            assert getattr(first.before, states[0]) == getattr(other.before, states[1]) == BY_CHANCE


def check_in_key(step: Step, lens: Lens) -> None:
    """Assert that a step's stored pitch is a scale tone inside the register."""
    assert lens.low <= step.pitch <= lens.high, f"{step.pitch} is outside the register {lens.low} to {lens.high}"
    offset = (step.pitch - lens.root) % 12
    assert offset in lens.scale.offsets, f"{step.pitch} is not in the scale"


def check_swap_keeps_pitches(mutate: Mutate, steps: Sequence[Step], lens: Lens, moments: int) -> None:
    """Assert that swaps alone never change which pitches the line has, nor its rhythm."""
    chances = Chances(1, only("swap"), 3, 0.0, 0.2, 0.2, 1.0)
    now, made = list(steps), 0
    for moment in range(moments):
        changes = check_moment(mutate, now, steps, range(len(steps)), lens, chances, Numbers(5, MUTATE, moment))
        made += len(changes)
        now = applied(now, changes)
        assert sorted(map(lens.base, now)) == sorted(map(lens.base, steps)), "a swap lost a pitch"
        assert [step._replace(pitch=0) for step in now] == [step._replace(pitch=0) for step in steps]
    assert made, "no swap was made"


def check_rests_keep_density(mutate: Mutate, steps: Sequence[Step], lens: Lens, moments: int) -> None:
    """Assert that rest and accent exchanges keep how many steps are heard and accented."""
    chances = Chances(1, only("rest", "accent"), 3, 0.0, 0.4, 0.3)

    def density(line: Sequence[Step]) -> tuple[int, int]:
        return sum(is_heard(step, 0.4) for step in line), sum(is_accented(step, 0.3) for step in line)

    now, made = list(steps), 0
    for moment in range(moments):
        changes = check_moment(mutate, now, steps, range(len(steps)), lens, chances, Numbers(6, MUTATE, moment))
        made += len(changes)
        now = applied(now, changes)
        assert density(now) == density(steps), "the density changed"
    assert made, "no exchange was made"


def check_pins(mutate: Mutate, steps: Sequence[Step], lens: Lens, moments: int) -> None:
    """Assert that pinned steps and steps that are no candidates outlast full mutation untouched."""
    pinned = [step._replace(pinned=index % 3 == 0) for index, step in enumerate(steps)]
    candidates = range(len(steps) // 2)
    chances = Chances(16, (1.0,) * len(KINDS), 14, 0.3, 0.4, 0.4)
    now = list(pinned)
    for moment in range(moments):
        now = applied(now, mutate(now, pinned, candidates, lens, chances, Numbers(7, MUTATE, moment)))
        for index, step in enumerate(now):
            if index not in candidates or step.pinned:
                assert step == pinned[index], f"step {index} was protected"
    assert now != pinned


def check_stays_in_key(
    mutate: Mutate, steps: Sequence[Step], lens: Lens, cycles: int, count: int, each: Callable[[list[Step]], None]
) -> None:
    """Assert that no stored pitch leaves register or scale over many cycles at full mutation.

    `each` is called with the line after every cycle.
    """
    chances = Chances(count, (3.0, 4.0, 1.0, 0.3, 1.0, 1.0, 1.0), 14, 0.0, 0.2, 0.2)
    now = list(steps)
    candidates = range(len(steps))
    inside = frozenset(lens.tones)
    for cycle in range(cycles):
        for change in mutate(now, steps, candidates, lens, chances, Numbers(8, MUTATE, cycle)):
            now[change.index] = change.after
            if change.after.pitch not in inside:
                check_in_key(change.after, lens)
        each(now)


def only(*kinds: str) -> tuple[float, ...]:
    """Return weights with which only the named kinds are drawn."""
    return tuple(1.0 if kind in kinds else 0.0 for kind in KINDS)
