"""Performing a recorded show again, and comparing with what was sent.

The performer is given the recorded inputs at their recorded times and nothing
else; the recorded outputs are only looked at beside what it then sends.  A
gap ends a stretch; the next checkpoint begins another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from replank.control.notices import Notice
from replank.host.shows import schema
from replank.host.shows.packing import Damaged
from replank.host.shows.reading import Archive, Mark, Show
from replank.performer import Performer
from replank.performer.events import Outcome, event_from_plain


class Stretch(NamedTuple):
    """A part of the record without a gap.

    Attributes:
        start: The checkpoint that it begins with.
        checks: Further checkpoints in it.
        inputs: Number of the first input behind it, or -1 for all.
        outputs: Number of the first output behind it, or -1 for all.
        end: Performer time of its end, ns.
        is_cut: True if it ends in a gap or without an end: what was sent last may be missing.
    """

    start: Mark
    checks: tuple[Mark, ...]
    inputs: int
    outputs: int
    end: int
    is_cut: bool


class Played(NamedTuple):
    """What the performer made of one input or deadline.

    Attributes:
        now: Its time, ns.
        latest: Time of the next input, ns, for a deadline: the player may have
            been late for it, but took it before that input; `now` for an input.
        input: Number of the last input taken.
        messages: (output, message) in order.
        notices: In order.
        performer: The performer, to be read.
    """

    now: int
    latest: int
    input: int
    messages: list[tuple[int, bytes]]
    notices: list[Notice]
    performer: Performer


def stretches(archive: Archive, show: Show) -> list[Stretch]:
    """Return the parts of a show between its gaps, in order."""
    made: list[Stretch] = []
    start: Mark | None = None
    checks: list[Mark] = []
    for mark in archive.marks(show, schema.CHECKPOINT, schema.GAP):
        if mark.kind == schema.GAP:
            if start is not None:
                made.append(Stretch(start, tuple(checks), mark.inputs, mark.outputs, mark.now, True))
            start, checks = None, []
        elif start is None:
            start = mark
        else:
            checks.append(mark)
    if start is not None:
        is_cut = show.closed != 1
        end = max(show.last, archive.last_time(show)) if is_cut else show.last
        made.append(Stretch(start, tuple(checks), -1, -1, end, is_cut))
    return made


def perform(
    archive: Archive,
    show: Show,
    stretch: Stretch,
    checkpoint: Mark | None = None,
    at_input: Callable[[int, Performer], None] = lambda number, performer: None,
) -> Iterator[Played]:
    """Give a stretch's inputs to a performer and yield what it makes of them.

    Args:
        archive: The open database.
        show: The show.
        stretch: Which part of it.
        checkpoint: Start from this one of the stretch's checkpoints.
        at_input: Called between two inputs with the number of the next one; it
            must not change the performer.

    Raises:
        Damaged: The checkpoint cannot be read, does not restore, or inputs are missing.
    """
    begin = checkpoint or stretch.start
    performer = restore(archive.state(begin))
    number = begin.inputs - 1
    at_input(number + 1, performer)
    for item in archive.stream(show, "inputs", begin.inputs):
        if 0 <= stretch.inputs <= item.number:
            break
        if item.number != number + 1:
            raise Damaged(f"inputs {number + 1} to {item.number - 1} are missing")
        yield from _deadlines(performer, item.now, number)
        number = item.number
        try:
            outcome = performer.receive(event_from_plain(item.what), item.now)
        except Exception:  # the player's performer failed in the same way and played on
            outcome = Outcome([], [])
        yield Played(performer.now, performer.now, number, outcome.messages, outcome.notices, performer)
        at_input(number + 1, performer)
    # those due at the very end may have been fired or not: nobody called any more
    yield from _deadlines(performer, stretch.end - 1, number)


def restore(saved: dict[str, Any]) -> Performer:
    """Rebuild a performer from a checkpoint.

    Raises:
        Damaged: It does not restore, as from another engine.
    """
    try:
        return Performer.restore(saved)
    except Exception as error:  # a state from another release may fail anywhere
        raise Damaged(f"a stored state does not restore ({type(error).__name__}: {error})") from error


def _deadlines(performer: Performer, until: int, number: int) -> Iterator[Played]:
    while (due := performer.next_deadline()) is not None and due <= until:
        outcome = performer.advance(due)
        yield Played(due, until, number, outcome.messages, outcome.notices, performer)
