"""The socket client: attaches, subscribes, asks, and comes back after every loss.

It speaks protocol 1: a greeting, then JSON lines both ways.  Whatever goes
wrong is put into words in the model and tried again; nothing is raised.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from replank.dashboard.model import Model
from replank.dashboard.view import plain

PROTOCOL = 1
LEVELS = ["step", "event", "warn", "error"]
LONGEST = 4 * 1024 * 1024
"""A longer line is no line of ours."""


class Patience(NamedTuple):
    """Seconds: between attempts, for a greeting, of silence before a ping, before giving up, between state requests."""

    retry: float = 1.0
    greeting: float = 3.0
    quiet: float = 2.0
    lost: float = 6.0
    state: float = 0.15


PATIENCE = Patience()


class Garbage(Exception):
    """What arrived is not the protocol; the text says how."""


class Feed:
    """One connection at a time to the daemon's socket.

    Args:
        path: Returns the socket's place; asked before every attempt.
        model: Where everything goes.
        start: How to start a daemon, shown while there is none.
    """

    def __init__(self, path: Callable[[], Path], model: Model, start: str, patience: Patience = PATIENCE) -> None:
        self.path, self.model, self.start, self.patience = path, model, start, patience
        self.attempts = 0
        self._writer: asyncio.StreamWriter | None = None
        self._asked: dict[int, str] = {}
        self._number = 0
        self._state_asked = False
        self._state_after = 0.0

    async def run(self) -> None:
        """Attach and read until cancelled."""
        while True:
            self.attempts += 1
            path = self.path()
            try:
                await self._attend(path)
                self._link("The daemon closed the connection. Attaching again as soon as it is back.")
            except Garbage as wrong:
                self._link(f"What answers at {path} is not a replank daemon: {wrong}. Trying again.")
            except FileNotFoundError:
                self._link(f"No daemon is running. Start one: {self.start}. It appears here by itself.")
            except ConnectionRefusedError:
                self._link(f"The daemon is gone. Start it again: {self.start}. It appears here by itself.")
            except PermissionError:
                self._link(f"{path} belongs to another user: only its owner may watch.")
            except (ConnectionResetError, BrokenPipeError):
                self._link("The daemon closed the connection. Attaching again as soon as it is back.")
            except TimeoutError:
                self._link("The daemon does not answer; the notes may well play on. Trying again.")
            except OSError as error:
                self._link(f"Cannot attach to {path}: {error.strerror or error}. Trying again.")
            finally:
                self._drop()
            await asyncio.sleep(self.patience.retry)

    def _link(self, text: str, level: str = "warn") -> None:
        if self.model.attached:
            self.model.say(text, level)
        self.model.link, self.model.link_level = plain(text, 400), level
        self.model.forget_state()

    def _drop(self) -> None:
        if self._writer is not None:
            with suppress(OSError, RuntimeError):
                self._writer.close()
        self._writer = None
        self._asked.clear()
        self._state_asked = False

    async def _attend(self, path: Path) -> None:
        reader, self._writer = await asyncio.open_unix_connection(str(path), limit=LONGEST)
        async with asyncio.timeout(self.patience.greeting):
            greeting = await self._line(reader)
        if greeting is None or greeting.get("replank") != 1:
            raise Garbage("no greeting of ours came first")
        if greeting.get("protocol") != PROTOCOL:
            raise Garbage(f"it speaks protocol {plain(greeting.get('protocol'), 20)}, this dashboard {PROTOCOL}; "
                          "use the dashboard of the same version")  # fmt: skip
        self.model.greeting = greeting
        self.request({"do": "subscribe", "levels": LEVELS}, "subscribe")
        quiet = 0.0
        while True:
            try:
                async with asyncio.timeout(self.patience.quiet):
                    message = await self._line(reader)
            except TimeoutError:
                quiet += self.patience.quiet
                if quiet >= self.patience.lost:
                    raise
                self.request({"do": "ping"}, "ping")
                continue
            if message is None:
                return
            quiet = 0.0
            self._take(message)

    async def _line(self, reader: asyncio.StreamReader) -> dict[str, Any] | None:
        try:
            line = await reader.readline()
        except ValueError:
            raise Garbage("a line without end") from None
        if not line:
            return None
        try:
            message = json.loads(line)
        except (ValueError, RecursionError):
            raise Garbage("a line that is no JSON") from None
        if not isinstance(message, dict):
            raise Garbage("a line that is no message")
        return message

    def _take(self, message: dict[str, Any]) -> None:
        if not self.model.attached:
            self.model.attached = True
            self.model.link, self.model.link_level = "Attached.", "event"
        if "notice" in message:
            self.model.take_notice(message)
        elif isinstance(message.get("state"), dict):
            self.model.take_state(message["state"])
        number = message.get("id")
        if isinstance(number, int) and number in self._asked:
            what = self._asked.pop(number)
            if what == "state":
                self._state_asked = False
            if message.get("ok") is False:
                error = plain(message.get("error", "refused"))
                self.model.say(error if ":" in error else f"{what}: {error}", "warn", "refused")

    def request(self, message: dict[str, Any], what: str) -> bool:
        """Send a request; False when there is no daemon to take it."""
        if self._writer is None or self._writer.is_closing():
            return False
        if len(self._asked) > 500:
            self._asked.clear()
        self._number += 1
        self._asked[self._number] = what
        self._writer.write(json.dumps({"id": self._number, **message}).encode() + b"\n")
        return True

    def keep_up(self) -> None:
        """Ask for the whole state where a notice said that it changed; never twice at once."""
        now = self.model.clock()
        if self.model.wants_state and not self._state_asked and now >= self._state_after:
            self.model.wants_state = False
            self._state_asked = self.request({"do": "state"}, "state")
            self._state_after = now + self.patience.state
