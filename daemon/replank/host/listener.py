"""Counts the clock beside the player, so that a replaced player knows the phase.

The host hears the same clock on a port of its own.  What it heard and the
player's record lacks is what the player missed; applied to the last state of
the record it says where the sender of the clock is by now.
"""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

QUEUE = 16384
"""Messages that the driver keeps between two looks: over a minute of clock at 300 BPM."""
KEPT = 16384
CLEAR_NS = 3_000_000
"""A count is exact when nothing came within so long around it."""
SILENCE_NS = 2_000_000_000
"""A clock that has not come for so long counts as stopped where a player waits to be replaced."""
LOOKS, MOST_LOOKS = 40, 24
"""Looks at the difference, and how many of them must agree: then it is no delay but something that one of both missed.
On a busy machine a record is often late for a look, and now and then a message is late here."""


CERTAIN = 4
"""Clocks recorded, and looks, while the difference stayed the same: then what is lacking is lost to the player."""


class Place(NamedTuple):
    """Where the sender of the clock is.

    Attributes:
        song_clock: Number of its last clock; -1: Start came and no clock yet.
        running: True between Start or Continue and Stop.
    """

    song_clock: int
    running: bool


def follow(place: Place, messages: Iterable[bytes]) -> Place:
    """Return where the sender is after further messages.

    By MIDI 1.0 (Detailed Specification, p. 27 to 32): Start goes to the
    beginning, the first clock after it is song clock 0; Song Position is in
    sixteenths of six clocks; clocks while stopped move nothing.
    """
    following, running = place.song_clock + 1, place.running
    for data in messages:
        status = data[0] if data else 0
        if status == 0xF8:
            following += running
        elif status == 0xFA:
            following, running = 0, True
        elif status == 0xFB:
            running = True
        elif status == 0xFC:
            running = False
        elif status == 0xF2 and len(data) == 3:
            following = (data[1] | data[2] << 7) * 6
    return Place(following - 1, running)


def is_counted(data: bytes) -> bool:
    """Tell whether the listener hears a message: it leaves system exclusive and active sensing out."""
    return data[:1] not in (b"\xf0", b"\xfe")


def missed_steps(
    messages: Iterable[bytes], is_pulse: Callable[[bytes], bool], is_reset: Callable[[bytes], bool]
) -> Missed:
    """Return what messages that nobody performed would have done to a line that is driven by pulses."""
    reset, pulses = False, 0
    for data in messages:
        if is_pulse(data):
            pulses += 1
        elif is_reset(data) or data[:1] == b"\xfa":
            reset, pulses = True, 0
    return Missed(reset, pulses)


class Missed(NamedTuple):
    """What was missed: whether the line was set back to its first step, and how many pulses came since."""

    reset: bool
    pulses: int


class Listener:
    """A clock input of the host's own, in the driver's queue mode.

    Args:
        read: Returns the next message that waits, or None.

    Attributes:
        heard: Messages since the last `agree`.
        is_exact: False until `restart` was called once: what came before nobody counted.
        was_quiet: True where the last `agree` found a quiet moment.
        is_sure: True where both began the present count with the same message, and where many looks have agreed since.
        off: Messages that player or listener missed of each other, over its life.
    """

    def __init__(self, read: Callable[[], bytes | None]) -> None:
        self._read = read
        self._kept: deque[bytes] = deque(maxlen=KEPT)
        self.heard = 0
        self.off = 0
        self._differences: deque[int] = deque(maxlen=LOOKS)
        self._forget_looks()
        self.was_quiet = self.is_sure = False
        self.is_exact = False
        self._stopped, self._last = False, time.monotonic_ns()

    def poll(self) -> int:
        """Take what waits; return how many messages that was."""
        taken = 0
        while (data := self._read()) is not None:
            self._kept.append(data)
            taken += 1
            self._stopped = data == b"\xfc" or (self._stopped and data not in (b"\xfa", b"\xfb"))
        if taken:
            self._last = time.monotonic_ns()
        self.heard += taken
        return taken

    def has_stopped(self) -> bool:
        """Take what waits; True after a Stop, and when nothing has come for a while."""
        self.poll()
        return self._stopped or time.monotonic_ns() - self._last > SILENCE_NS

    def agree(self, sleep: Callable[[float], None] = time.sleep) -> int:
        """Take what waits, at a moment that no message is near; return that moment, monotonic ns.

        Everything up to there is taken and nothing after it.  Takes 3 ms, at
        most 30; without a quiet moment the last one has to do.
        """
        for _ in range(10):
            self.poll()
            before = time.monotonic_ns()
            sleep(CLEAR_NS / 1e9)
            if self.poll() == 0:
                self.was_quiet = True
                return (before + time.monotonic_ns()) // 2
        self.was_quiet = False
        return time.monotonic_ns()

    def restart(self, is_told: bool = False) -> None:
        """Count from here: the record holds everything up to now.

        Args:
            is_told: The player begins with what was counted here, and from the moment of `agree`; if a message was
                near it and they part by it, then the player has really missed it.
        """
        self._kept.clear()
        self.heard = 0
        self.is_exact, self.is_sure = True, self.was_quiet or is_told
        self._forget_looks()

    def settle(self, difference: int) -> None:
        """Count on as though the player had not missed so many messages, or the listener where it is negative.

        Not by beginning anew at a moment: a message that reaches one of both before it and the other after would make
        the next difference.
        """
        self.off += abs(difference)
        self.heard -= difference
        self.is_sure = True
        self._forget_looks()

    def _forget_looks(self) -> None:
        self._differences.clear()
        self._lacked = self._lacked_at = self._lacked_looks = 0

    def missing(self, recorded: int) -> list[bytes]:
        """Return the messages that the record lacks, which holds `recorded` since `restart`."""
        count = max(0, self.heard - recorded)
        return list(self._kept)[-count:] if count else []

    def lacking(self, recorded: int) -> int:
        """Return how many clocks the player has missed for certain, of those since `restart`; 0 none, or not certain.

        What was heard here was sent.  A player may miss some: its callback is
        Python's, and a MIDI system that loses a client may lose messages to
        others for some periods.
        """
        if not self.is_sure:
            return 0
        lacked = self.heard - recorded
        if lacked != self._lacked:
            self._lacked, self._lacked_at, self._lacked_looks = lacked, recorded, 0
        self._lacked_looks += 1
        if lacked <= 0 or recorded - self._lacked_at < CERTAIN or self._lacked_looks < CERTAIN:
            return 0  # in a storm a record that is late may look the same twice
        latest = list(self._kept)[-(recorded - self._lacked_at + lacked + CERTAIN) :]
        return lacked if all(data == b"\xf8" for data in latest) else 0

    def watch(self, recorded: int) -> bool:
        """Look whether both have heard the same; True if they have parted, which is settled."""
        self._differences.append(self.heard - recorded)
        if len(self._differences) < LOOKS:
            return False
        difference, count = Counter(self._differences).most_common(1)[0]
        if not difference or count < MOST_LOOKS:
            self.is_sure = self.is_sure or count >= MOST_LOOKS
            return False
        if difference == self._lacked and recorded - self._lacked_at < CERTAIN:
            return False  # so slow a clock has yet to show whether the player has missed it
        self.settle(difference)
        return True


def queue_reader(midi_in: Any) -> Callable[[], bytes | None]:
    """Return how to read an RtMidi input in queue mode."""

    def read() -> bytes | None:
        got = midi_in.get_message()
        return None if got is None else bytes(got[0])

    return read
