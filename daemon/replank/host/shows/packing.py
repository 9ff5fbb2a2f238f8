"""Packing: one second of a stream in one blob, and states in theirs.

A blob is zlib (level 1) over the pipe codec's encoding of three byte strings
and lists: times as zigzag variable-length differences in nanoseconds, the
place of each item in a list of distinct items, and that list.  A clock of 24
to the quarter is one item named many times, so what costs room is the jitter
of its times.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from typing import Any

from replank.host.shows.schema import SECOND
from replank.pipes import decode, encode


class Damaged(ValueError):
    """A blob that is not what was written."""


def put_varint(into: bytearray, value: int) -> None:
    """Append an integer >= 0, seven bits a byte, low first."""
    while value > 0x7F:
        into.append(value & 0x7F | 0x80)
        value >>= 7
    into.append(value)


def varints(data: bytes) -> Iterator[int]:
    """Yield the integers that `put_varint` appended."""
    value = shift = 0
    for byte in data:
        value |= (byte & 0x7F) << shift
        if byte & 0x80:
            shift += 7
        else:
            yield value
            value = shift = 0
    if shift:
        raise Damaged("a number is cut off")


def zigzag(value: int) -> int:
    """Fold a signed integer to one >= 0, small ones first."""
    return value << 1 if value >= 0 else -value * 2 - 1


def unzigzag(value: int) -> int:
    """Undo `zigzag`."""
    return -(value + 1 >> 1) if value & 1 else value >> 1


class Row(tuple[int, int, int, int, bytes]):
    """(second, first, count, chain, blob), as it goes into a stream's table."""

    __slots__ = ()


class Packer:
    """Packs one stream of one show, a second at a time.

    Attributes:
        count: Items added since the show began.
        chain: CRC-32 over all payloads of finished seconds.
    """

    def __init__(self, base: int, count: int = 0, chain: int = 0, second: int = -1) -> None:
        """Start a stream, or go on with one behind its last row (`second`)."""
        self.base, self.count, self.chain = base, count, chain
        self._after = second
        self._open(-1)

    def _open(self, second: int) -> None:
        self.second, self.first = second, self.count
        self._last = self.base + second * SECOND
        self._times, self._places = bytearray(), bytearray()
        self._known: dict[bytes, int] = {}

    @property
    def is_empty(self) -> bool:
        """True if the present second holds nothing."""
        return self.count == self.first

    def add(self, now: int, item: Any) -> Row | None:
        """Add an item of time `now` (ns); return the row that it finished, if any."""
        second = max((now - self.base) // SECOND, 0, self.second, self._after + 1)
        done = None
        if second != self.second:
            if not self.is_empty:
                done = self.row()
                self.chain = done[3]
            self._open(second)
        word = encode(item)
        place = self._known.setdefault(word, len(self._known))
        put_varint(self._times, zigzag(now - self._last))
        put_varint(self._places, place)
        self._last = now
        self.count += 1
        return done

    def row(self) -> Row:
        """Return the present second as a row; it may still grow."""
        payload = encode([bytes(self._times), bytes(self._places), list(self._known)])
        return Row((self.second, self.first, self.count - self.first, zlib.crc32(payload, self.chain),
                    zlib.compress(payload, 1)))  # fmt: skip


def unpack(base: int, second: int, count: int, before: int | None, chain: int, blob: bytes) -> list[tuple[int, Any]]:
    """Return the (now, item) pairs of a row.

    Args:
        base: Performer time of the show's second 0, ns.
        second: The row's second within the show.
        count: How many items it names.
        before: Chain of the row before, 0 for the first, None if that row is missing.
        chain: The row's own.
        blob: The row's.

    Raises:
        Damaged: The blob cannot be read, or is not the one that was written.
    """
    try:
        payload = zlib.decompress(blob)
        times, places, words = decode(payload)
        items = [decode(word) for word in words]
        now, made = base + second * SECOND, []
        for step, place in zip(varints(times), varints(places), strict=True):
            now += unzigzag(step)
            made.append((now, items[place]))
    except Damaged:
        raise
    except Exception as error:  # any shape of damage: bytes from a disk are untrusted
        raise Damaged(f"it cannot be read ({error})") from error
    if len(made) != count:
        raise Damaged(f"it holds {len(made)} items and names {count}")
    if before is not None and zlib.crc32(payload, before) != chain:
        raise Damaged("its checksum does not follow from what comes before")
    return made


def pack_state(saved: dict[str, Any]) -> bytes:
    """Return a performer's saved state, or a notice, as one blob."""
    return zlib.compress(encode(saved), 6)


def unpack_state(blob: bytes) -> dict[str, Any]:
    """Undo `pack_state`.

    Raises:
        Damaged: The blob cannot be read.
    """
    try:
        plain = decode(zlib.decompress(blob))
    except Exception as error:  # as above
        raise Damaged(f"a stored state cannot be read ({error})") from error
    if not isinstance(plain, dict):
        raise Damaged("a stored state is not one")
    return plain
