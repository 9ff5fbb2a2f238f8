"""What outlives a process: the last show's state, forms of any cycle, snapshots of any show."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from replank.host.shows import schema
from replank.host.shows.packing import Damaged
from replank.host.shows.reading import Archive, Mark, Show
from replank.host.shows.replaying import Stretch, perform, restore, stretches
from replank.host.shows.store import Unusable
from replank.performer import Performer
from replank.performer.melody import Kept


class LastState(NamedTuple):
    """Where the last show stopped.

    Attributes:
        saved: For `Performer.restore`: after the last input that was kept.
        sounding: (output, channel 1 to 16, note) that may still sound.
        in_order: True if the show was closed.
        clock: Wall clock less performer time, ns: it tells one boot of the machine from another.
    """

    saved: dict[str, Any]
    sounding: list[tuple[int, int, int]]
    in_order: bool
    clock: int


def last_state(path: Path) -> LastState | None:
    """Return the state in which the last show stopped; None where there is none that can be read.

    It is recomputed from the last checkpoint and the inputs behind it.
    """
    try:
        with Archive(path) as archive:
            shows = archive.shows()
            return _last_state(archive, shows[-1]) if shows else None
    except (FileNotFoundError, Unusable):
        return None


def _last_state(archive: Archive, show: Show) -> LastState | None:
    for stretch in reversed(stretches(archive, show)):
        for mark in reversed((stretch.start, *stretch.checks)):
            try:
                performer = restore(archive.state(mark))
            except Damaged:
                continue
            try:
                for played in perform(archive, show, stretch, mark):
                    performer = played.performer
            except Damaged:  # the inputs behind it: what could be read has been performed
                pass
            sounding = set(performer.sounding()) | _left_sounding(archive, show, mark, performer)
            in_order = show.closed == 1
            return LastState(
                performer.save(), [] if in_order else sorted(sounding), in_order, show.touched - show.last
            )  # fmt: skip
    return None


def _left_sounding(archive: Archive, show: Show, mark: Mark, performer: Performer) -> set[tuple[int, int, int]]:
    """Follow note-ons and note-offs of the recorded outputs from a checkpoint on."""
    sounding = set(restore(archive.state(mark)).sounding())
    for item in archive.stream(show, "outputs", mark.outputs):
        output, message = item.what
        if len(message) == 3 and message[0] & 0xE0 == 0x80:
            note = (output, (message[0] & 0x0F) + 1, message[1])
            if message[0] & 0x10 and message[2]:
                sounding.add(note)
            else:
                sounding.discard(note)
    return sounding


def form_at(path: Path, show: str, cycle: int) -> dict[str, Any] | None:
    """Return the form that sounded in a cycle of a show, as `events.BringBack.plain` takes it.

    Args:
        path: The database; a show that is being recorded can be read too.
        show: Number, name, or ``last``.
        cycle: 1 and up; the form is the one at its end.

    Returns:
        None where the record does not hold that cycle.

    Raises:
        FileNotFoundError, Unusable, ValueError: As `Archive` and `Archive.find`.
    """
    with Archive(path) as archive:
        found = kept_at(archive, archive.find(show), cycle)
        return None if found is None else {"kept": found.save()}


def kept_at(archive: Archive, show: Show, cycle: int) -> Kept | None:
    """Return what sounded in a cycle: recomputed from the nearest checkpoint before its end."""
    for stretch in reversed(stretches(archive, show)):
        for mark in reversed((stretch.start, *stretch.checks)):
            if mark.cycle > cycle + 1:
                continue
            try:
                performer = restore(archive.state(mark))
                if performer.melody.cycle <= cycle + 1:
                    return _heard(archive, show, stretch, mark, performer, cycle)
            except Damaged:
                continue
    return None


def _heard(archive: Archive, show: Show, stretch: Stretch, mark: Mark, performer: Performer,
           cycle: int) -> Kept | None:  # fmt: skip
    last = performer.melody.last
    if last is not None and last.cycle == cycle:
        return last
    for played in perform(archive, show, stretch, mark):
        performer = played.performer
        last = performer.melody.last
        if last is not None and last.cycle == cycle:
            return last
    if performer.melody.cycle != cycle:
        return None
    form = performer.melody.form(int(performer.values["length"]))
    return Kept(f"cycle-{cycle}", cycle, form, performer.snapshot_values())


def snapshot_forms(path: Path, show: str) -> dict[str, dict[str, Any]]:
    """Return every snapshot of a show by name, as `events.BringBack.plain` takes it, also those that were forgotten.

    Raises:
        FileNotFoundError, Unusable, ValueError: As `Archive` and `Archive.find`.
    """
    with Archive(path) as archive:
        row = archive.find(show)
        found: dict[str, dict[str, Any]] = {}
        for mark in archive.marks(row, schema.CHECKPOINT):
            try:
                kept = restore(archive.state(mark)).melody.snapshots
            except Damaged:
                continue
            found.update({name: {"kept": one.save()} for name, one in kept.items()})
        if found or archive.marks(row, schema.SNAPSHOT):
            last = _last_state(archive, row)
            if last is not None:
                kept = restore(last.saved).melody.snapshots
                found.update({name: {"kept": one.save()} for name, one in kept.items()})
        return found
