"""Deliberately broken mutations, each of which a check must refuse."""

from __future__ import annotations

from replank.line.lenses import lens_for
from replank.line.mutation import by_turn, mutate
from replank.line.steps import Change


def register_ignored(steps, home, candidates, lens, chances, numbers):
    """Mutate as though the register reached over all notes."""
    return mutate(steps, home, candidates, lens_for(lens.root, lens.scale, 0, 127), chances, numbers)


def scale_ignored(steps, home, candidates, lens, chances, numbers):
    """Mutate, and put one tone in fifty a semitone beside the scale."""
    made = mutate(steps, home, candidates, lens, chances, numbers)
    return [
        change._replace(after=change.after._replace(pitch=change.after.pitch - 1))
        if change.kind == "neighbour" and numbers.at(900 + change.index) < 0.02
        else change
        for change in made
    ]


def swap_that_copies(steps, home, candidates, lens, chances, numbers):
    """Mutate, but of a swap only one step takes the other's pitch."""
    made = mutate(steps, home, candidates, lens, chances, numbers)
    return [change for turn in by_turn(made) for change in (turn[:1] if turn[0].kind == "swap" else turn)]


def pins_ignored(steps, home, candidates, lens, chances, numbers):
    """Mutate pinned candidates too."""
    loose = [step._replace(pinned=False) for step in steps]
    return [
        change._replace(
            before=change.before._replace(pinned=steps[change.index].pinned),
            after=change.after._replace(pinned=steps[change.index].pinned),
        )
        for change in mutate(loose, home, candidates, lens, chances, numbers)
    ]


def candidates_ignored(steps, home, candidates, lens, chances, numbers):
    """Mutate any step, whether it was played or not."""
    return mutate(steps, home, range(len(steps)), lens, chances, numbers)


def nothing_reported_as_change(steps, home, candidates, lens, chances, numbers):
    """Report a homing of a step that is at home."""
    made = mutate(steps, home, candidates, lens, chances, numbers)
    return made or [Change(candidates[0], "home", steps[candidates[0]], steps[candidates[0]])]


def first_half_preferred(steps, home, candidates, lens, chances, numbers):
    """Leave the last candidate out, so that the choice is not uniform."""
    return mutate(steps, home, list(candidates)[:-1], lens, chances, numbers)


def homing_forgotten(steps, home, candidates, lens, chances, numbers):
    """Never go home."""
    return mutate(steps, home, candidates, lens, chances._replace(homing=0.0), numbers)


def rest_by_one(steps, home, candidates, lens, chances, numbers):
    """Mutate, but a rest exchange gives the heard step's roll to nobody."""
    made = mutate(steps, home, candidates, lens, chances, numbers)
    return [change for turn in by_turn(made) for change in (turn[:1] if turn[0].kind == "rest" else turn)]


def rolls_thrown_anew(steps, home, candidates, lens, chances, numbers):
    """Mutate, but a substitute gets a fresh rest roll instead of another step's."""
    made = mutate(steps, home, candidates, lens, chances, numbers)
    return [
        change._replace(after=change.after._replace(rest=numbers.at(900)))
        if change.kind == "substitute" and change.partner < 0
        else change
        for change in made
    ]


def echo_moves_pinned(steps, home, candidates, lens, chances, numbers):
    """Mutate, and let an echo reach pinned twins too."""
    made = mutate(steps, home, candidates, lens, chances, numbers)
    for change in list(made):
        if change.kind not in ("neighbour", "substitute") or change.partner >= 0 or not change.before.twin:
            continue
        for index, step in enumerate(steps):
            if step.pinned and step.twin == change.before.twin:
                after = step._replace(pitch=change.after.pitch)
                made += [Change(index, change.kind, step, after, change.index, change.turn, True)]
    return made
