"""The host's ear: it hears the clock beside the player, on a port of its own.

What it heard and the player's record lacks is what the player missed.  While a
player plays that is evidence for its judge of the clock; for one that takes
another's place it is where the sender of the clock is by now.  Both are
compared by stamps: two counts, taken at different moments, differ where
nothing was lost.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Any

from replank.host.gaps import CLOCK, CONTINUE, KEPT, START, STOP, Stamped, Tail
from replank.host.stamping import Moments
from replank.timing.ear import TOGETHER_NS, Ear

QUEUE = 16384
"""Messages that the driver keeps between two looks: over a minute of clock at 300 BPM."""
CLEAR_NS = 3_000_000
"""A moment is quiet when nothing came within so long around it."""
SILENCE_NS = 2_000_000_000
"""A clock that has not come for so long counts as stopped where a player waits to be replaced."""
SOON_NS = 1_000_000_000
"""After a message so long ago the next one is expected soon."""
_TRANSPORT = frozenset((0xF2, 0xF8, 0xFA, 0xFB, 0xFC))


class Listener:
    """A clock input of the host's own, in the driver's queue mode.

    Args:
        read: Returns the next message that waits and its interval since the one before in seconds, or None.
        clock: Returns the time in monotonic ns.

    Attributes:
        by_pulses: Any message may move the line; else those of clock and transport alone are kept.
        off: Clocks that only the listener heard, over its life.
    """

    def __init__(
        self, read: Callable[[], tuple[bytes, float] | None], clock: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self._read, self._clock = read, clock
        self._moments = Moments()
        self._held: deque[tuple[int, bytes]] = deque(maxlen=KEPT)  # until their stamps are exact
        self._ear, self._tail = Ear(), Tail()
        self._recorded = 0
        self.by_pulses = False
        self.off = 0
        self._stopped, self._last = False, clock()
        self._empty, self._since, self._newest = self._last, -1, -1

    # -- hearing ---------------------------------------------------------------

    def poll(self) -> int:
        """Take what waits; return how many messages that was."""
        taken, after = 0, self._empty
        while True:
            looked = self._clock()
            got = self._read()
            if got is None:
                self._empty = looked
                break
            data, seconds = got
            now = self._clock()
            broken = self._moments.broken
            self._moments.take(round(seconds * 1e9), after, now)
            if self._moments.broken != broken and self._held:
                self._begin_anew(False)  # the driver lost messages before we knew when others came
            if is_counted(data):
                taken += 1
                self._last = now
                self._stopped = data == STOP or (self._stopped and data not in (START, CONTINUE))
                if self._is_kept(data):
                    self._held.append((self._moments.place, data))
        if taken >= QUEUE - 1:  # it has run over: messages are lost, and the intervals before them
            self._moments = Moments()
            self._begin_anew(False)
        elif self._held and self._moments.is_exact:
            self._release()
        return taken

    def _is_kept(self, data: bytes) -> bool:
        return self.by_pulses or data[0] in _TRANSPORT

    def _release(self) -> None:
        """Stamp what was heard."""
        for place, data in self._held:
            self._newest = stamp = max(self._newest, self._moments.stamp(place))
            self._tail.heard(stamp, data)
            if data == CLOCK:
                self._ear.heard(stamp)
        self._held.clear()

    def wants_looks(self) -> bool:
        """Tell whether to be polled often, since it is not known yet when messages came that come just now."""
        return not self._moments.is_exact and self._clock() - self._last < SOON_NS and bool(self._held)

    def has_stopped(self) -> bool:
        """Take what waits; True after a Stop, and when nothing has come for a while."""
        self.poll()
        return self._stopped or self._clock() - self._last > SILENCE_NS

    # -- beside the record -----------------------------------------------------

    def recorded(self, stamp: int, data: bytes) -> None:
        """Take a message of the record's clock port, and when the player took it (monotonic ns)."""
        self.poll()  # the nearer to its coming, the surer its stamp
        if stamp > self._since and data and self._is_kept(data):
            self._recorded += 1
            self._tail.recorded(stamp, data)
            if data == CLOCK:
                self._ear.recorded(stamp)

    def lacking(self, interval: int) -> tuple[int, ...]:
        """Return the stamps of clocks that the player has missed for certain, each of them once.

        Nothing is compared unless the record has grown: a record may be late, and time alone shows nothing.

        Args:
            interval: Of the clock, ns; 0 unknown.
        """
        if not self._recorded:
            return ()
        self._recorded = 0
        self._tail.match(_within(interval))
        found = tuple(self._ear.lacking(interval))
        self.off += len(found)
        return found

    def missing(self, interval: int = 0) -> list[Stamped] | None:
        """Take what waits; return what came since the last message of the record, None where nobody can know.

        Args:
            interval: Of the clock, ns; 0 unknown.
        """
        self.poll()
        within = _within(interval)
        if self._held:  # it has been silent for long, or just begun: then its stamps may be late
            within += self._moments.doubt
            if interval:
                if 3 * self._moments.doubt > interval:
                    return None
                within = min(within, interval // 3)
            self._release()
        return self._tail.missing(within)

    def forget(self, is_known: bool = False) -> None:
        """Begin anew: a cable of the clock was moved, or the record has a gap.

        Args:
            is_known: From now on listener and player hear the same, and what comes now and is not recorded was missed.
        """
        self.poll()
        self._begin_anew(is_known)

    def _begin_anew(self, is_known: bool) -> None:
        self._since = self._clock()
        self._held.clear()
        self._ear.forget()
        self._tail.forget(is_known)
        self._recorded = 0

    def quiet(self, sleep: Callable[[float], None] = time.sleep) -> int:
        """Take what waits, at a moment that no message is near; return that moment, monotonic ns.

        Everything up to there is taken and nothing after it.  Takes 3 ms, at
        most 30; without a quiet moment the last one has to do.
        """
        for _ in range(10):
            self.poll()
            before = self._clock()
            sleep(CLEAR_NS / 1e9)
            if self.poll() == 0:
                return (before + self._clock()) // 2
        return self._clock()


def _within(interval: int) -> int:
    return min(interval // 3, TOGETHER_NS) if interval else TOGETHER_NS


def is_counted(data: bytes) -> bool:
    """Tell whether the listener hears a message: it leaves system exclusive and active sensing out."""
    return data[:1] not in (b"\xf0", b"\xfe", b"")


def queue_reader(midi_in: Any) -> Callable[[], tuple[bytes, float] | None]:
    """Return how to read an RtMidi input in queue mode."""

    def read() -> tuple[bytes, float] | None:
        got = midi_in.get_message()
        return None if got is None else (bytes(got[0]), got[1])

    return read
