"""The host's process: everything that may wait, so that the player need not.

It holds the shadow, hands its state to each new player, patches, serves the
socket and feeds the record.  What happens to player and keeper comes in here;
the parts are in modules of their own.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import sys
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from replank import wire
from replank.control.notices import Notice
from replank.control.setup import Setup
from replank.host.awake import Awake
from replank.host.boxes import Boxes
from replank.host.cables import Cables
from replank.host.feed import Feed, show_path
from replank.host.intake import Intake
from replank.host.journal import Journal
from replank.host.links import Link
from replank.host.players import LAST_RESCUE, Players
from replank.host.prepare import BadStart, load_setup
from replank.host.requests import Requests
from replank.host.server import Server
from replank.host.shadow import Shadow
from replank.host.watching import Watcher

BEAT_SECONDS = 0.2
AGAIN_SECONDS = 1.0
"""After which a part of the host that failed begins again."""


class Host:
    """The process's parts, and what happens to them.

    Args:
        facts: What the keeper said: ``fds``, ``adopt``, ``player``, ``generation``,
            ``keeper``, and from `replank play`: ``api``, ``clock``, ``rig``, ``set``,
            ``values``, ``seed``, ``practice``, ``instance``, ``state_dir``, ``socket``.
    """

    def __init__(self, facts: dict[str, Any]) -> None:
        self.facts = {**facts, "fresh": facts.get("fresh") and not facts["adopt"]}  # once is enough
        self.loop = asyncio.get_running_loop()
        self.began = time.monotonic()
        fds = facts["fds"]
        self._beat: int = fds["beat"]
        os.set_blocking(self._beat, False)
        self.control: socket.socket | None = socket.socket(fileno=fds["control"])
        self.control.setblocking(False)
        self.shadow: Shadow | None = None
        self.setup = self._read_files()
        self.intake = Intake(self)
        self.players = Players(self)
        self.watcher = Watcher(self)
        journal = Journal(Path(facts["socket"]).with_suffix(".journal"))
        self.link = Link(
            self.loop, fds["command"], fds["record"], self.intake.record, self.players.record_ended, journal.write
        )
        self.cables: Cables | None = None
        self.awake = Awake(self)
        self.boxes = Boxes(self)
        self.feed = Feed(show_path(Path(facts["state_dir"])), facts["instance"], self._disk_notice, journal)
        self.requests = Requests(self)
        self.server = Server(facts["instance"], self.requests.ask, self.requests.state, self._client_notice)
        self.player: int = facts["player"]
        self.spare: int = facts.get("spare", 0)
        self.generation = self.link.generation = int(facts["generation"])
        self.playing = False
        self.waiting = ""
        self.statistics: dict[str, Any] = {}
        self.gaps = 0
        self.replaced = 0
        self._tasks: set[asyncio.Task[Any]] = set()
        self.stopping = self.told_to_stop = False

    def _read_files(self) -> Setup:
        """Read rig and set; a host that replaces another goes on with what was in use where they are wrong now.

        Raises:
            BadStart: See `load_setup`; only at the beginning.
        """
        self.bad_files = ""
        try:
            return load_setup(self.facts)
        except BadStart as error:
            if not self.facts["adopt"]:
                raise
            self.bad_files = str(error)
            return Setup()

    # -- life ------------------------------------------------------------------

    async def run(self) -> None:
        """Serve until told to stop."""
        self.loop.add_reader(self.facts["fds"]["control"], self._hear_keeper)
        for number in (signal.SIGINT, signal.SIGHUP):
            self.loop.add_signal_handler(number, lambda: None)
        self.loop.add_signal_handler(signal.SIGTERM, self._terminated)
        self.spawn(self._heart())
        if self.bad_files:
            self.notice("file", file=str(self.facts.get("rig") or ""), text=f"not read again: {self.bad_files}")
        await self.server.start(socket.socket(fileno=self.facts["fds"]["listen"]))
        if self.facts["adopt"] and self.player:
            self.intake.adopt()
        else:
            self.link.read()  # what a player before wrote belongs to the state that it had
            self.intake.begin_anew()
            if self.player:
                self.players.bring(self.player, self.generation)
        for part in (self.watcher.listen, self.watcher.watch, self.awake.run, self.boxes.show, self.feed.go_on):
            self.spawn(self._serve(part))
        while not self.stopping:
            await asyncio.sleep(0.1)
        await self._end()

    def spawn(self, work: Any) -> asyncio.Task[Any]:
        """Let a part of the host run; what ends it unasked is told."""
        task: asyncio.Task[Any] = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._finished)
        return task

    async def _serve(self, part: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Let a part that is always needed run; one that fails is told and begins again."""
        while True:
            try:
                return await part()
            except Exception as error:
                self._tell_failure(error)
            await asyncio.sleep(AGAIN_SECONDS)

    def _finished(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        error = None if task.cancelled() else task.exception()
        if error is not None:
            self._tell_failure(error)

    def _tell_failure(self, error: BaseException) -> None:
        self.loop.call_exception_handler({"message": "a part of the host failed", "exception": error})
        self.notice("host", state="failed", text=f"a part of the host failed: {type(error).__name__}: {error}")

    async def _heart(self) -> None:
        while True:
            with contextlib.suppress(OSError):
                os.write(self._beat, b".")
            await asyncio.sleep(BEAT_SECONDS)

    def _terminated(self) -> None:
        if self.control is None:  # nobody keeps us any more: end the player, too
            self.link.send(wire.QUIT, {})
            self.told_to_stop = True
        self.stopping = True

    async def _end(self) -> None:
        """Wait for the player's end where one was asked for, then let everything go."""
        until = time.monotonic() + 3.0
        while self.players.has_gone is None and self.told_to_stop and time.monotonic() < until:
            await asyncio.sleep(0.01)
        if self.control is None and self.told_to_stop:
            await self.players.end_by_force()
        self.link.read()
        while time.monotonic() < self.players.rescued + LAST_RESCUE:
            await asyncio.sleep(0.05)
        for task in list(self._tasks):
            task.cancel()
        await self.server.close()
        await asyncio.to_thread(self.feed.close, self.told_to_stop)
        if self.cables is not None:
            self.cables.close()
        await asyncio.sleep(0.02)  # what was sent in the rescue leaves first
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(0)  # driver objects are not closed, only left

    # -- the keeper ------------------------------------------------------------

    def _hear_keeper(self) -> None:
        control = self.control
        while control is not None:
            try:
                data = control.recv(65536)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self.loop.remove_reader(control.fileno())
                control.close()
                self.control = control = None
                text = "the keeper is gone; player and host play on, but nobody would restart them"
                self.notice("host", state="keeper gone", text=text)
                return
            self._obey_keeper(json.loads(data))

    def _obey_keeper(self, message: dict[str, Any]) -> None:
        if "player" in message:
            self.players.bring(int(message["player"]), int(message["generation"]))
        elif "spare" in message:
            self.spare = int(message["spare"])
        elif "player_gone" in message:
            self.players.gone(str(message["why"]))
        elif message.get("reload"):
            self.spawn(self.requests.reload_and_tell())
        elif message.get("stop"):
            self.told_to_stop = self.stopping = True

    def tell_keeper(self, message: dict[str, Any]) -> None:
        """Send the keeper a message; without one nothing happens."""
        if self.control is not None:
            with contextlib.suppress(OSError):
                self.control.send(json.dumps(message).encode())

    # -- what is said ----------------------------------------------------------

    def tell(self, notices: list[Notice]) -> None:
        """Pass notices on to record and clients."""
        for notice in notices:
            self.feed.notice(notice)
            self.server.publish(notice)

    def differs(self, text: str) -> None:
        """The record gives other messages than were sent."""
        self.notice("differs", text=text)

    def notice(self, kind: str, **data: Any) -> None:
        """Say something of the host's own."""
        now = self.shadow.performer.now if self.shadow is not None else time.monotonic_ns()
        self.tell([Notice(kind, now, data)])

    def _disk_notice(self, notice: Notice) -> None:
        """Take a notice from the recorder's thread."""
        self.loop.call_soon_threadsafe(self.server.publish, notice)

    def rewired(self, setup: Setup) -> None:
        """A new rig is in use: its wishes hold from now on."""
        self.setup = setup
        if self.cables is not None:
            self.cables.rewire(setup)
        self.watcher.follow_setup()
        self.watcher.changed()

    def _client_notice(self, text: str) -> None:
        self.notice("client", text=text)


async def run(facts: dict[str, Any]) -> None:
    """Be the host; see `Host` for the facts."""
    try:
        host = Host(facts)
    except BadStart as error:
        with socket.socket(fileno=facts["fds"]["control"]) as control:
            control.send(json.dumps({"fail": str(error), "code": error.code}).encode())
        return
    await host.run()
