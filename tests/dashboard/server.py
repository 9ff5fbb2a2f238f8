"""A daemon's socket played from the record: it speaks protocol 1 and writes down what it is asked."""

from __future__ import annotations

import asyncio
import json
import tempfile
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

from replank.control.actions import split_action
from tests.dashboard import recording


class Server:
    """One socket in a folder of its own.

    Args:
        record: As `recording.load` returns it.
        greeting: Another greeting than the record's; bytes are sent as they are.
    """

    def __init__(self, record: dict[str, Any], greeting: dict[str, Any] | bytes | None = None) -> None:
        self.record = record
        self.greeting = record["greeting"] if greeting is None else greeting
        self.folder = tempfile.TemporaryDirectory(prefix="replank-test-")
        self.path = Path(self.folder.name) / "replank.sock"
        self.asked: list[dict[str, Any]] = []
        self.is_deaf = False
        self.tell_record = True
        self._writers: list[asyncio.StreamWriter] = []
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> Server:
        await self.open()
        return self

    async def __aexit__(self, kind: type[BaseException] | None, error: BaseException | None,
                        trace: TracebackType | None) -> None:  # fmt: skip
        await self.close()
        self.folder.cleanup()

    async def open(self) -> None:
        """Begin to listen."""
        self._server = await asyncio.start_unix_server(self._serve, str(self.path), limit=1 << 22)

    async def close(self) -> None:
        """End: the socket is gone and every client is cut off."""
        if self._server is None:
            return
        self._server.close()
        for writer in self._writers:
            writer.close()
        for writer in self._writers:
            with suppress(OSError):
                await writer.wait_closed()
        self._writers.clear()
        await self._server.wait_closed()
        self._server = None
        self.path.unlink(missing_ok=True)

    def raw(self, data: bytes) -> None:
        """Send bytes to everyone."""
        for writer in self._writers:
            writer.write(data)

    def tell(self, message: dict[str, Any]) -> None:
        """Send a message to everyone."""
        self.raw(json.dumps(message).encode() + b"\n")

    def tell_fresh(self) -> None:
        """Say what the record's last moments held, and where the playhead is."""
        for message in [*self.record["fresh"], self.record["step"]]:
            self.tell(message)

    def notice(self, kind: str, text: str = "", level: str = "event", **data: Any) -> None:
        """Send a notice to everyone."""
        self.tell({"notice": kind, "now": 0, "text": text, "level": level, "data": data})

    def done(self) -> list[str]:
        """Return what was asked for, in the words of `replank send`."""
        found = []
        for message in self.asked:
            if message["do"] == "act":
                found.append(message["action"])
            elif message["do"] == "set":
                found += [f"{name}={value}" for name, value in message["values"].items()]
        return found

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        with suppress(OSError, ValueError):
            greeting = self.greeting
            writer.write(greeting if isinstance(greeting, bytes) else json.dumps(greeting).encode() + b"\n")
            while line := await reader.readline():
                if not self.is_deaf:
                    self._answer(json.loads(line), writer)

    def _answer(self, message: dict[str, Any], writer: asyncio.StreamWriter) -> None:
        self.asked.append(message)
        answer: dict[str, Any] = {"id": message.get("id"), "ok": True}
        if message["do"] == "state":
            answer["state"] = self.record["state"]
        elif message["do"] == "act":
            try:
                split_action(message["action"])
            except ValueError as error:
                answer = {"id": message.get("id"), "ok": False, "error": str(error)}
        writer.write(json.dumps(answer).encode() + b"\n")
        if message["do"] == "subscribe":
            writer.write(json.dumps({"state": self.record["state"]}).encode() + b"\n")
            if self.tell_record:
                for notice in self.record["notices"]:
                    writer.write(json.dumps(notice).encode() + b"\n")


def load_server(**options: Any) -> Server:
    """Return a server of the kept record."""
    return Server(recording.load(), **options)
