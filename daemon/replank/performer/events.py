"""What a performer receives and what comes back.

Events are what the record holds; deadlines are derived from them and never
recorded.  `to_plain` and `event_from_plain` are the record's form.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from replank.control.notices import Notice


class Midi(NamedTuple):
    """Bytes that arrived on input `port` (index into `Setup.inputs`)."""

    port: int
    data: bytes


class Assign(NamedTuple):
    """Set parameters, as a client or file asked: name -> value, already checked."""

    values: dict[str, Any]
    origin: str = "client"


class Act(NamedTuple):
    """Do an action: `due` empty is the action's usual one."""

    name: str
    args: tuple[str, ...] = ()
    due: str = ""
    origin: str = "client"


class Configure(NamedTuple):
    """A new setup, as `replank.control.setup.to_plain` made it; swaps at a step."""

    setup: dict[str, Any]


class Reconnected(NamedTuple):
    """Output `output` was patched again: releases and controllers are sent anew."""

    output: int


class BoxReturned(NamedTuple):
    """The box on input `input` was patched again: its controls may stand anywhere, and are learnt anew."""

    input: int


class BringBack(NamedTuple):
    """A form from the host's store: older than the performer's own trail, or a snapshot.

    `how` is "snapshot" (adds it to the list), "back" (restores the line when
    `due`) or "back_full" (with its key and settings).
    """

    how: str
    name: str
    plain: dict[str, Any]
    due: str = "bar"


class Resume(NamedTuple):
    """Clocks that came while no player was there, by the host's ear: their stamps (ns, of the performer's clock).

    They move the position and nothing else, as long as the line runs.
    """

    stamps: tuple[int, ...]


class Heard(NamedTuple):
    """Clocks that the host's ear heard and the record lacks: their stamps (ns), never a number.

    They are evidence for the judge of the clock.  The ear may have missed
    others: its silence proves nothing.
    """

    stamps: tuple[int, ...]


class Rounded(NamedTuple):
    """The driver rounds stamps to so many ns (its period, where they are its callback's); 0, they are exact."""

    ns: int


class Slept(NamedTuple):
    """The machine was suspended for so many nanoseconds, which the performer's clock does not count."""

    ns: int


Event = Midi | Assign | Act | Configure | Reconnected | BoxReturned | BringBack | Resume | Heard | Rounded | Slept


class Outcome(NamedTuple):
    """What came of it.

    Attributes:
        messages: (index into `Setup.outputs`, complete MIDI message), in order.
        notices: What happened, in order.
    """

    messages: list[tuple[int, bytes]]
    notices: list[Notice]


_KINDS: dict[str, Any] = {
    "m": Midi, "a": Assign, "x": Act, "c": Configure, "r": Reconnected, "k": BoxReturned, "b": BringBack, "l": Resume,
    "d": Heard, "g": Rounded, "s": Slept,
}  # fmt: skip
_LETTERS = {kind: letter for letter, kind in _KINDS.items()}


def to_plain(event: Event) -> list[Any]:
    """Return an event as a list of plain data (bytes allowed)."""
    return [_LETTERS[type(event)], *event]


def event_from_plain(plain: list[Any]) -> Event:
    """Rebuild an event.

    Raises:
        ValueError: An unknown kind of event.
    """
    kind = _KINDS.get(plain[0])
    if kind is None:
        raise ValueError(f"unknown kind of event {plain[0]!r}")
    fields = [tuple(part) if isinstance(part, list) else part for part in plain[1:]]
    event: Event = kind(*fields)
    return event
