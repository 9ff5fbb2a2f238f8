"""What came on the clock port while no player was there, and what the next one is told of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import NamedTuple

from replank.performer.events import Event, Midi, Resume
from replank.timing.ear import TOGETHER_NS

KEPT = 16384
"""Messages that wait at most: over a minute of clock at 300 BPM."""
CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
_SONG_POSITION = 0xF2

Stamped = tuple[int, bytes]
"""When a message came (monotonic ns), and the message."""


class Tail:
    """The messages that both heard, listener and record, since the last that they heard together.

    Attributes:
        is_known: Both hear the same sender: what the listener has heard and the record lacks was missed.
    """

    def __init__(self) -> None:
        self.is_known = False
        self._heard: deque[Stamped] = deque(maxlen=KEPT)
        self._recorded: deque[Stamped] = deque(maxlen=KEPT)

    def heard(self, stamp: int, data: bytes) -> None:
        """Take a message of the listener; stamps never fall."""
        self._heard.append((stamp, data))

    def recorded(self, stamp: int, data: bytes) -> None:
        """Take a message of the record; stamps never fall."""
        self._recorded.append((stamp, data))

    def forget(self, is_known: bool) -> None:
        """Begin anew.

        Args:
            is_known: From now on both hear the same; else that shows by the next message that both heard.
        """
        self._heard.clear()
        self._recorded.clear()
        self.is_known = is_known

    def match(self, within: int = TOGETHER_NS) -> None:
        """Drop what lies before the last message that both heard, at stamps `within` so many ns of each other."""
        heard, recorded = list(self._heard), list(self._recorded)
        h = r = heard_done = recorded_done = 0
        while h < len(heard) and r < len(recorded):
            (at, data), (then, taken) = heard[h], recorded[r]
            if data == taken and abs(at - then) <= within:
                h, r = h + 1, r + 1
                heard_done, recorded_done = h, r
            elif at < then:
                h += 1
            else:
                r += 1
        if heard_done:
            self.is_known = True
        for _ in range(heard_done):
            self._heard.popleft()
        for _ in range(recorded_done):
            self._recorded.popleft()

    def missing(self, within: int = TOGETHER_NS) -> list[Stamped] | None:
        """Return what was heard after the last message of the record; None where nobody can know.

        What the record holds since the last message of both stands for the
        same message of the listener, which it was late for.
        """
        self.match(within)
        if not self.is_known:
            return None
        left = list(self._heard)
        for _, data in self._recorded:
            for i, (_, one) in enumerate(left):
                if one == data:
                    del left[i]
                    break
        return left


def going_on(messages: Iterable[Stamped], port: int) -> list[tuple[int, Event]]:
    """Return the events that take a player past messages that it missed, with their stamps.

    A transport message is performed as what it is: it says what the clocks
    after it are, and a receiver that plays along has missed it, too.

    Args:
        messages: What was missed, in order.
        port: Number of the input that the clock comes in by.
    """
    found: list[tuple[int, Event]] = []
    clocks: list[int] = []

    def move() -> None:
        if clocks:
            found.append((clocks[-1], Resume(tuple(clocks))))
            clocks.clear()

    for stamp, data in messages:
        if data == CLOCK:
            clocks.append(stamp)
        elif data in (START, CONTINUE, STOP) or (data[:1] == bytes((_SONG_POSITION,)) and len(data) == 3):
            move()
            found.append((stamp, Midi(port, data)))
    move()
    return found


class Missed(NamedTuple):
    """What was missed: whether the line was set back to its first step, and how many pulses came since."""

    reset: bool
    pulses: int


def missed_steps(
    messages: Iterable[bytes], is_pulse: Callable[[bytes], bool], is_reset: Callable[[bytes], bool]
) -> Missed:
    """Return what messages that nobody performed would have done to a line that is driven by pulses."""
    reset, pulses = False, 0
    for data in messages:
        if is_pulse(data):
            pulses += 1
        elif is_reset(data) or data[:1] == START:
            reset, pulses = True, 0
    return Missed(reset, pulses)
