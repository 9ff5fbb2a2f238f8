"""The shadow: the same performer, run on the record a moment later.

It always holds the full state without asking the player, says the notices of
what happened, and checks live that the record gives the messages that were
sent.  It also follows which notes sound at the outputs, erring towards one
too many: a note-on counts from its record (written before it is sent), a
note-off only from the record that it was sent, or the next one of messages.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from replank import wire
from replank.control.notices import Notice
from replank.performer import Performer
from replank.performer.events import Event, Outcome
from replank.performer.messages import note_offs

Message = tuple[int, bytes]
LATEST = 16
"""Latest note-offs that are sent again for a player that was killed: the driver may not have taken them yet."""


@dataclass(slots=True)
class Sounding:
    """Which notes sound at the outputs, and the latest that were released: (output, channel 1 to 16, note)."""

    notes: set[tuple[int, int, int]] = field(default_factory=set)
    latest: deque[tuple[int, int, int]] = field(default_factory=lambda: deque(maxlen=LATEST))
    _unsent: list[Message] = field(default_factory=list)

    def written(self, messages: list[Message], is_sent: bool) -> None:
        """Take messages as they are recorded; `is_sent` False is before they are sent.

        A player tells that it has sent a batch only where that released a note.
        But it sends each before it writes the next, so one at most waits here:
        kept for longer, note-ons would pile up, and sound again once it tells.
        """
        self.sent()
        if is_sent:
            self._apply(messages)
            return
        self.notes.update(_key(m) for m in messages if wire.is_note_on(m[1]))
        self._unsent = messages

    def sent(self) -> None:
        """All that was written has been sent."""
        self._apply(self._unsent)
        self._unsent = []

    def _apply(self, messages: list[Message]) -> None:
        for message in messages:
            if wire.is_note_on(message[1]):
                self.notes.add(_key(message))
            elif wire.is_note_off(message[1]):
                self.notes.discard(_key(message))
                self.latest.append(_key(message))


def _key(message: Message) -> tuple[int, int, int]:
    output, data = message
    return output, (data[0] & 0x0F) + 1, data[1]


class Shadow:
    """Follows the player's record.

    Args:
        performer: In the state in which the player's was when the record began.
        on_input: Called with (clamped time, event, serial, notices) of each event.
        on_output: Called with (time, output, message) of each message.
        on_notices: Called with the notices of deadlines.
        on_differs: Called with a sentence when the record gives other messages than were sent.

    Attributes:
        performer: The shadow's own.
        sounding: What sounds at the outputs.
        differences: How often record and messages differed.
        is_true: False after a gap, until a state of the player takes its place: nothing is compared.
    """

    def __init__(
        self,
        performer: Performer,
        on_input: Callable[[int, Event, int, list[Notice]], None],
        on_output: Callable[[int, int, bytes], None],
        on_notices: Callable[[list[Notice]], None],
        on_differs: Callable[[str], None],
    ) -> None:
        self.performer = performer
        self.sounding = Sounding()
        self.differences = 0
        self.is_true = True
        self._on_input, self._on_output = on_input, on_output
        self._on_notices, self._on_differs = on_notices, on_differs
        self._expected: list[Message] = []
        self._got: list[Message] = []

    def input(self, kind: int, payload: bytes) -> None:
        """Take a record of an event.

        Raises:
            ValueError: It is none.
        """
        event, now, serial = wire.unpack_input(kind, payload)
        self._compare()
        try:
            outcome = self.performer.receive(event, now)
        except Exception as error:  # the player's performer failed in the same way and played on
            self._on_differs(f"an event could not be performed: {type(error).__name__}: {error}")
            outcome = Outcome([], [])
        self._expected = list(outcome.messages)
        self._on_input(now, event, serial, outcome.notices)

    def output(self, payload: bytes) -> None:
        """Take a record of messages.

        Raises:
            ValueError: It is none.
        """
        messages, now, flags = wire.unpack_output(payload)
        if flags & wire.FROM_DEADLINE:
            self._compare()
            outcome = self.performer.advance(now)
            self._expected = list(outcome.messages)
            self._on_notices(outcome.notices)
        self._got += messages
        self.sounding.written(messages, bool(flags & wire.ALREADY_SENT))
        for output, data in messages:
            self._on_output(now, output, data)

    def sent(self) -> None:
        """Take the record that all messages so far were sent."""
        self.sounding.sent()

    def gap(self) -> None:
        """Records are missing: what was expected cannot be compared."""
        self._expected, self._got = [], []

    def resume(self) -> None:
        """A new player takes this state: from here on both are the same again."""
        self.gap()
        self.is_true = True

    def released(self) -> list[Message]:
        """Return note-offs for all that may sound, as if the player's end had sent them.

        The performer's own releases go first (they also bring controllers to
        rest); what else the record says sounds follows.
        """
        messages = self.performer.releases()
        known = {_key(m) for m in messages if wire.is_note_off(m[1])}
        extra = sorted(self.sounding.notes - known)
        messages += [(output, note_offs(channel)[note]) for output, channel, note in extra]
        self.sounding = Sounding()
        self.gap()
        return messages

    def latest_offs(self) -> list[Message]:
        """Return the latest note-offs: sent as far as the player knew, but by its driver only with the next period."""
        return [(output, note_offs(channel)[note]) for output, channel, note in self.sounding.latest]

    def _compare(self) -> None:
        expected, got = self._expected, self._got
        self._expected, self._got = [], []
        if expected == got or not self.is_true:
            return
        self.differences += 1
        at = next(
            (i for i, (a, b) in enumerate(zip(expected, got, strict=False)) if a != b), min(len(expected), len(got))
        )
        self._on_differs(
            f"message {at + 1} of {len(got)} sent is {_words(got, at)}, the record gives {_words(expected, at)}"
        )


def _words(messages: list[Message], at: int) -> str:
    if at >= len(messages):
        return "none"
    output, data = messages[at]
    return f"{data.hex(' ')} on output {output + 1}"


def plain_host_view(shadow: Shadow) -> dict[str, Any]:
    """Return what the whole state says about the shadow."""
    return {"differences": shadow.differences, "sounding": sorted(map(list, shadow.sounding.notes))}
