"""A small client of the socket, for commands: connect, ask, listen."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

from replank.host.paths import DEFAULT_INSTANCE, socket_path

PROTOCOL = 1


class NoDaemon(Exception):
    """Nobody answers there; the message says how to start a daemon."""


class Denied(Exception):
    """The daemon refused; the message is its sentence."""


class Client:
    """A connection.

    Args:
        path: Of the socket.
        timeout: Seconds to wait for an answer.

    Attributes:
        greeting: What the daemon said of itself.

    Raises:
        NoDaemon: Nobody answers, or not this protocol.
    """

    def __init__(self, path: Path, timeout: float = 5.0) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout)
        self._number = 0
        self._buffer = bytearray()
        try:
            self._socket.connect(os.fspath(path))
            self.greeting = self._read()
        except (OSError, ValueError):
            self._socket.close()
            named = "" if path.stem == DEFAULT_INSTANCE else f" --instance {path.stem}"
            raise NoDaemon(f"no daemon answers at {path}; start one: replank play{named}") from None
        if self.greeting.get("protocol") != PROTOCOL:
            said = self.greeting.get("error") or f"it speaks protocol {self.greeting.get('protocol')}, not {PROTOCOL}"
            self.close()
            raise NoDaemon(f"the daemon at {path} cannot be used: {said}")

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the connection."""
        self._socket.close()

    def ask(self, do: str, **fields: Any) -> dict[str, Any]:
        """Send a request and return its answer; other lines that come first are skipped.

        Raises:
            Denied: The daemon said no.
            NoDaemon: It went away, or did not answer in time.
        """
        self._number += 1
        try:
            self._socket.sendall(json.dumps({"id": self._number, "do": do, **fields}).encode() + b"\n")
            while (answer := self._read()).get("id") != self._number:
                pass
        except (OSError, ValueError):
            raise NoDaemon("the daemon does not answer any more; see: replank status") from None
        if not answer.get("ok"):
            raise Denied(str(answer.get("error", "refused")))
        return answer

    def lines(self) -> Iterator[dict[str, Any]]:
        """Yield what the daemon sends after a subscription, until it ends.

        Raises:
            TimeoutError: Nothing came within the timeout.
        """
        while True:
            try:
                yield self._read()
            except (ValueError, ConnectionError):
                return

    def _read(self) -> dict[str, Any]:
        while (end := self._buffer.find(b"\n")) < 0:
            data = self._socket.recv(65536)  # a timeout leaves what came so far in the buffer
            if not data:
                raise ValueError("the connection ended")
            self._buffer += data
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        answer = json.loads(line)
        return answer if isinstance(answer, dict) else {}


def connect(instance: str, timeout: float = 5.0) -> Client:
    """Return a connection to an instance's daemon.

    Raises:
        NoDaemon: See `Client`.
        ValueError: `instance` is no name of an instance.
    """
    return Client(socket_path(instance), timeout)
