"""A new setup in the place of the old one, while the line plays on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.hands import Hands
from replank.control.keyboard import KeyboardReader
from replank.control.parameters import DEFAULTS, show
from replank.control.profiles import Profile
from replank.control.setup import Setup
from replank.performer import acting, clocking, playing, prepared
from replank.performer.settings import Settings
from replank.performer.voices import Band

if TYPE_CHECKING:
    from replank.performer.core import Performer


def profiles(setup: Setup) -> dict[str, Profile]:
    """Return the profiles of a setup by name."""
    return {name: Profile.from_plain(plain) for name, plain in setup.profiles.items()}


def configure(p: Performer, setup: Setup) -> None:
    """Swap the setup, between two steps.

    A value that the new one gives otherwise holds where the parameter still had
    the old one's; what a hand, a piece or a snapshot has moved since stays.

    Raises:
        ValueError: The setup does not fit; nothing has changed then.
    """
    fresh, kept = _values(p, setup)
    Settings({**p.values, **fresh}, setup)
    playing.end_tuning(p)
    p.band.release_all(p)
    p.unschedule("off", "late", "again", "early", "ahead", "pulse", "trigger", "sense", "made")
    p.transport.owed = 0
    if setup.clock.source != "internal":
        clocking.run_internal(p, False)
    before, p.setup = p.setup, setup
    p.band = Band(setup)
    hands = Hands(profiles(setup), setup.inputs)
    hands.load(p.hands.save())  # boxes that stay need not be learnt anew
    p.hands = hands
    p.keyboard = KeyboardReader(setup.keyboard)
    p.wire()
    p.received = [*p.received, *[0] * len(setup.inputs)][: len(setup.inputs)]
    p.malformed = [*p.malformed, *[0] * len(setup.inputs)][: len(setup.inputs)]
    p.sent = [*p.sent, *[0] * len(setup.outputs)][: len(setup.outputs)]
    p.changed()
    p.schedule_sensing()
    p.band.refresh_all(p)
    text = "the new rig is in use"
    if kept:
        stays = ", ".join(f"{name} {show(name, p.values[name], setup.middle_c)}" for name in kept)
        text += f"; changed since the old one, so it stays: {stays}"
    p.notice("setup", text=text)
    prepared.take_in(p, before, tell=True)
    if fresh:
        acting.assign(p, fresh, "rig")


def _values(p: Performer, setup: Setup) -> tuple[dict[str, Any], list[str]]:
    """Return the values that a new setup changes, and the names of those that were moved and stay."""
    old, new = ({**DEFAULTS, **one.values} for one in (p.setup, setup))
    piece = p.setup.pieces[p.piece - 1].values if 0 < p.piece <= len(p.setup.pieces) else {}
    changed = [name for name in new if new[name] != old[name]]
    fresh = {name: new[name] for name in changed if p.values[name] == old[name] and name not in piece}
    return fresh, [name for name in changed if name not in fresh and p.values[name] != new[name]]
