"""Made-up streams of inputs and outputs, for what does not need a performer, and recorders on them."""

import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from replank.control.notices import Notice
from replank.host.shows.recorder import Recorder

SECOND = 1_000_000_000


def wait_until(is_so: Callable[[], bool], seconds: float = 30.0) -> None:
    """Wait for a thing that must come; the time limit only ends a failing test."""
    end = time.monotonic() + seconds
    while not is_so():
        if time.monotonic() > end:
            raise AssertionError("it did not come about")
        time.sleep(0.01)


def kept(recorder: Recorder) -> bool:
    """Tell whether all that was given is on the disk."""
    health = recorder.health()
    return bool(health["state"] in ("ok", "slow") and health["queued"] == 0 and health["commits"])


def state(now: int, size: int = 10) -> dict[str, Any]:
    """Return something that looks like a saved state."""
    return {"now": now, "given_seed": 5, "rolls": [n / 7 for n in range(size)]}


def busy(base: int, seconds: float, tempo: float = 300.0, seed: int = 1) -> Iterator[tuple[Any, ...]]:
    """Yield the calls that a busy show makes on a recorder.

    A jittered clock of 24 to the quarter; a sixteenth-note line with accent and
    velocity controllers and a note-off each step; one mutation each cycle of 16;
    a knob turned half of the time at 100 messages a second; a state each minute.
    """
    random_ = random.Random(seed)
    interval = 60e9 / tempo / 24
    clocks = int(seconds * 1e9 / interval)
    cycle = 0
    for n in range(clocks):
        now = base + int(n * interval) + random_.randrange(0, 600_000)
        if n % 6 == 3:
            yield "output", now + 1234, 0, bytes((0x80, 40 + n % 37, 64))
        yield "input", now, ["m", 0, b"\xf8"]
        if n % 6 == 0:
            note = 48 + random_.randrange(20)
            yield "output", now, 0, bytes((0xB0, 20, random_.choice((0, 127))))
            yield "output", now, 0, bytes((0xB0, 21, random_.randrange(128)))
            yield "output", now, 0, bytes((0x90, note, random_.randrange(1, 128)))
        if n % 96 == 0:
            cycle += 1
            data = {"cycle": cycle, "index": 1 + n % 16, "mutation": "neighbour", "before": 60, "after": 62,
                    "text": f"D{n % 5} → F{n % 4} · neighbour", "silent": False, "partner": -1}  # fmt: skip
            yield "notice", now, Notice("cycle", now, {"cycle": cycle, "ended_by": "itself"})
            yield "notice", now, Notice("mutation", now, data)
        if int(n * interval / 1e9) % 2 and n % 2:
            value = random_.randrange(128)
            yield "input", now, ["m", 1, bytes((0xB0, 16 + n % 8, value))]
            shown = {"name": "rest_chance", "value": value / 127, "shown": f"{value / 127:.3f}",
                     "before": 0.5, "origin": "knob"}  # fmt: skip
            yield "notice", now, Notice("parameter", now, shown)


def feed(recorder: Recorder, calls: Iterator[tuple[Any, ...]]) -> int:
    """Make calls on a recorder; return how many inputs there were."""
    inputs = 0
    for what, now, *rest in calls:
        if what == "input":
            recorder.input(now, rest[0])
            inputs += 1
        elif what == "output":
            recorder.output(now, rest[0], rest[1])
        elif what == "notice":
            recorder.notice(rest[0])
        else:
            recorder.checkpoint(now, rest[0])
    return inputs


class Told(list[Notice]):
    """Collects a recorder's notices."""

    def __call__(self, notice: Notice) -> None:
        self.append(notice)

    def states(self) -> list[str]:
        return [notice.data["state"] for notice in self]


def recorded(path: Path, seconds: float = 3.0, **more: Any) -> Path:
    """Record a short busy show in order and return the file."""
    recorder = Recorder(path, engine=1, **more)
    base = time.monotonic_ns()
    recorder.begin(state(base))
    feed(recorder, busy(base, seconds))
    recorder.checkpoint(base + int(seconds * SECOND), state(base))
    assert recorder.close()
    return path
