"""What of a step is heard, and the words that tell people about a change."""

from __future__ import annotations

from replank.line.lenses import Lens
from replank.line.pitch import note_name
from replank.line.steps import BY_CHANCE, LINK_BY_CHANCE, LINK_NONE, LINK_SLIDE, SOUND, Change, Step


def is_heard(step: Step, rest_chance: float) -> bool:
    """Tell whether a step sounds, its pass and reroll aside."""
    if step.rhythm == BY_CHANCE:
        return step.rest >= rest_chance
    return step.rhythm == SOUND


def is_accented(step: Step, accent_chance: float) -> bool:
    """Tell whether a step is accented where it sounds."""
    if step.accented == BY_CHANCE:
        return step.accent < accent_chance
    return step.accented == SOUND


def link_of(step: Step, slide_chance: float) -> int:
    """Return LINK_NONE, LINK_SLIDE or LINK_TIE."""
    if step.linked == LINK_BY_CHANCE:
        return LINK_SLIDE if step.link < slide_chance else LINK_NONE
    return step.linked


def velocity_roll_of(step: Step) -> float:
    """Return the roll that a velocity controller carries, in [0, 1).

    A forced velocity v is v/128, so that a controller of 7 bits is v itself:
    it spans the controller's whole range as a roll does, wherever
    `velocity_centre` and `velocity_spread` stand.
    """
    return step.forced_velocity / 128 if step.forced_velocity else step.velocity


def ratchet_of(step: Step, ratchet_chance: float, ratchet_count: int) -> int:
    """Return the strikes in a step, 1 to 4: set by hand, else by the high end of the link roll."""
    if step.ratchet > 1:
        return step.ratchet
    return ratchet_count if 1.0 - step.link <= ratchet_chance else 1


def describe(
    change: Change,
    lens: Lens,
    rest_chance: float,
    accent_chance: float,
    middle_c: int = 4,
    degrees: int = 0,
    semitones: int = 0,
) -> tuple[str, bool]:
    """Say what a change does, as ``D3 → F3 · neighbour``.

    Args:
        change: The change.
        lens: Root, scale and register.
        rest_chance: Decides what rests.
        accent_chance: Decides what is accented.
        middle_c: The octave number of note 60.
        degrees: `transpose_degrees`, so that the names are of what sounds.
        semitones: `transpose`, likewise.

    Returns:
        The words, and True where nobody can hear the change: the step rests
        before and after, or what sounds is the same.
    """
    before, after = change.before, change.after
    heard = is_heard(before, rest_chance), is_heard(after, rest_chance)
    notes = lens.sound(before, degrees, semitones), lens.sound(after, degrees, semitones)
    accents = is_accented(before, accent_chance), is_accented(after, accent_chance)
    names = [note_name(note, middle_c) for note in notes]
    if heard[0] != heard[1]:
        names = [name if sounds else "rest" for name, sounds in zip(names, heard, strict=True)]
    parts = [f"{names[0]} → {names[1]}" if names[0] != names[1] else names[0]]
    if accents[0] != accents[1] and heard[0] == heard[1]:
        parts[0] += ", accented" if accents[1] else ", unaccented"
    if change.kind == "velocity":
        parts[0] += f", velocity {before.velocity:.2f} → {after.velocity:.2f}"
    how = "" if change.partner < 0 else f"{', echo of' if change.echo else ' with'} step {change.partner + 1}"
    parts.append(change.kind + how)
    rolls = [(step.velocity, step.link, step.forced_velocity) for step in (before, after)]
    same = notes[0] == notes[1] and accents[0] == accents[1] and rolls[0] == rolls[1]
    return " · ".join(parts), not any(heard) or (heard[0] == heard[1] and same)
