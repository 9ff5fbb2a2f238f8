"""Recognises what a control is by what it sends.

Knobs and encoders are turned slowly right, left, right; buttons are pressed
twice.  Relative encodings share their bytes, so that no single message tells
them apart; the slow turn does: {01, 7F} is two's complement, {41, 3F} offset
64, {01, 41} sign-magnitude, and which of the two came first, to the right,
gives its polarity.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from replank.control.decoding import NULL, clicks, is_channel_message
from replank.control.profiles import Source

ENOUGH = 4
"""Messages of a turn below which nothing is concluded."""
_CLEAR = 0.8
"""Share of the messages that one control must have sent."""


class Finding(NamedTuple):
    """What was recognised.

    Attributes:
        source: The message; None where nothing was.
        shape: knob, encoder or button.
        relative: Encoding of an encoder, else empty.
        bits: 7 or 14, of nrpn and rpn; 14 otherwise.
        latching: True where the box turns the button on and off by itself.
        heard: One sentence for people.
        unsure: What is not certain and what to do about it; empty if nothing.
    """

    source: Source | None
    shape: str = ""
    relative: str = ""
    bits: int = 14
    latching: bool = False
    heard: str = ""
    unsure: str = ""


class _Moves(NamedTuple):
    """The numbers of one candidate, in order."""

    source: Source
    raws: list[int]
    is_fine: bool = False


def recognise(messages: Iterable[bytes]) -> Finding:
    """Return what moved, from complete MIDI messages of one turn or two presses."""
    candidates = _candidates([data for data in messages if is_channel_message(data)])
    if not candidates:
        return Finding(None, heard="nothing", unsure="no control was heard; is the box patched to this port?")
    moves = _main(candidates)
    if moves is None:
        names = ", ".join(one.source.words for one in candidates[:4])
        return Finding(None, heard=f"{len(candidates)} controls: {names}", unsure="move one control alone")
    return _finding(moves)


def _main(candidates: list[_Moves]) -> _Moves | None:
    """Return the candidate that clearly moved, or None."""
    notes = [one for one in candidates if one.source.kind == "note"]
    rest = [one for one in candidates if one.source.kind not in ("note", "pressure")]
    if len(notes) == 1 and not rest:
        return notes[0]  # a pad also sends its pressure
    first = max(candidates, key=lambda one: len(one.raws))
    if len(first.raws) >= _CLEAR * sum(len(one.raws) for one in candidates):
        return first
    # a fader that is sensitive to touch says so with a note of its own
    return first if notes and len(candidates) == 2 and len(first.raws) > 2 * len(notes[0].raws) else None


# -- who moved ----------------------------------------------------------------------------------


def _candidates(messages: Sequence[bytes]) -> list[_Moves]:
    """Sort messages into candidates: parameter numbers first, then 14-bit pairs, then the rest."""
    found: dict[Source, list[int]] = {}
    fine: set[Source] = set()
    rest = _parameter_numbers(messages, found, fine)
    rest = _pairs(rest, found)
    programs: dict[int, list[int]] = {}
    for data in rest:
        kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
        if kind == 0xB0 and data[1] < 120:
            found.setdefault(Source("cc", data[1], channel), []).append(data[2])
        elif kind in (0x80, 0x90):
            velocity = data[2] if kind == 0x90 else 0
            found.setdefault(Source("note", data[1], channel), []).append(velocity)
        elif kind == 0xC0:
            programs.setdefault(channel, []).append(data[1])
        elif kind == 0xD0:
            found.setdefault(Source("pressure", -1, channel), []).append(data[1])
        elif kind == 0xE0:
            found.setdefault(Source("bend", -1, channel), []).append(data[1] | data[2] << 7)
    for channel, numbers in programs.items():
        number = numbers[0] if len(set(numbers)) == 1 else -1
        found[Source("program", number, channel)] = numbers
    return [_Moves(source, raws, source in fine) for source, raws in found.items()]


def _parameter_numbers(messages: Sequence[bytes], found: dict[Source, list[int]], fine: set[Source]) -> list[bytes]:
    """Take out NRPN and RPN; return the other messages."""
    controllers = [(data[0] & 0x0F, data[1]) for data in messages if data[0] & 0xF0 == 0xB0]
    numbering = {channel for channel, number in controllers if number in range(98, 102)}
    numbering &= {channel for channel, number in controllers if number in (6, 38, 96, 97)}
    chosen: dict[int, list[int]] = {}
    kinds: dict[int, str] = {}
    rest = []
    for data in messages:
        channel = data[0] & 0x0F
        if data[0] & 0xF0 != 0xB0 or channel not in numbering or data[1] not in (6, 38, *range(96, 102)):
            rest.append(data)
            continue
        number, value = data[1], data[2]
        if number >= 98:
            kind = "nrpn" if number <= 99 else "rpn"
            if kinds.get(channel) != kind:
                kinds[channel], chosen[channel] = kind, [-1, -1]
            chosen[channel][0 if number in (99, 101) else 1] = value
            continue
        msb, lsb = chosen.get(channel, [-1, -1])
        if msb < 0 or lsb < 0 or msb << 7 | lsb == NULL:
            continue
        source = Source(kinds[channel], msb << 7 | lsb, channel + 1)
        raws = found.setdefault(source, [])
        if number == 6:
            raws.append(value << 7)
        elif number == 38 and raws:
            raws[-1] |= value
            fine.add(source)
        elif number in (96, 97):
            raws.append(min(max((raws[-1] if raws else 8192) + (1 if number == 96 else -1), 0), 16383))
            fine.add(source)
    return rest


def _pairs(messages: Sequence[bytes], found: dict[Source, list[int]]) -> list[bytes]:
    """Take out 14-bit pairs: an MSB that is mostly followed by its LSB; return the other messages."""
    coarse: Counter[tuple[int, int]] = Counter()
    followed: Counter[tuple[int, int]] = Counter()
    controllers = [data for data in messages if data[0] & 0xF0 == 0xB0]
    for data, after in zip(controllers, [*controllers[1:], b""], strict=False):
        if data[1] < 32:
            key = (data[0], data[1])
            coarse[key] += 1
            followed[key] += len(after) == 3 and after[0] == data[0] and after[1] == data[1] + 32
    pairs = {key for key, count in coarse.items() if followed[key] * 2 >= count}
    msb: dict[tuple[int, int], int] = {}
    rest = []
    for data in messages:
        status, number = data[0], data[1]
        if (status, number) in pairs:
            msb[status, number] = data[2]
        elif (status, number - 32) in pairs:
            source = Source("cc14", number - 32, (status & 0x0F) + 1)
            found.setdefault(source, []).append(msb.get((status, number - 32), 0) << 7 | data[2])
        else:
            rest.append(data)
    return rest


# -- what it is ---------------------------------------------------------------------------------


def _finding(moves: _Moves) -> Finding:
    source, raws = moves.source, moves.raws
    if source.kind == "note" or (source.kind == "cc" and _is_switch(raws)):
        return _button(source, raws)
    if source.kind == "program":
        if source.number >= 0:
            return Finding(source, "button", heard=f"a button, {source.words}")
        return Finding(source, "button", heard=f"program numbers, {source.words}")
    if source.kind == "cc":
        encoder = _encoder(source, raws)
        if encoder is not None:
            return encoder
    unsure = "" if len(raws) >= ENOUGH else f"only {len(raws)} messages; turn it further"
    if source.kind in ("nrpn", "rpn"):
        bits = 14 if moves.is_fine else 7
        return Finding(source, "knob", bits=bits, heard=f"a knob of {bits} bits, {source.words}", unsure=unsure)
    if source.kind in ("bend", "pressure"):
        return Finding(source, "knob", heard=f"{source.words}", unsure=unsure)
    bits = 14 if source.kind == "cc14" else 7
    ends = f"moved from {min(raws)} to {max(raws)}"
    return Finding(source, "knob", heard=f"a knob of {bits} bits, {source.words}, {ends}", unsure=unsure)


def _is_switch(raws: list[int]) -> bool:
    """Tell a switch: it says on (64 to 127) and off (0), or the same on twice, and nothing between."""
    values = set(raws)
    if values - {0} and max(values) < 64:
        return False
    return len(values) == 2 and 0 in values if len(values) > 1 else raws in ([127], [127, 127])


def _button(source: Source, raws: list[int]) -> Finding:
    presses = sum(1 for raw in raws if raw > 0)
    lifts = len(raws) - presses
    if presses == 1 and lifts == 1:
        heard = f"a button that the box itself turns on and off (two presses gave on, off), {source.words}"
        return Finding(source, "button", latching=True, heard=heard)
    unsure = "press it twice" if presses < 2 else ""
    kind = "that says when it is let go" if lifts else "that says only when it is pressed"
    return Finding(source, "button", heard=f"a button {kind}, {source.words}", unsure=unsure)


_RANGES = {"low": range(1, 16), "high": range(113, 128), "below": range(49, 64), "above": range(65, 80)}
_ENCODINGS = {
    frozenset(("low", "high")): "twos-complement",
    frozenset(("below", "above")): "offset-64",
    frozenset(("low", "above")): "sign-magnitude",
}


def _encoder(source: Source, raws: list[int]) -> Finding | None:
    """Return the encoder that sends these bytes, or None where it is a knob with ends.

    A knob with ends sends a number when it has changed; an encoder says the
    same click again and again.
    """
    again = sum(1 for one, other in pairwise(raws) if one == other)
    names = {_range_of(raw) for raw in raws if raw not in (0, 64)}
    if len(raws) < ENOUGH or again * 4 < len(raws) or "" in names or not names:
        return None
    encoding = _ENCODINGS.get(frozenset(names))
    if encoding is None:
        if len(names) > 2:
            return None
        unsure = "it was turned one way only; turn it slowly right, left, right"
        return Finding(source, "encoder", "", heard=f"an encoder, {source.words}", unsure=unsure)
    first = next(_range_of(raw) for raw in raws if raw not in (0, 64))
    unsure = ""
    if encoding == "sign-magnitude":
        if first == "above":
            encoding = "sign-magnitude-reversed"
    elif first in ("high", "below"):
        unsure = "it was turned left first; if it was right, its cable or encoding is reversed"
    ways = [1 if clicks(encoding, raw) > 0 else -1 for raw in raws if clicks(encoding, raw)]
    turns = 1 + sum(1 for one, other in pairwise(ways) if one != other)
    if turns < 3 and not unsure:
        unsure = "turn it slowly right, left, right, so that its ways can be told apart"
    heard = f"an encoder, {encoding.replace('-', ' ')}, {source.words}"
    return Finding(source, "encoder", encoding, heard=heard, unsure=unsure)


def _range_of(raw: int) -> str:
    return next((name for name, numbers in _RANGES.items() if raw in numbers), "")
