"""Seeded nonsense for the three ways in: MIDI bytes, socket lines, files.  Used by scripts/fuzz and by the tests.

Every function returns figures and raises `Fault` with what it takes to see the
fault again: the seed, the number and the bytes.
"""

from __future__ import annotations

import json
import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from replank.control.setup import Clock, Input, Output, Setup, Voice
from replank.host.files import BadFile
from replank.host.files.kinds import check_file
from replank.host.server import Refused, _read
from replank.host.words import read_action, read_values, read_words
from replank.performer import Performer
from replank.performer.events import Midi
from tests.faults.measure import hanging, is_off, is_on

ROOT = Path(__file__).parent.parent.parent
PERFORMANCE = 20_000
"""Messages of one performance; then its notes are counted and another setup begins."""
GOOD = (
    b"\xf8", b"\xf8", b"\xf8", b"\xf8", b"\xfa", b"\xfb", b"\xfc", b"\xf2\x04\x00", b"\x90\x3c\x40", b"\x80\x3c\x40",
    b"\xb0\x66\x40", b"\xb0\x6d\x10", b"\x90\x24\x7f", b"\xe0\x00\x40", b"\xc0\x01", b"\xfe",
    b"\xf0\x7e\x7f\x09\x01\xf7",
)  # fmt: skip
MARKS = (b"&a ", b"*a", b"!!x ", b"{", b"[", b"- ", b": ", b"\t", b"<<: ", b"---\n", b"\0")
STATUS = bytes(range(0x80, 0x100))


class Fault(AssertionError):
    """Something crashed, hung or was not released."""


def setups(rng: random.Random) -> Setup:
    """Return one of many rigs: clock or pulses, one or three inputs, one or two outputs, canon, cue, slides."""
    inputs = (Input("clock"), Input("knobs", role="knobs"), Input("keys", role="keyboard"))[: rng.choice((1, 2, 3))]
    voices = rng.choice(
        (
            (Voice(),),
            (Voice(), Voice("canon", output=1, canon_steps=3, degrees=2)),
            (Voice(accent_note=36, slide_cc=True, bend_range=2), Voice("same", delay_ms=20)),
            (Voice(low=40, high=60, out_of_range="rest", velocity_14bit=True), Voice("cue", output=1, is_cue=True)),
        )
    )
    clock = Clock(mode=rng.choice(("midi", "midi", "pulses")), without_start=rng.choice(("wait", "play")))
    values = rng.choice(
        ({}, {"mutation_chance": 1.0, "settle_new": 0}, {"division": "1/32", "length": 5}, {"reroll": 1.0})
    )
    outputs = (Output(din=rng.random() < 0.3), Output("second", active_sensing=True, send_clock="thru"))
    keyboard = rng.choice(("transpose", "root", "write", "catch"))
    return Setup(clock=clock, inputs=inputs, outputs=outputs, voices=voices, values=values, keyboard=keyboard)


def messages(rng: random.Random, count: int) -> Iterator[bytes]:
    """Yield random bytes, valid messages and damaged ones, with enough clock between for a line to play."""
    draw, below = rng.random, rng.randrange
    for _ in range(count):
        kind = draw()
        if kind < 0.55:
            yield b"\xf8"
        elif kind < 0.75:
            yield GOOD[below(len(GOOD))]
        elif kind < 0.9:
            damaged = bytearray(GOOD[below(len(GOOD))])
            for _ in range(below(1, 3)):
                act = below(4)
                if act == 0 and damaged:
                    damaged[below(len(damaged))] ^= 1 << below(8)
                elif act == 1:
                    damaged.insert(below(len(damaged) + 1), STATUS[below(128)])
                elif act == 2 and damaged:
                    del damaged[below(len(damaged))]
                else:
                    damaged += damaged[: below(4)]
            yield bytes(damaged)
        else:
            yield rng.randbytes(below(9) if draw() < 0.99 else below(400))


def fuzz_midi(count: int, seed: int, make: Callable[[Setup, int, int], Performer] = Performer) -> Counter[str]:
    """Send messages through performers; every note has to be released, and nothing may raise."""
    figures: Counter[str] = Counter()
    for first in range(0, count, PERFORMANCE):
        one = f"{seed}/{first}"
        rng = random.Random(one)
        performer = make(setups(rng), rng.randrange(1, 2**40), 0)
        ports, now = len(performer.setup.inputs), 0
        heard: dict[int, list[tuple[int, bytes]]] = {0: [], 1: []}
        data = b""
        try:
            for number, data in enumerate(messages(rng, min(PERFORMANCE, count - first))):
                now += rng.choice((0, 1_000, 5_000_000, 20_833_333, 20_833_333)) if number % 997 else 9_000_000_000
                port = 0 if data == b"\xf8" or ports == 1 else rng.randrange(ports)
                for output, message in performer.receive(Midi(port, data), now).messages:
                    heard[output].append((number, message))
                if number % 4999 == 4998:
                    performer = Performer.restore(performer.save())
            for output, message in performer.releases():
                heard[output].append((PERFORMANCE, message))
        except Exception as error:
            raise Fault(f"seed {one}, message {data.hex(' ')}: {type(error).__name__}: {error}") from error
        for output, row in heard.items():
            if hanging(row):
                raise Fault(f"seed {one}: output {output + 1} still sounds {sorted(hanging(row))}")
            figures["notes"] += sum(is_on(message) for _, message in row)
            figures["releases"] += sum(is_off(message) for _, message in row)
            wrong = [message.hex(" ") for _, message in row if message[0] < 0x80 or any(b > 0x7F for b in message[1:])]
            if wrong:
                raise Fault(f"seed {one}: output {output + 1} was sent {wrong[0]}, which is no MIDI message")
        if performer.sounding():
            raise Fault(f"seed {one}: the performer says that {performer.sounding()} sounds after its releases")
        figures["performances"] += 1
        figures["malformed"] += sum(performer.malformed)
    figures["messages"] = count
    return figures


LINES = (
    {"do": "ping"}, {"id": 7, "do": "state"}, {"do": "subscribe", "levels": ["step", "warn"]},
    {"do": "set", "values": {"length": 12, "scale": "dorian", "mutation_chance": 0.5, "division": "1/16t"}},
    {"do": "act", "action": "recall:blue@now"}, {"do": "act", "action": "pitch:5:+1@2bars"},
    {"do": "say", "words": ["mutation_chance=0.5", "redraw", "length=5", "keep:moon@now", "ramp:gate:0.3:4"]},
)  # fmt: skip
ODD = (None, True, -1, 0, 1e308, 10**30, "", "x" * 300, "\x00\x1b[31m", [], {}, [[]], {"a": {}}, float("nan"))


def _mutated(value: Any, rng: random.Random) -> Any:
    if rng.random() < 0.12:
        return rng.choice(ODD)
    if isinstance(value, dict):
        return {(key if rng.random() < 0.95 else rng.choice(("do", "id", "", "x"))): _mutated(item, rng)
                for key, item in value.items()}  # fmt: skip
    if isinstance(value, list):
        return [_mutated(item, rng) for item in value] * rng.choice((1, 1, 1, 3))
    if isinstance(value, str) and value and rng.random() < 0.4:
        at = rng.randrange(len(value))
        return value[:at] + rng.choice((":", "@", "=", "-", "9", "☾", "\n", "")) + value[at + rng.randrange(2) :]
    return value


def fuzz_socket(count: int, seed: int) -> Counter[str]:
    """Give damaged request lines to their readers and what they accept to a performer; only refusals may come."""
    figures: Counter[str] = Counter()
    rng = random.Random(f"{seed}/socket")
    performer = Performer(Setup(), 7, 0)
    for number in range(count):
        if number % 1000 == 999:
            performer = Performer(Setup(), 7, number * 10_000_000)  # words are tried on a copy of all that it holds
        line = json.dumps(_mutated(rng.choice(LINES), rng)).encode()
        if rng.random() < 0.3:
            at = rng.randrange(len(line))
            line = line[:at] + rng.randbytes(rng.randrange(4)) + line[at + rng.randrange(3) :]
        try:
            request = _read(line)
            events = []
            if "values" in request:
                events = [read_values(request["values"], performer, "fuzz")]
            elif "action" in request:
                events = [read_action(request["action"], performer, "fuzz")]
            elif "words" in request:
                events = list(read_words(request["words"], performer, "fuzz"))
            for event in events:
                performer.receive(event, number * 10_000_000)
            figures["accepted"] += bool(events)
        except (Refused, ValueError):
            figures["refused"] += 1
        except Exception as error:
            raise Fault(f"seed {seed}, line {number} {line!r}: {type(error).__name__}: {error}") from error
        performer.receive(Midi(0, b"\xf8" if number % 1000 else b"\xfa"), number * 10_000_000)
    json.dumps(performer.view())
    figures["lines"] = count
    return figures


def fuzz_files(count: int, seed: int) -> Counter[str]:
    """Damage the example files and shipped profiles; each is read, or refused with places."""
    figures: Counter[str] = Counter()
    rng = random.Random(f"{seed}/files")
    sources = [*sorted((ROOT / "examples").glob("*.yaml")), *sorted((ROOT / "profiles").glob("*.yaml"))]
    texts = [path.read_bytes() for path in sources]
    with tempfile.TemporaryDirectory(prefix="rpfuzz") as folder:
        path = Path(folder) / "f.yaml"
        for number in range(count):
            data = bytearray(rng.choice(texts))
            for _ in range(rng.randrange(1, 6)):
                at = rng.randrange(len(data) + 1)
                act = rng.randrange(5)
                if act == 0:
                    data[at:at] = rng.randbytes(rng.randrange(1, 5))
                elif act == 1:
                    del data[at : at + rng.randrange(1, 40)]
                elif act == 2:
                    data[at:at] = rng.choice(
                        (b"&a ", b"*a", b"!!x ", b"{", b"[", b"- ", b": ", b"\t", b"<<: ", b"---\n", b"\0")
                    )
                elif act == 3:
                    other = rng.choice(texts)
                    begin = rng.randrange(len(other))
                    data[at:at] = other[begin : begin + rng.randrange(1, 200)]
                else:
                    data = data[:at]
            path.write_bytes(data)
            try:
                check_file(path)
                figures["accepted"] += 1
            except BadFile as error:
                if not error.mistakes or any(m.line < 1 or m.column < 1 or not m.what for m in error.mistakes):
                    raise Fault(f"seed {seed}, file {number}: a mistake without its place: {error.mistakes}") from error
                figures["refused"] += 1
            except Exception as error:
                kept = Path(tempfile.gettempdir()) / f"replank-fuzz-{seed}-{number}.yaml"
                kept.write_bytes(data)
                raise Fault(f"seed {seed}, file {number}, kept as {kept}: {type(error).__name__}: {error}") from error
    figures["files"] = count
    return figures


def timed(what: Callable[..., Counter[str]], *args: Any) -> tuple[Counter[str], float]:
    """Return figures and seconds."""
    began = time.monotonic()
    return what(*args), time.monotonic() - began
