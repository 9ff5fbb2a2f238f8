"""Saving and restoring a performer: everything that a continuation needs, as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.setup import from_plain, to_plain
from replank.performer import course, prepared
from replank.performer.course import Course
from replank.performer.melody import Melody
from replank.performer.settings import Settings

if TYPE_CHECKING:
    from replank.performer.core import Performer

VERSION = 2
"""Of what `save` returns; a restart reads only its own."""

_PLAIN = (
    "now", "given_seed", "number", "values", "due", "ramps", "piece", "piece_since", "as_left", "show_name",
    "answer", "ending", "tuning", "taps", "presses",
    "selected", "panics", "notes", "counts", "received", "malformed", "sent",
    "last_control",
)  # fmt: skip


def save(p: Performer) -> dict[str, Any]:
    """Return the whole state."""
    return {
        "version": VERSION,
        "setup": to_plain(p.setup),
        **{name: _copy(getattr(p, name)) for name in _PLAIN},
        "deadlines": [[when, number, kind, _copy(args)] for when, number, kind, args in sorted(p.deadlines)],
        "course": course.keep(p),
        "melody": p.melody.save(),
        "transport": p.transport.save(),
        "band": p.band.save(),
        "hands": p.hands.save(),
        "keyboard": p.keyboard.save(),
    }


def load(p: Performer, plain: dict[str, Any]) -> None:
    """Take over a saved state; `p` was just made with the same setup.

    Raises:
        ValueError: Saved by another version.
    """
    if plain.get("version") != VERSION:
        raise ValueError(f"this state is of version {plain.get('version')}, not {VERSION}")
    for name in _PLAIN:
        setattr(p, name, _copy(plain[name]))
    p.deadlines = [(when, number, kind, _copy(args)) for when, number, kind, args in plain["deadlines"]]
    p.find_hands_due()
    p.course = Course.restore(plain["course"][:-1])
    p.melody = Melody.restore(plain["melody"])
    p.changed()
    p.transport.load(plain["transport"])
    p.band.load(plain["band"])
    p.hands.load(plain["hands"])
    p.keyboard.load(plain["keyboard"])


def carry_over(p: Performer, plain: dict[str, Any], whole: bool) -> None:
    """Take what is timeless from a saved state: another boot's, or a show that has ended.

    Args:
        p: Just made, for tonight's rig and set, and not yet playing.
        plain: What `save` returned then.
        whole: True takes line, home, trail, chances, parameters, piece and
            name, and of the lines that tonight's set keeps those that are new; False only
            the snapshots, beside tonight's kept lines, and the pieces as they were left.

    Raises:
        ValueError: Saved by another version, or with a scale that tonight's rig does not know.
    """
    if plain.get("version") != VERSION:
        raise ValueError(f"this state is of version {plain.get('version')}, not {VERSION}")
    melody = Melody.restore(plain["melody"])
    if not whole:
        p.melody.snapshots = prepared.carried(p, melody.snapshots)
        p.as_left = _copy(plain["as_left"])
        return
    values = {**p.values, **{name: value for name, value in plain["values"].items() if name in p.values}, "mute": False}
    Settings(values, p.setup)  # raises before anything has changed
    for name in ("given_seed", "piece", "as_left", "show_name", "notes", "selected"):
        setattr(p, name, _copy(plain[name]))
    p.piece = p.piece if p.piece <= len(p.setup.pieces) else 0
    p.values = values
    melody.trail.shift(p.now - plain["now"])
    melody.interrupted()
    p.melody = melody
    p.transport.phrase_origin = melody.cycle  # with pulses phrases are counted from here
    course.take_up(p, plain["course"])
    p.changed()
    melody.settle(p.values["settle"])
    prepared.take_in(p, from_plain(plain["setup"]))


def _copy(value: Any) -> Any:
    """Return a copy that shares no list or dict with the original."""
    if isinstance(value, dict):
        return {key: _copy(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_copy(item) for item in value]
    return value
