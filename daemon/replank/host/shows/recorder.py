"""The recorder: what the host calls while it plays, and the thread behind it.

No method waits for the disk: each appends to a bounded queue and returns.  A
thread of its own writes what has come every 100 ms as one transaction.  While
the disk fails the queue fills and nothing is lost; once it is full, what
comes is counted and the record shows a gap there.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from replank import __version__
from replank.control.notices import Notice
from replank.host.shows.writing import Writer

COMMIT_EVERY = 0.1
"""Seconds between commits: what a power loss may cost."""
QUEUE = 100_000
"""Things held while the disk fails: about 7 minutes at 300 BPM, 19 at 120."""


class Recorder:
    """Keeps one show.

    The first call is `begin`; then `input`, `output`, `notice` and
    `checkpoint` in the order in which things came through the pipe, from one
    thread.  That order is the record.
    """

    def __init__(
        self,
        path: Path,
        on_notice: Callable[[Notice], None] = lambda notice: None,
        *,
        engine: int,
        instance: str = "",
        queue: int = QUEUE,
        pages: int = 0,
        first: Callable[[], object] = lambda: None,
    ) -> None:
        """Start the thread; the file is opened on it, so that no disk is waited for.

        Args:
            path: The database.
            on_notice: Called with notices of kind ``disk``, on the recorder's
                thread; it must return at once (hand it to the event loop).
            engine: Version number of the notes.
            instance: Name of the running daemon.
            queue: Things held at most.
            first: Called on the thread before anything is written.
            pages: Bound on the file in pages of 4 KiB; 0 none.
        """
        self._queue: deque[tuple[Any, ...]] = deque()
        self._most = queue
        self._first = first
        self.given = 0
        self._dropped = 0
        self._stop = threading.Event()
        self._writer = Writer(Path(path), self._queue, on_notice, engine, __version__, instance, pages)
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    def begin(self, saved: dict[str, Any], *, resume: bool = True) -> None:
        """Start the show with a checkpoint of the state that it starts from.

        Args:
            saved: What `Performer.save` returned.
            resume: Go on with the last show, behind a gap, where that show was
                not ended in order, less than half an hour ago, on the same
                boot; False always begins a new one.
        """
        self._put(("begin", int(saved["now"]), saved, resume))

    def input(self, now: int, event: list[Any]) -> None:
        """Keep an input.

        Args:
            now: The clamped time: `performer.now` after `receive`, ns.
            event: What `performer.events.to_plain` returned.
        """
        self._put(("input", now, event))

    def output(self, now: int, output: int, data: bytes) -> None:
        """Keep a message that was sent.

        Args:
            now: `performer.now` after the call that gave the message, ns: of an
                input exactly its time, of a deadline the time at which it was
                noticed.  Not the time of sending.
            output: Index into `Setup.outputs`.
            data: The message.
        """
        self._put(("output", now, output, data))

    def notice(self, notice: Notice) -> None:
        """Keep a notice; those of level step are derived from the inputs and left out.

        A notice of kind ``gap`` says that inputs are missing here.  What
        follows it can be replayed from the next checkpoint on, so one should
        come soon.
        """
        self._put(("notice", notice.now, notice))

    def checkpoint(self, now: int, saved: dict[str, Any]) -> None:
        """Keep the whole state, every minute and before `close`.

        Args:
            now: `saved["now"]`, ns.
            saved: What `Performer.save` returned after the last input given
                to this recorder; it must not be changed afterwards.
        """
        self._put(("checkpoint", now, saved))

    def limit_pages(self, pages: int) -> None:
        """Bound the file to so many pages of 4 KiB from now on; 0 takes the bound away."""
        self._writer.pages = pages

    def health(self) -> dict[str, Any]:
        """Return how keeping goes, as plain data.

        ``state`` is starting, ok, slow, failing or closed; ``text`` a sentence;
        ``path`` the file in use; ``show`` its number in there, 0 before it has
        one; ``queued`` things not yet on the disk; ``dropped`` things that the
        record will never hold; ``commits`` and ``slowest_ms`` of a commit so
        far; ``bytes`` of the file; ``wants_checkpoint`` True while the record
        waits for a `checkpoint` to go on behind a gap.
        """
        health = dict(self._writer.health)
        health["queued"] += len(self._queue)
        health["dropped"] += self._dropped
        return health

    def close(self, timeout: float = 5.0, in_order: bool = True) -> bool:
        """End the show and write the rest.

        Args:
            timeout: Seconds to wait at most; a disk that hangs is left alone.
            in_order: False leaves the show as one that was cut off.

        Returns:
            True if everything is on the disk.
        """
        self._writer.ends_in_order = in_order
        self._stop.set()
        self._thread.join(timeout)
        return not self._thread.is_alive() and self.health()["queued"] == 0

    def _put(self, item: tuple[Any, ...]) -> None:
        if len(self._queue) >= self._most:
            self._dropped += 1
            return
        if self._dropped:
            dropped, self._dropped = self._dropped, 0
            self._queue.append(("dropped", item[1], dropped))
            self.given += 1
        self._queue.append(item)
        self.given += 1

    @property
    def kept(self) -> int:
        """How many of the things given are in the database; see `given`."""
        return self._writer.kept

    def _run(self) -> None:
        writer = self._writer
        try:
            self._first()
        except Exception as error:
            text = f"what the host before had not written could not be kept: {type(error).__name__}: {error}"
            writer.on_notice(Notice("disk", time.monotonic_ns(), {"state": "failing", "text": text}))
        while not self._stop.wait(COMMIT_EVERY):
            writer.tick(time.monotonic())
        if self._dropped:
            self._queue.append(("dropped", self._queue[-1][1] if self._queue else 0, self._dropped))
            self._dropped = 0
        writer.finish()
