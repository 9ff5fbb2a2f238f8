"""Lines that a set keeps under names: on the list of snapshots when a show begins, and when the set is read again.

They do not depend on the show's seed: rolls that the set leaves to chance are drawn by the
line's name, so that a kept line is the same in rehearsal and on stage, and one that nobody has
altered can be told from one that a hand has kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from replank.control.parameters import DEFAULTS, SNAPSHOT_NAMES
from replank.control.setup import KeptLine, Setup
from replank.line.chance import DRAW, Numbers, mix64
from replank.line.generate import written
from replank.line.steps import Form, home_as_written
from replank.performer.melody import Kept

if TYPE_CHECKING:
    from replank.performer.core import Performer


def kept_of(line: KeptLine, setup: Setup) -> Kept:
    """Return the snapshot that a kept line of a set stands for; parameters that it does not name are the rig's."""
    values = {**DEFAULTS, **setup.values, **line.values}
    seed = 0
    for byte in line.name.encode():
        seed = mix64(seed ^ byte)
    steps = written(line.line, Numbers(seed, DRAW, 0), line.rolls)
    home = home_as_written(steps, line.home, line.home_rolls)
    return Kept(line.name, 0, Form(steps, home, int(values["length"])), {name: values[name] for name in SNAPSHOT_NAMES})


def take_in(p: Performer, before: Setup | None = None, tell: bool = False) -> None:
    """Put the set's kept lines on the list of snapshots.

    Args:
        p: The performer, with the set in its setup.
        before: The setup until now: what it kept in the same form is left alone, also where a
            hand has forgotten it since.  None where the show begins.
        tell: True says what came to the list and what did not.
    """
    known = {line.name: kept_of(line, before) for line in before.kept} if before else {}
    names = p.melody.snapshots
    for kept in (kept_of(line, p.setup) for line in p.setup.kept):
        if kept == known.get(kept.name):
            continue
        stays = kept.name in names and names[kept.name] != known.get(kept.name)
        if not stays:
            names[kept.name] = kept
        if tell:
            text = f"{kept.name} of the set is on the list"
            if stays:
                text = f"{kept.name} was kept by hand, so it stays; the set's is not taken"
            p.notice("snapshot", name=kept.name, cycle=names[kept.name].cycle, text=text)


def carried(p: Performer, snapshots: dict[str, Kept]) -> dict[str, Kept]:
    """Return the last show's snapshots with tonight's kept lines, which stand under their own names.

    What a hand kept under one of these names has a free name beside it; what an earlier set
    kept under it gives way.
    """
    tonight = {line.name: kept_of(line, p.setup) for line in p.setup.kept}
    made: dict[str, Kept] = {}
    for name, kept in snapshots.items():
        if name not in tonight:
            made[name] = kept
        elif kept.cycle and kept._replace(cycle=0) != tonight[name]:
            free, number = name, 2
            while free in tonight or free in snapshots or free in made:
                free, number = f"{name}-{number}", number + 1
            made[free] = kept._replace(name=free)
    return {**made, **tonight}
