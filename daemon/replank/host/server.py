"""The local socket: JSON lines, protocol 1, for the owner of this process only.

Nothing here can hold up the host: sizes, rates and the number of clients are
bounded, and a client that does not read is dropped, never waited for.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import struct
import sys
import time
from collections.abc import Awaitable, Callable
from typing import Any

from replank import __version__
from replank.control.notices import NOTICES, Notice, words
from replank.midi.naming import clean_name

PROTOCOL = 1
LONGEST_LINE = 64 * 1024
MOST_CLIENTS = 32
MOST_WAITING = 2 * 1024 * 1024
"""Bytes that wait for a client before it is dropped: several whole states."""
RATE, BURST = 200.0, 400.0
"""Requests a second that a client may send, and how many at once."""
STATE_SECONDS = 0.5
LEVELS = ("step", "event", "warn", "error")

Ask = Callable[[dict[str, Any], str], Awaitable[dict[str, Any]]]


class Refused(Exception):
    """A request that cannot be done; the message is one sentence for the person who asked."""


def clean(value: Any) -> Any:
    """Return JSON-able data whose texts have no control characters."""
    if isinstance(value, str):
        return value if value.isprintable() else clean_name(value)
    if isinstance(value, dict):
        return {clean(str(key)): clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [clean(item) for item in value]
    return value


def notice_line(notice: Notice) -> dict[str, Any]:
    """Return a notice as clients get it."""
    level = NOTICES[notice.kind].level if notice.kind in NOTICES else "event"
    text = words(notice.kind, notice.data)
    return {"notice": notice.kind, "now": notice.now, "level": level, "text": clean(text), "data": clean(notice.data)}


def peer_uid(sock: socket.socket) -> int | None:
    """Return the user of the other end, None where this system does not tell."""
    if hasattr(socket, "SO_PEERCRED"):
        return int(struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))[1])
    if sys.platform == "darwin":  # LOCAL_PEERCRED of SOL_LOCAL: version, uid, groups
        return int(struct.unpack_from("2I", sock.getsockopt(0, 1, 76))[1])
    return None


class _Client:
    """One connection."""

    def __init__(self, name: str, writer: asyncio.StreamWriter) -> None:
        self.name = name
        self.writer = writer
        self.levels: frozenset[str] = frozenset()
        self.wants_state = False
        self._tokens, self._filled = BURST, time.monotonic()

    def may_ask(self) -> bool:
        """Take one request off the allowance; False if there is none left."""
        now = time.monotonic()
        self._tokens = min(BURST, self._tokens + (now - self._filled) * RATE)
        self._filled = now
        self._tokens -= 1
        return self._tokens >= 0


class Server:
    """Serves clients.

    Args:
        instance: Name of this daemon.
        ask: Does a request and returns the answer's fields; raises `Refused`.
        state: Returns the whole state.
        on_notice: Called with (text) when a client was dropped.
    """

    def __init__(
        self, instance: str, ask: Ask, state: Callable[[], dict[str, Any]], on_notice: Callable[[str], None]
    ) -> None:
        self._instance, self._ask, self._state, self._on_notice = instance, ask, state, on_notice
        self._clients: set[_Client] = set()
        self._count = 0
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self, listening: socket.socket) -> None:
        """Accept clients on a listening socket."""
        # since Python 3.13 the end of a server removes the socket's path, which the next host needs
        stay: dict[str, Any] = {"cleanup_socket": False} if sys.version_info >= (3, 13) else {}
        self._server = await asyncio.start_unix_server(self._serve, sock=listening, limit=LONGEST_LINE, **stay)
        self._tasks.add(asyncio.create_task(self._tell_state()))

    async def close(self) -> None:
        """End all connections, after what they wait for has been written where that is quick."""
        for task in self._tasks:
            task.cancel()
        if self._server is not None:
            self._server.close()
        for client in list(self._clients):
            client.writer.close()
        await asyncio.sleep(0.02)

    @property
    def clients(self) -> int:
        """How many are connected."""
        return len(self._clients)

    def publish(self, notice: Notice) -> None:
        """Send a notice to all who subscribed to its level."""
        listening = [client for client in self._clients if client.levels]
        if not listening:
            return
        line = notice_line(notice)
        data = json.dumps(line).encode() + b"\n"
        for client in listening:
            if line["level"] in client.levels:
                self._write(client, data)

    async def _tell_state(self) -> None:
        while True:
            await asyncio.sleep(STATE_SECONDS)
            wanting = [client for client in self._clients if client.wants_state]
            try:
                data = self._state_line() if wanting else b""
            except Exception as error:  # the next one may be well, and nobody should look at an old one unawares
                self._on_notice(f"the state could not be told: {type(error).__name__}: {error}")
                continue
            for client in wanting:
                self._write(client, data)

    def _state_line(self) -> bytes:
        return json.dumps({"state": clean(self._state())}).encode() + b"\n"

    def _write(self, client: _Client, data: bytes) -> None:
        transport = client.writer.transport
        if transport.is_closing():
            return
        client.writer.write(data)
        if transport.get_write_buffer_size() > MOST_WAITING:
            self._drop(client, "does not read what it asked for")

    def _drop(self, client: _Client, why: str) -> None:
        client.levels, client.wants_state = frozenset(), False
        client.writer.transport.abort()
        self._on_notice(f"{client.name} {why} and was dropped")

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._count += 1
        client = _Client(f"client {self._count}", writer)
        uid = peer_uid(writer.get_extra_info("socket"))
        if uid is not None and uid != os.getuid():
            self._drop(client, f"belongs to another user ({uid})")
            return
        if len(self._clients) >= MOST_CLIENTS:
            self._write(client, _line(ok=False, error=f"{MOST_CLIENTS} clients are connected already"))
            writer.close()
            return
        self._clients.add(client)
        try:
            self._write(client, _line(replank=1, protocol=PROTOCOL, version=__version__, instance=self._instance))
            await self._converse(client, reader)
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._clients.discard(client)
            writer.close()

    async def _converse(self, client: _Client, reader: asyncio.StreamReader) -> None:
        while True:
            try:
                line = await reader.readline()
            except (asyncio.LimitOverrunError, ValueError):
                self._drop(client, f"sent a line of more than {LONGEST_LINE} bytes")
                return
            if not line:
                return
            if not client.may_ask():
                self._drop(client, f"sent more than {RATE:g} requests a second")
                return
            answer = await self._answer(client, line)
            self._write(client, json.dumps(clean(answer)).encode() + b"\n")
            if answer.get("ok") and client.wants_state and answer.get("levels") is not None:
                self._write(client, self._state_line())

    async def _answer(self, client: _Client, line: bytes) -> dict[str, Any]:
        marked: dict[str, Any] = {}
        try:
            request = _read(line)
            if "id" in request:
                marked = {"id": request["id"]}
            if request.get("do") == "subscribe":
                return {**marked, "ok": True, "levels": self._subscribe(client, request)}
            return {**marked, "ok": True, **await self._ask(request, client.name)}
        except (Refused, ValueError) as error:
            return {**marked, "ok": False, "error": str(error)}
        except Exception as error:  # a fault of ours must not take the other clients down
            self._on_notice(f"{client.name}'s request failed: {type(error).__name__}: {error}")
            return {**marked, "ok": False, "error": "the daemon failed to do that; its log says why"}

    def _subscribe(self, client: _Client, request: dict[str, Any]) -> list[str]:
        levels = request.get("levels", list(LEVELS))
        if not isinstance(levels, list) or not all(level in LEVELS for level in levels):
            raise Refused(f"levels are some of {', '.join(LEVELS)}")
        client.levels = frozenset(levels)
        client.wants_state = request.get("state", True) is not False
        return sorted(client.levels, key=LEVELS.index)


def _line(**fields: Any) -> bytes:
    return json.dumps(fields).encode() + b"\n"


def _read(line: bytes) -> dict[str, Any]:
    try:
        request = json.loads(line)
    except (ValueError, RecursionError):
        raise Refused('a request is one line of JSON, such as {"do": "ping"}') from None
    if not isinstance(request, dict):
        raise Refused('a request is a JSON object, such as {"do": "ping"}')
    if not isinstance(request.get("id"), (str, int, float, type(None), bool)):
        raise Refused("an id is a text or a number")
    return request
