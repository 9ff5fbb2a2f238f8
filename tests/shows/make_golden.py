"""Writes the golden record of the present engine: ``python -m tests.shows.make_golden``.

One is made for each released engine number and never again; `test_golden`
replays them all with the engine that has their number.  The shows hold every
action, every parameter, uneven clocks, pulses, the internal clock, two
outputs and damaged bytes.
"""

import random
import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

from replank import ENGINE
from replank.control.actions import ACTIONS
from replank.control.parameters import PARAMETERS, place
from replank.control.setup import Clock, Setup
from replank.performer.events import Act, Assign, Midi, Reconnected
from tests.shows.stage import BUSY, CLOCK, SETUP, START, record

GOLDEN = Path(__file__).parent / "golden"
MS = 1_000_000
_ARGUMENTS = {
    "step": "5", "amount": "2", "name": "blue", "[name]": "blue", "note": "D4", "state": "rest", "[state]": "on",
    "count": "3", "pass": "1of2", "cycle": "3", "parameter": "rest_chance", "value": "0.5", "bars": "2",
    "piece": "2", "[text]": "a star", "text": "Open Night", "mode": "root", "[note]": "60", "[sound]": "2",
    "[silent]": "1",
}  # fmt: skip


def clocks(random_: random.Random, count: int, wander: int = 3 * MS) -> list[tuple[int, Any]]:
    return [(CLOCK[0] + random_.randrange(-wander, wander), CLOCK[1]) for _ in range(count)]


def clocked(random_: random.Random) -> list[tuple[int, Any]]:
    """Every parameter and every action on an uneven clock, with things that go wrong."""
    steps = [*clocks(random_, 20), START, BUSY, *clocks(random_, 400)]
    for name, row in PARAMETERS.items():
        if name != "hold":
            steps += [(MS, Assign({name: place(name, random_.random())})), *clocks(random_, 24)]
            steps.append((MS, Assign({name: row.default})))
    for name, action in ACTIONS.items():
        args = tuple(_ARGUMENTS.get(word, "1") for word in action.takes)
        steps += [(MS, Act(name, args)), *clocks(random_, 48), (MS, Act("join", (), "now"))]
    steps += [(0, Midi(0, b"\xf2\x20\x00")), *clocks(random_, 60), (3_000 * MS, CLOCK[1]), *clocks(random_, 100)]
    steps += [(0, Midi(0, b"\xf0\x01")), (0, Midi(1, b"\xb0\x07")), (0, Reconnected(1)), *clocks(random_, 60)]
    return [*steps, (0, Midi(0, b"\xfc")), (900 * MS, Midi(0, b"\xfb")), *clocks(random_, 200)]


def pulsed(random_: random.Random) -> list[tuple[int, Any]]:
    """Pulses as uneven as a hand can make them."""
    pulse = Midi(0, bytes((0x90, 60, 100)))
    return [BUSY, *((random_.choice((60, 125, 250, 2000)) * MS, pulse) for _ in range(300)), (0, Midi(0, b"\xfa"))]


def alone(random_: random.Random) -> list[tuple[int, Any]]:
    """The internal clock, and its tempo changed by hand."""
    steps: list[tuple[int, Any]] = [(0, Act("start")), BUSY]
    for _ in range(40):
        steps.append((random_.randrange(200, 900) * MS, Assign({"tempo": float(random_.randrange(60, 300))})))
    return [*steps, (500 * MS, Act("stop"))]


def main(path: Path) -> None:
    random_ = random.Random(20260)
    half = clocked(random_)
    record(path, half[: len(half) // 2], half[len(half) // 2 :])
    record(path, pulsed(random_), setup=Setup(clock=Clock(mode="pulses"), voices=SETUP.voices, outputs=SETUP.outputs))
    record(path, alone(random_), setup=Setup(clock=Clock(source="internal")))
    with closing(sqlite3.connect(path, isolation_level=None)) as sql:
        sql.execute("PRAGMA journal_mode = DELETE")
        sql.execute("VACUUM")
    print(f"{path}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    target = GOLDEN / f"engine-{ENGINE}.db"
    if target.exists() and "--again" not in sys.argv[1:]:
        sys.exit(f"{target} is there; before a release, --again makes it anew")
    target.unlink(missing_ok=True)
    main(target)
