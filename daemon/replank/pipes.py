"""What travels between player and host: plain data, framed in short records.

A record is a header and at most `PAYLOAD` bytes, together never longer than
PIPE_BUF (512 bytes is the least that POSIX promises), so that a write into a
pipe is whole or not at all, also when the writer is killed.  Longer payloads
are split; a chunk that lacks its successor is dropped by the reader, not
glued to something else.

Nothing here can run code or grow without bound on bad input: `decode` raises
ValueError, `Reader` skips to the next plausible record and counts what it
skipped.  Standard library only; the player imports this.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
from collections.abc import Iterator
from typing import Any

PIPE_VERSION = 2
"""Version of the records; sent in the first one, a `hello`."""
RECORD = 512
"""Longest record in bytes: the least PIPE_BUF that POSIX allows."""
CAPACITY = 1 << 20
"""Bytes that a pipe of ours holds where the system allows it."""
GATHERED = 24
"""Longest payload in bytes that may be gathered."""
MOST = RECORD // (GATHERED + 8)
"""Payloads that are gathered: together no longer than a record, so that they are written whole or not at all."""
DEEPEST = 32
"""Nesting that `encode` and `decode` accept."""

_HEADER = struct.Struct("<BBHI")
_MAGIC = 0xA7
_MORE = 0x80
PAYLOAD = RECORD - _HEADER.size
_LONGEST = 1 << 26

_I64, _F64, _U32 = struct.Struct("<q"), struct.Struct("<d"), struct.Struct("<I")


def encode(plain: Any) -> bytes:
    """Return plain data as bytes: None, bool, int, float, str, bytes, list or tuple, dict with str keys.

    Raises:
        TypeError: Anything else.
        ValueError: Nested more than `DEEPEST` deep.
    """
    out = bytearray()
    _encode(plain, out, DEEPEST)
    return bytes(out)


def _encode(value: Any, out: bytearray, depth: int) -> None:
    if value is None:
        out += b"N"
    elif value is True:
        out += b"T"
    elif value is False:
        out += b"F"
    elif isinstance(value, int):
        _encode_int(value, out)
    elif isinstance(value, float):
        out += b"d" + _F64.pack(value)
    elif isinstance(value, str):
        text = value.encode("utf-8", "surrogatepass")
        out += b"s" + _U32.pack(len(text)) + text
    elif isinstance(value, (bytes, bytearray)):
        out += b"b" + _U32.pack(len(value)) + value
    elif depth <= 0:
        raise ValueError(f"nested more than {DEEPEST} deep")
    elif isinstance(value, (list, tuple)):
        out += b"l" + _U32.pack(len(value))
        for item in value:
            _encode(item, out, depth - 1)
    elif isinstance(value, dict):
        out += b"m" + _U32.pack(len(value))
        for key, item in value.items():
            if not isinstance(key, str):
                raise TypeError(f"a key is {type(key).__name__}, not str")
            _encode(key, out, 0)
            _encode(item, out, depth - 1)
    else:
        raise TypeError(f"{type(value).__name__} is not plain data")


def _encode_int(value: int, out: bytearray) -> None:
    if -128 <= value <= 127:
        out += b"k"
        out.append(value & 0xFF)
    elif -(2**63) <= value < 2**63:
        out += b"q" + _I64.pack(value)
    else:
        size = value.bit_length() // 8 + 1
        out += b"z" + _U32.pack(size) + value.to_bytes(size, "little", signed=True)


def decode(data: bytes) -> Any:
    """Return the plain data that `encode` made into `data`; tuples come back as lists.

    Raises:
        ValueError: Not what `encode` makes: cut short, too long, unknown, too deep.
    """
    try:
        value, end = _decode(data, 0, DEEPEST)
    except (IndexError, struct.error, UnicodeDecodeError) as error:
        raise ValueError(f"not plain data: {error}") from None
    if end != len(data):
        raise ValueError(f"{len(data) - end} bytes too many")
    return value


def _decode(data: bytes, at: int, depth: int) -> tuple[Any, int]:
    tag = data[at]
    at += 1
    if tag == 0x4E:  # N
        return None, at
    if tag == 0x54:  # T
        return True, at
    if tag == 0x46:  # F
        return False, at
    if tag == 0x6B:  # k
        small = data[at]
        return (small - 256 if small > 127 else small), at + 1
    if tag == 0x71:  # q
        return _I64.unpack_from(data, at)[0], at + 8
    if tag == 0x64:  # d
        return _F64.unpack_from(data, at)[0], at + 8
    size = _U32.unpack_from(data, at)[0]
    at += 4
    if size > len(data) - at:
        raise ValueError("cut short")
    if tag == 0x73:  # s
        return data[at : at + size].decode("utf-8", "surrogatepass"), at + size
    if tag == 0x62:  # b
        return bytes(data[at : at + size]), at + size
    if tag == 0x7A:  # z
        return int.from_bytes(data[at : at + size], "little", signed=True), at + size
    if depth <= 0:
        raise ValueError(f"nested more than {DEEPEST} deep")
    if tag == 0x6C:  # l
        items = []
        for _ in range(size):
            item, at = _decode(data, at, depth - 1)
            items.append(item)
        return items, at
    if tag == 0x6D:  # m
        made: dict[str, Any] = {}
        for _ in range(size):
            key, at = _decode(data, at, 0)
            if not isinstance(key, str):
                raise ValueError("a key is no text")
            made[key], at = _decode(data, at, depth - 1)
        return made, at
    raise ValueError(f"unknown tag {tag}")


class Framer:
    """Numbers the records of one direction and splits what is too long for one."""

    __slots__ = ("sequence",)

    def __init__(self) -> None:
        self.sequence = 0

    def frames(self, kind: int, payload: bytes) -> Iterator[bytes]:
        """Yield the records, each at most `RECORD` bytes, that carry `payload`.

        Args:
            kind: 1 to 127, what the payload is.
            payload: At most 64 MiB.
        """
        if len(payload) <= PAYLOAD:
            yield self._frame(kind, payload)
            return
        last = len(payload) - PAYLOAD
        for start in range(0, len(payload), PAYLOAD):
            yield self._frame(kind | _MORE if start < last else kind, payload[start : start + PAYLOAD])

    def _frame(self, kind: int, part: bytes) -> bytes:
        number = self.sequence
        self.sequence = (number + 1) & 0xFFFFFFFF
        return _HEADER.pack(_MAGIC, kind, len(part), number) + part


class Writer:
    """Writes records into a non-blocking pipe; a full pipe drops and counts.

    Not thread-safe: the player writes under its drain's lock.

    Attributes:
        dropped: Records that found no room, over the writer's life.
        gap_kind: The kind of the record that tells the reader of drops (payload: u64 count).
    """

    __slots__ = ("_fd", "_framer", "_gathered", "_untold", "dropped", "gap_kind")

    def __init__(self, fd: int, gap_kind: int) -> None:
        os.set_blocking(fd, False)
        self._fd = fd
        self._framer = Framer()
        self._gathered: list[tuple[int, bytes]] = []
        self._untold = 0
        self.dropped = 0
        self.gap_kind = gap_kind

    def write(self, kind: int, payload: bytes) -> bool:
        """Write one payload behind all that was gathered; return False if it, or a part of it, was dropped."""
        if self._gathered:
            if self._join((kind, payload)):
                return self.flush()
            self.flush()
        if self._untold and not self._tell():
            self._drop(1)
            return False
        if len(payload) <= PAYLOAD:
            if self._put(self._framer._frame(kind, payload)):
                return True
            self._drop(1)
            return False
        frames = list(self._framer.frames(kind, payload))
        for done, frame in enumerate(frames):
            if not self._put(frame):
                self._drop(len(frames) - done)
                return False
        return True

    def gather(self, kind: int, payload: bytes) -> None:
        """Keep a short payload, at most `GATHERED` bytes, until the next is written, `MOST` are kept, or `flush`."""
        self._gathered.append((kind, payload))
        if len(self._gathered) >= MOST:
            self.flush()

    def flush(self) -> bool:
        """Write what was gathered, with one system call; return False if it was dropped."""
        gathered = self._gathered
        if not gathered:
            return True
        self._gathered = []
        is_told = not self._untold or self._tell()
        if is_told and self._put(b"".join([self._framer._frame(*one) for one in gathered])):
            return True
        self._drop(len(gathered))
        return False

    def _join(self, *more: tuple[int, bytes]) -> bool:
        """Gather payloads of any kind if all that is gathered still fits into one record's length; False if not."""
        if sum(len(payload) + _HEADER.size for _, payload in (*self._gathered, *more)) > RECORD:
            return False
        self._gathered += more
        return True

    def write_pair(self, first: tuple[int, bytes], second: tuple[int, bytes]) -> None:
        """Write two payloads, and what was gathered, with one system call where all fits into one record's length."""
        if self._join(first, second):
            self.flush()
        else:
            self.write(*first)
            self.write(*second)

    def write_slice(self, kind: int, payload: bytes, start: int, count: int) -> int:
        """Write at most `count` records of a long payload from `start`; return where to go on.

        A full pipe only delays it: nothing of it is dropped.  It is complete
        when the length of `payload` is returned.
        """
        framer = self._framer
        self.flush()
        if self._untold and not self._tell():
            return start
        for _ in range(count):
            end = min(start + PAYLOAD, len(payload))
            before = framer.sequence
            if not self._put(framer._frame(kind if end == len(payload) else kind | _MORE, payload[start:end])):
                framer.sequence = before
                break
            start = end
            if start == len(payload):
                break
        return start

    def _tell(self) -> bool:
        """Say how many were dropped since the last time; True if there was room."""
        before = self._framer.sequence
        if not self._put(self._framer._frame(self.gap_kind, struct.pack("<Q", self._untold))):
            self._framer.sequence = before
            return False
        self._untold = 0
        return True

    def _drop(self, count: int) -> None:
        self.dropped += count
        self._untold += count

    def _put(self, frame: bytes) -> bool:
        try:
            os.write(self._fd, frame)
        except BlockingIOError:
            return False
        except BrokenPipeError:  # nobody reads any more; the keeper holds the other end while it lives
            return False
        return True


class Reader:
    """Takes a stream of bytes apart into (kind, payload).

    Attributes:
        skipped: Bytes that belonged to no record.
        broken: Payloads whose parts did not all arrive.
    """

    __slots__ = ("_buffer", "_next", "_parts", "broken", "skipped")

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._parts: dict[int, list[bytes]] = {}
        self._next = -1
        self.skipped = 0
        self.broken = 0

    def feed(self, data: bytes) -> list[tuple[int, bytes]]:
        """Return the payloads that `data` completes, in order."""
        buffer = self._buffer
        buffer += data
        found: list[tuple[int, bytes]] = []
        at = 0
        while len(buffer) - at >= _HEADER.size:
            magic, kind, size, number = _HEADER.unpack_from(buffer, at)
            if magic != _MAGIC or size > PAYLOAD or kind & 0x7F == 0:
                at = self._skip(at)
                continue
            end = at + _HEADER.size + size
            if end > len(buffer):
                break
            if end < len(buffer) and buffer[end] != _MAGIC:  # an 0xA7 that began no record
                at = self._skip(at)
                continue
            self._take(kind, bytes(buffer[at + _HEADER.size : end]), number, found)
            at = end
        del buffer[:at]
        return found

    def _skip(self, at: int) -> int:
        """Go to the next byte that may begin a record, and count what was passed."""
        after = self._buffer.find(_MAGIC, at + 1)
        after = len(self._buffer) if after < 0 else after
        self.skipped += after - at
        self._lose_parts()
        return after

    def _lose_parts(self) -> None:
        self.broken += len(self._parts)
        self._parts.clear()

    def _take(self, kind: int, part: bytes, number: int, found: list[tuple[int, bytes]]) -> None:
        if self._next >= 0 and number != self._next:
            self._lose_parts()
        self._next = (number + 1) & 0xFFFFFFFF
        plain = kind & 0x7F
        if kind & _MORE:
            parts = self._parts.setdefault(plain, [])
            parts.append(part)
            if len(parts) * PAYLOAD > _LONGEST:
                del self._parts[plain]
                self.broken += 1
            return
        parts = self._parts.pop(plain, [])
        found.append((plain, b"".join([*parts, part]) if parts else part))


def widen(fd: int) -> int:
    """Make a pipe hold `CAPACITY` bytes where the system allows; return what it holds, 0 unknown."""
    resize = getattr(fcntl, "F_SETPIPE_SZ", None)
    if resize is None:
        return 0
    with contextlib.suppress(OSError):
        return fcntl.fcntl(fd, resize, CAPACITY)
    return fcntl.fcntl(fd, fcntl.F_GETPIPE_SZ)
