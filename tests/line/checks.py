"""What every mutation must obey, as functions, so that a deliberately broken `mutate` can be passed in."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from replank.line.chance import MUTATE, Numbers
from replank.line.lenses import Lens, reflect
from replank.line.mutation import HOME, KINDS, PITCH_KINDS, Chances, Change, is_accented, is_heard
from replank.line.steps import BY_CHANCE, Step, same_music

Mutate = Callable[[Sequence[Step], Sequence[Step], Sequence[int], Lens, Chances, Numbers], list[Change]]
HAND_MARKS = ("rhythm", "accented", "linked", "pinned", "ratchet", "pass_number", "pass_of")
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


def applied(steps: Sequence[Step], changes: Sequence[Change]) -> list[Step]:
    """Return the steps after the changes."""
    now = list(steps)
    for change in changes:
        now[change.index] = change.after
    return now


def check_moment(
    mutate: Mutate, steps: Sequence[Step], home: Sequence[Step], candidates: Sequence[int], lens: Lens,
    chances: Chances, numbers: Numbers,
) -> list[Change]:  # fmt: skip
    """Run one mutation moment and hold it to every rule; return its changes."""
    before = tuple(steps)
    changes = mutate(steps, home, candidates, lens, chances, numbers)
    assert tuple(steps) == before, "mutate must not write into the line it was given"
    now, chosen = list(steps), 0
    for change in _with_pairs(changes):
        chosen += change[0].kind not in EXCHANGES or len(change) == 2
        for one in change:
            assert one.index in candidates, f"step {one.index} is no candidate"
            assert not steps[one.index].pinned, f"step {one.index} is pinned"
            assert one.before == now[one.index], "a change must begin where the one before it ended"
            assert one.before != one.after, "a change that changes nothing was reported"
            _check_marks(one)
            _check_kind(one, now, home, lens, chances)
        if len(change) == 2:
            _check_exchange(*change)
        for one in change:
            now[one.index] = one.after
    assert chosen <= chances.count
    for index in {change.index for change in changes}:
        assert now[index] != steps[index], "changes that come to nothing were reported"
    if chances.count <= 1:
        assert sum(change.kind in EXCHANGES for change in changes) in (0, 2), "an exchange has two sides"
    return changes


def _with_pairs(changes: Sequence[Change]) -> Iterator[list[Change]]:
    """Yield single changes, and the two sides of an exchange together."""
    left = list(changes)
    while left:
        first = left.pop(0)
        if first.kind in EXCHANGES and left and (left[0].kind, left[0].index) == (first.kind, first.partner):
            yield [first, left.pop(0)]
        else:
            yield [first]


def _check_marks(change: Change) -> None:
    changed = {name for name in Step._fields if getattr(change.before, name) != getattr(change.after, name)}
    assert not changed & set(HAND_MARKS), f"{change.kind} changed what only a hand may: {changed}"
    assert changed <= MAY_CHANGE[change.kind], f"{change.kind} changed {changed}"


def _check_kind(change: Change, now: Sequence[Step], home: Sequence[Step], lens: Lens, chances: Chances) -> None:
    before, after = change.before, change.after
    if change.kind == HOME:
        assert same_music(after, home[change.index])
        return
    assert chances.weights[KINDS.index(change.kind)] > 0, f"{change.kind} has no weight"
    if change.kind in PITCH_KINDS:
        check_in_key(after, lens)
        assert not after.free
        assert lens.base(before) != after.pitch or (before.free and change.kind in EXCHANGES)
    base, tones = lens.base(before), lens.tones
    place = lens.degree_index(base)
    if change.kind in ("substitute", "neighbour"):
        leap = chances.leap if change.kind == "substitute" else 1
        near = {reflect(place + way * size, len(tones)) for size in range(1, leap + 1) for way in (1, -1)}
        assert tones.index(after.pitch) in near, "moved further than leap"
    if change.kind == "octave":
        assert abs(after.pitch - lens.table[before.pitch]) == 12
    if change.kind == "rest":
        assert before.rhythm == after.rhythm == BY_CHANCE
        assert is_heard(before, chances.rest_chance) != is_heard(after, chances.rest_chance)
    if change.kind == "accent":
        assert before.accented == after.accented == BY_CHANCE
        assert is_accented(before, chances.accent_chance) != is_accented(after, chances.accent_chance)
    if change.kind in EXCHANGES:
        assert change.partner != change.index


def _check_exchange(one: Change, other: Change) -> None:
    assert (one.partner, other.partner) == (other.index, one.index)
    if one.kind == "swap":
        return  # pitches are compared by check_swap_keeps_pitches, since a free step gives its nearest tone
    name = EXCHANGES[one.kind]
    assert getattr(one.after, name) == getattr(other.before, name)
    assert getattr(other.after, name) == getattr(one.before, name)


def check_in_key(step: Step, lens: Lens) -> None:
    """Assert that a step's stored pitch is a scale tone inside the register."""
    assert lens.low <= step.pitch <= lens.high, f"{step.pitch} is outside the register {lens.low} to {lens.high}"
    offset = (step.pitch - lens.root) % 12
    assert offset in lens.scale.offsets, f"{step.pitch} is not in the scale"


def check_swap_keeps_pitches(mutate: Mutate, steps: Sequence[Step], lens: Lens, moments: int) -> None:
    """Assert that swaps alone never change which pitches the line has, nor its rhythm."""
    chances = Chances(1, only("swap"), 3, 0.0, 0.2, 0.2)
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
    chances = Chances(count, (3.0, 4.0, 1.0, 1.0, 1.0, 1.0, 1.0), 14, 0.0, 0.2, 0.2)
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
