"""The notice table: everything that can be said to a person, declared once.

A notice is (kind, time, data).  `words` turns it into the sentence that every
screen shows; the data is what a program reads.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple


class Notice(NamedTuple):
    """Something that happened.

    Attributes:
        kind: A key of `NOTICES`.
        now: Nanoseconds of the performer's clock.
        data: Plain data, the fields that the table names.
    """

    kind: str
    now: int
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Kind:
    """One row: fields, a sentence with those fields, and how loud it is.

    Attributes:
        fields: Names in `Notice.data`.
        words: A format string over the fields.
        level: step (many a second), event, warn, error.
    """

    fields: tuple[str, ...]
    words: str
    level: str = "event"


NOTICES: dict[str, Kind] = {
    # index is 1-based; notes are those before voice offsets; -1 is a rest
    "step": Kind(
        ("index", "note", "velocity", "accent", "link", "cycle", "bar", "beat", "forced"), "step {index}", "step"
    ),
    "cycle": Kind(("cycle", "ended_by"), "cycle {cycle}", "step"),
    "mutation": Kind(
        ("cycle", "index", "mutation", "before", "after", "text", "silent", "partner", "echo"),
        "cycle {cycle} · step {index} {text}",
    ),
    "parameter": Kind(("name", "value", "shown", "before", "origin"), "{name} {shown}"),
    "waiting": Kind(("control", "name", "way", "port"), "{name}: turn {way} to take over"),
    "taught": Kind(("control", "name", "port"), "{name}: control position learnt, nothing moved"),
    "done": Kind(("action", "text", "origin", "unit"), "{text}"),
    "due": Kind(("action", "due", "at", "when"), "{action} comes {when}"),
    "cancelled": Kind(("action",), "{action} cancelled"),
    "refused": Kind(("what", "why", "origin"), "{what}: {why}", "warn"),
    "clamped": Kind(("name", "value", "shown"), "{name} stops at {shown}", "warn"),
    "heard_next": Kind(("index",), "step {index}: heard next time"),
    "ramp": Kind(("name", "value", "shown", "target", "bars_left"), "{name} {shown} on its way to {target}", "step"),
    "plan": Kind(("bar", "action"), "planned for bar {bar}: {action}"),
    "without_effect": Kind(("name", "why"), "{name} has no effect now: {why}"),
    "transport": Kind(("state", "why"), "{state}: {why}"),
    "clock": Kind(("state", "tempo", "text"), "{text}", "warn"),
    "phase": Kind(("phase", "text"), "phase {phase}: {text}", "warn"),
    "located": Kind(("song_clock", "index"), "song position: step {index}"),
    "snapshot": Kind(("name", "cycle", "text"), "{text}"),
    "piece": Kind(("number", "name", "how"), "piece {number}: {name}, {how}"),
    "out_of_range": Kind(("voice", "note", "sent", "how"), "{voice} has no {note} in its range: {how}", "warn"),
    "panic": Kind(("notes", "channels"), "panic: notes released {notes}, channels swept {channels}", "warn"),
    "malformed": Kind(("port", "count"), "malformed MIDI ignored on {port}: {count} so far", "warn"),
    "star": Kind(("text", "cycle"), "star at cycle {cycle} {text}"),
    "name": Kind(("text",), "this show is called {text}"),
    "setup": Kind(("text",), "{text}"),
    "output": Kind(("output", "text"), "{output}: {text}"),
    # said by host and keeper, not by the performer
    "player": Kind(("state", "text"), "{text}", "warn"),
    "host": Kind(("state", "text"), "{text}", "warn"),
    "port": Kind(("port", "state", "text"), "{text}", "warn"),
    "gap": Kind(("dropped", "text"), "{text}", "error"),
    "differs": Kind(("text",), "the record differs from what was sent: {text}", "error"),
    "disk": Kind(("state", "text"), "{text}", "warn"),
    "file": Kind(("file", "text"), "{text}", "warn"),
    "client": Kind(("text",), "{text}", "warn"),
    "power": Kind(("text",), "{text}", "warn"),
}


def words(kind: str, data: dict[str, Any]) -> str:
    """Return the sentence of a notice; an unknown kind says its data."""
    row = NOTICES.get(kind)
    if row is None:
        return f"{kind} {data}"
    return row.words.format_map({name: data.get(name, "?") for name in row.fields})


def counted(**numbers: int) -> str:
    """Return numbers with their nouns: ``counted(note=1, marker=2)`` is ``1 note, 2 markers``."""
    return ", ".join(f"{number} {what}" + ("" if number == 1 else "s") for what, number in numbers.items())
