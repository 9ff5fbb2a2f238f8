"""Feeds the show's record: what came through the pipe, in its order, and the state now and then."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from replank import ENGINE
from replank.control.notices import Notice
from replank.host.journal import Journal
from replank.host.shows import Recorder
from replank.host.shows.recovering import recover
from replank.host.shows.store import default_path
from replank.performer import Performer

CHECKPOINT_SECONDS = 60
LOOK_SECONDS = 0.5


def show_path(state_dir: Path) -> Path:
    """Return where shows are kept in a state folder."""
    return state_dir / default_path().name


class Feed:
    """The host's way to the recorder; nothing here waits for the disk.

    Args:
        path: The database.
        instance: Name of this daemon.
        on_notice: Called on a foreign thread with notices about the disk.
        journal: What came through the pipe and may not be in the database yet.
    """

    def __init__(self, path: Path, instance: str, on_notice: Callable[[Notice], None], journal: Journal) -> None:
        self.path, self.journal = path, journal
        self._instance, self._on_notice = instance, on_notice
        self._recorder: Recorder | None = None
        self._performer: Performer | None = None

    def recover(self) -> None:
        """Put into the database what a host before took from the pipe and had not written; the journal begins anew."""
        recover(self.path, self.journal.read(), self._instance, self._on_notice)
        self.journal.clear()

    def begin(self, performer: Performer, after: str | int) -> None:
        """Start recording, or go on behind a gap, with this performer's state.

        Args:
            performer: Whose.
            after: Where the record goes on from it; see `Journal.base`.
        """
        self._performer = performer
        if self._recorder is None:
            first = partial(recover, self.path, self.journal.read(), self._instance, self._on_notice)
            self._recorder = Recorder(self.path, self._on_notice, engine=ENGINE, instance=self._instance, first=first)
            self.journal.base(performer.now, after)
            self._recorder.begin(performer.save())
        else:
            self.break_off(after)

    def input(self, now: int, event: list[Any]) -> None:
        """Keep an event that was performed."""
        if self._recorder is not None:
            self._recorder.input(now, event)

    def output(self, now: int, output: int, data: bytes) -> None:
        """Keep a message that was sent."""
        if self._recorder is not None:
            self._recorder.output(now, output, data)

    def notice(self, notice: Notice) -> None:
        """Keep a notice."""
        if self._recorder is not None:
            self._recorder.notice(notice)

    def break_off(self, after: str | int) -> None:
        """Inputs may be missing here: a gap, and the state from which the record goes on."""
        if self._recorder is not None and self._performer is not None:
            self.notice(
                Notice("gap", self._performer.now, {"dropped": 0, "text": "the note engine or the host was restarted"})
            )
            self.journal.base(self._performer.now, after)
            self._checkpoint()

    def _checkpoint(self) -> None:
        if self._recorder is not None and self._performer is not None:
            self._recorder.checkpoint(self._performer.now, self._performer.save())

    async def go_on(self) -> None:
        """Keep the state every minute, and whenever the record asks for it."""
        waited = 0.0
        while True:
            await asyncio.sleep(LOOK_SECONDS)
            waited += LOOK_SECONDS
            if self._recorder is not None:
                self.journal.shorten(self._recorder.given, self._recorder.kept)
            if waited >= CHECKPOINT_SECONDS or self.health().get("wants_checkpoint"):
                self._checkpoint()
                waited = 0.0

    def health(self) -> dict[str, Any]:
        """Return how keeping goes; see `Recorder.health`."""
        return {"state": "starting"} if self._recorder is None else self._recorder.health()

    def close(self, in_order: bool = True) -> bool:
        """End the show; waits for the disk a few seconds at most.  True if all is written.

        Args:
            in_order: False leaves it open: it was cut off, and what comes next goes on with it.
        """
        self._checkpoint()
        is_written = self._recorder is None or self._recorder.close(in_order=in_order)
        if is_written and in_order:
            self.journal.remove()
        return is_written
