"""Putting into the database what a killed host had taken from the pipe and not yet written."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from replank import ENGINE, __version__, wire
from replank.control.notices import Notice
from replank.host.shows import schema
from replank.host.shows.lasting import last_state
from replank.host.shows.reading import Archive, Show
from replank.host.shows.store import Unusable
from replank.host.shows.writing import Writer
from replank.performer import Performer
from replank.performer.events import to_plain
from replank.pipes import Reader, decode

ALIKE = 8
"""Last things of the database that are looked for in the journal."""
_PLAYED = (wire.INPUT, wire.INPUT_MIDI, wire.OUTPUT)
_ENDS = (wire.HELLO, wire.GAP, wire.MARK)

Record = tuple[int, bytes]


class Left(NamedTuple):
    """What a host left.

    Attributes:
        data: Bytes of the pipe, perhaps from the middle of a record on.
        bases: States from which the record goes on: (time in ns, where: the nonce of a mark, the generation of a
            player whose first record that is, "" the beginning).
    """

    data: bytes
    bases: list[tuple[int, str | int]]


def recover(path: Path, left: Left, instance: str, on_notice: Callable[[Notice], None]) -> int:
    """Add to the show that was cut off what the journal holds behind it; return how many inputs and outputs that is.

    Args:
        path: The database.
        left: What `Journal.read` returned.
        instance: Whose show.
        on_notice: Called with notices about the disk.
    """
    records = Reader().feed(left.data)
    last = last_state(path) if records else None
    if last is None or last.in_order:
        return 0
    try:
        with Archive(path) as archive:
            show = archive.shows()[-1]  # the one of `last`
            if show.instance != instance or show.engine != ENGINE:
                return 0
            missing = _missing(archive, show, records, left.bases)
    except (FileNotFoundError, Unusable):
        return 0
    items = _items(Performer.restore(last.saved), missing)
    if items:
        queue = deque([("recover", items[0][1]), *items])
        writer = Writer(path, queue, on_notice, ENGINE, __version__, instance, 0)
        writer.tick(time.monotonic())
        if writer.opened is not None:
            writer.opened.close()
    return len([item for item in items if item[0] != "notice"])


def _missing(
    archive: Archive, show: Show, records: list[Record], bases: list[tuple[int, str | int]]
) -> list[tuple[int, bytes, bool]]:
    """Return (kind, payload, is an output already kept) of the records behind the last input of the database."""
    mark = archive.marks(show, schema.CHECKPOINT, schema.GAP)[-1]
    inputs = list(archive.stream(show, "inputs", max(mark.inputs - ALIKE, 0)))
    kept = [(item.now, item.what) for item in inputs]
    places = [at for at, (kind, _) in enumerate(records) if kind in (wire.INPUT, wire.INPUT_MIDI)]
    is_fresh = not inputs or inputs[-1].number < mark.inputs  # no input behind the state of the mark
    where = [after for now, after in bases if now == mark.now] if is_fresh else []
    start = _after(records, where[-1]) if where else -1
    if start < 0 and kept:
        behind = _behind(kept[-ALIKE:], [_input(records[at]) for at in places])
        start = places[behind - 1] + 1 if behind else -1
    if start < 0:
        return []
    end = next((at for at in range(start, len(records)) if records[at][0] in _ENDS), len(records))
    sent = [(item.now, item.what) for item in archive.stream(show, "outputs", max(mark.outputs - ALIKE, 0))][-ALIKE:]
    outputs = [(at, one) for at, record in enumerate(records[:end]) for one in _outputs(record)]
    known = _behind(sent, [one for _, one in outputs]) if sent else 0
    last_known = outputs[known - 1][0] if known else -1
    return [(*records[at], at <= last_known) for at in range(start, end)]


def _after(records: list[Record], what: str | int) -> int:
    """Return where the records behind a mark or a player's first record begin, -1 where it is not there."""
    if what == "":
        return next((at for at, one in enumerate(records) if one[0] in _PLAYED), -1)
    kind, name = (wire.MARK, "nonce") if isinstance(what, str) else (wire.HELLO, "generation")
    places = (at + 1 for at, one in enumerate(records) if one[0] == kind and decode(one[1])[name] == what)
    return next(places, -1)


def _behind(tail: Sequence[Any], items: Sequence[Any]) -> int:
    """Return the index of the first item behind those that end in `tail`, 0 where `tail` is not there."""
    for end in range(len(items), 0, -1):
        size = min(end, len(tail))
        if list(items[end - size : end]) == list(tail[len(tail) - size :]):
            return end
    return 0


def _input(record: Record) -> tuple[int, list[Any]]:
    event, now, _ = wire.unpack_input(*record)
    return now, _as_read(to_plain(event))


def _as_read(plain: Any) -> Any:
    # tuples come back from the database as lists
    if isinstance(plain, (list, tuple)):
        return [_as_read(one) for one in plain]
    return {key: _as_read(one) for key, one in plain.items()} if isinstance(plain, dict) else plain


def _outputs(record: Record) -> list[tuple[int, list[Any]]]:
    if record[0] != wire.OUTPUT:
        return []
    messages, now, _ = wire.unpack_output(record[1])
    return [(now, [output, data]) for output, data in messages]


def _items(performer: Performer, records: list[tuple[int, bytes, bool]]) -> list[tuple[Any, ...]]:
    """Perform the missing inputs; return what a recorder is given of them."""
    items: list[tuple[Any, ...]] = []
    for kind, payload, is_kept in records:
        if kind in (wire.INPUT, wire.INPUT_MIDI):
            event, now, _ = wire.unpack_input(kind, payload)
            items.append(("input", now, to_plain(event)))
            try:
                notices = performer.receive(event, now).notices
            except Exception:  # the player's performer failed in the same way and played on
                notices = []
        elif kind == wire.OUTPUT:
            messages, now, flags = wire.unpack_output(payload)
            notices = performer.advance(now).notices if flags & wire.FROM_DEADLINE else []
            if not is_kept:
                items += [("output", now, output, data) for output, data in messages]
        else:
            continue
        items += [("notice", notice.now, notice) for notice in notices]
    return items
