"""The try-lock drain: many threads append, one at a time works, none ever waits.

A thread appends its item and then *tries* the lock.  Who gets it works off
the queue in the order of appending, releases the lock and looks again: an
item that was appended between the last look and the release, by a thread that
then failed to get the lock, would otherwise stay behind.  Who does not get
the lock returns at once, so a driver's callback (on JACK it runs inside the
audio graph) never waits for another.

Nor does it work for others without end: after its turn it leaves the rest to
the loop thread, and until that has worked off the queue callbacks only append.
Without that a storm of messages would keep whoever holds the lock for as long
as it lasts: a callback from its driver, which throws such clients out, or the
loop thread from its heartbeat.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from threading import Lock
from typing import Any

MANY = 4096
"""Items that wait before those that may be lost are dropped and counted."""
FULL = 4 * MANY
"""Items that wait before everything but `Drain.last` is dropped and counted."""


class Drain:
    """A queue whose items are handled one at a time, in order of appending.

    Args:
        handle: Called with each item; it handles its own exceptions (one that
            escapes is counted and the next item is taken).
        turn_ns: How long a thread works at a time.
        tired: Called when one has had its turn and more waits: somebody else
            must call `run` soon.  None: turns have no end.

    Attributes:
        queue: What waits.
        closed: True keeps items waiting, as before the state is loaded.
        dropped: Items refused because too many waited.
        escaped: Exceptions that `handle` let through.
        handled: Items handled; while it grows, the holder of the lock is not stuck.
        left: True while `put` leaves the work to whom `tired` called.
        trouble: The last of them.
    """

    __slots__ = (
        "_handle", "_lock", "_tired", "_turn_ns", "closed", "dropped", "escaped", "handled", "left", "queue", "trouble",
    )  # fmt: skip

    def __init__(
        self, handle: Callable[[Any], None], turn_ns: int = 0, tired: Callable[[], None] | None = None
    ) -> None:
        self.queue: deque[Any] = deque()
        self._lock = Lock()
        self._handle = handle
        self._turn_ns, self._tired = turn_ns, tired
        self.closed = self.left = False
        self.dropped = 0
        self.escaped = 0
        self.handled = 0
        self.trouble: BaseException | None = None

    def put(self, item: Any, may_lose: bool = False, last: bool = False) -> None:
        """Append an item and work, if nobody else does.

        Args:
            item: What `handle` takes.
            may_lose: True drops it already when `MANY` wait.
            last: True lets it in however many wait (Stop, commands of a person).
        """
        waiting = len(self.queue)
        if waiting >= MANY and not last and (may_lose or waiting >= FULL):
            self.dropped += 1
            return
        self.queue.append(item)
        if not self.left:
            self.run()

    def run(self) -> None:
        """Work off what waits, for one turn, unless another thread does or the drain is closed."""
        queue, lock, handle, tired = self.queue, self._lock, self._handle, self._tired
        end = time.monotonic_ns() + self._turn_ns
        while queue and not self.closed and lock.acquire(blocking=False):
            try:
                while queue and not self.closed:
                    handle(queue.popleft())
                    self.handled += 1
                    if tired is not None and queue and time.monotonic_ns() > end:
                        self.left = True
                        break
                else:
                    self.left = False  # before the next look: what was left to us until now is seen by it
            except Exception as error:
                self.escaped += 1
                self.trouble = error
            finally:
                lock.release()
            if self.left and tired is not None:
                tired()
                return

    def shut(self, seconds: float) -> bool:
        """Close, and take the lock for good; False if its holder did not let go in time."""
        self.closed = True
        return self._lock.acquire(timeout=seconds)
