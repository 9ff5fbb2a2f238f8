"""One pass: shuffled blocks of every row on one server, and what the processes cost."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from .arithmetic import pair
from .children import Children, Trouble, Usage
from .stage import Stage
from .subjects import DASHBOARDS, Daemon, Echo, Idle, Subject

WARM_SECONDS = 1.0
"""Of clock before a block, so that tempo and caches are known."""
STORM_RATE = 8000
"""Control changes a second of the knob storm: eight knobs, 1,000 each."""
LEARNT_CLOCKS = 256
TRIES = 4
"""Times that one block is tried."""
LATEST_MS = 50
"""An answer that is later counts as none, and as extra."""

DAEMON, PYTHON, CPP = "daemon", "Python echo", "C++ echo"
STORM = "daemon, knob storm"
WATCHED = f"daemon, {DASHBOARDS} dashboards"


@dataclass
class Block:
    """What one block gave.

    Attributes:
        latencies: For each clock, frames to its answer; None where it was lost.
        extra: Answers to no clock.
        xruns: Times the server said that it was late.
        usage: CPU and memory by process.
        facts: What the subject said.
        knobs: Control changes that were sent.
    """

    latencies: list[int | None]
    extra: int
    xruns: int
    usage: dict[str, dict[str, float]]
    facts: dict[str, Any]
    knobs: int


@dataclass
class Pass:
    """What one server's blocks gave.

    Attributes:
        rate, period: Of the server.
        realtime: True where it has real-time priority.
        rows: Blocks by row, in the order of the rounds.
        idle: CPU and memory of the idle process, and how many ports it had.
        broken: Blocks that came to nothing and were tried again: row and why.
    """

    rate: int
    period: int
    realtime: bool = True
    rows: dict[str, list[Block]] = field(default_factory=dict)
    idle: dict[str, float] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)


@dataclass
class Plan:
    """What is asked for.

    Attributes:
        bpm: Quarter notes a minute; 24 clocks each.
        seconds: Of a block.
        cpp: Command of the C++ echo, or None.
        python: Command of the Python echo.
        random: Of the order of blocks.
        seed: Of the daemon.
    """

    bpm: float
    seconds: float
    cpp: list[str] | None
    python: list[str]
    random: Random
    seed: int

    def clocks(self, seconds: float) -> int:
        """Return how many clocks come in so many seconds."""
        return round(seconds * 24 * self.bpm / 60)


def run_pass(children: Children, folder: Path, rate: int, period: int, blocks: dict[str, int], plan: Plan) -> Pass:
    """Measure `blocks` of each row, in rounds of shuffled order.

    Raises:
        Trouble: Something is absent, or does not answer.
    """
    stage = Stage(children, folder, rate, period)
    try:
        return _run(stage, blocks, plan)
    finally:
        stage.close()


def _run(stage: Stage, blocks: dict[str, int], plan: Plan) -> Pass:
    found = Pass(stage.rate, stage.period, stage.realtime, {name: [] for name in blocks})
    messages = stage.folder / "messages"
    if not messages.exists():
        say("learning the messages that the echoes answer with")
        messages.write_text(learn(stage, plan))
    makers = _makers(stage, messages, plan)
    for turn in range(max(blocks.values())):
        order = [name for name, count in blocks.items() if turn < count]
        plan.random.shuffle(order)
        for name in order:
            say(f"{stage.rate} Hz, {stage.period} frames, block {turn + 1}: {name}")
            found.rows[name].append(_try_block(stage, name, makers[name], plan, found))
    found.idle |= _idle(stage, plan, int(found.idle["inputs"]), int(found.idle["outputs"]))
    return found


def _try_block(stage: Stage, name: str, make: Callable[[], Subject], plan: Plan, found: Pass) -> Block:
    """Measure a block; one whose subject ends or falls silent is told and tried again.

    RtMidi's JACK input can crash on a stale event where the server skipped
    cycles, in the echoes as in the daemon.
    """
    for left in reversed(range(TRIES)):
        try:
            return _block(stage, make(), STORM_RATE if name == STORM else 0, plan, found)
        except Trouble as trouble:
            text = str(trouble).splitlines()[0]
            say(f"{name}: {text}")
            found.broken.append(f"{name}: {text}")
            if not left:
                raise
            with suppress(Trouble):
                stage.ask("unpatch")
    raise AssertionError("unreachable")


def _makers(stage: Stage, messages: Path, plan: Plan) -> dict[str, Callable[[], Subject]]:
    makers: dict[str, Callable[[], Subject]] = {
        DAEMON: lambda: Daemon(stage, plan.seed),
        STORM: lambda: Daemon(stage, plan.seed),
        WATCHED: lambda: Daemon(stage, plan.seed, DASHBOARDS),
        PYTHON: lambda: Echo(stage, plan.python, messages),
    }
    if (cpp := plan.cpp) is not None:
        makers[CPP] = lambda: Echo(stage, cpp, messages)
    return makers


def _block(stage: Stage, subject: Subject, knob_rate: int, plan: Plan, found: Pass) -> Block:
    try:
        stage.ask("patch", clock=subject.clock, out=subject.out, knobs=subject.knobs if knob_rate else None)
        if isinstance(subject, Daemon) and not found.idle:
            found.idle |= stage.ask("others")
        count, warm = plan.clocks(plan.seconds), plan.clocks(WARM_SECONDS)
        usage = Usage(subject.pids)
        said = stage.ask(
            "block", seconds=30 + 3 * plan.seconds, count=count, warm=warm, bpm=plan.bpm, knob_rate=knob_rate
        )
        costs = usage.read()
        facts = subject.finish()
        stage.ask("unpatch")
    finally:
        subject.close()
    answers = [frame for frame, data in said["heard"] if is_on(bytes.fromhex(data))]
    paired = pair(said["clocks"], answers, penalty=stage.rate * LATEST_MS // 1000)
    return Block(paired.latencies[warm:], paired.extra, said["xruns"], costs, facts, said["knobs"])


def learn(stage: Stage, plan: Plan) -> str:
    """Return what the daemon sends for each clock, a line each."""
    daemon = Daemon(stage, plan.seed)
    try:
        stage.ask("patch", clock=daemon.clock, out=daemon.out, knobs=None)
        said = stage.ask("block", seconds=60, count=LEARNT_CLOCKS, warm=0, bpm=plan.bpm, knob_rate=0)
        stage.ask("unpatch")
    finally:
        daemon.close()
    batches = split_at_notes([bytes.fromhex(data) for _, data in said["heard"]])
    if len(batches) < LEARNT_CLOCKS // 2:
        raise Trouble(f"the daemon answered {len(batches)} of {LEARNT_CLOCKS} clocks; is the machine overloaded?")
    return "".join(" ".join(data.hex() for data in batch) + "\n" for batch in batches[1:])


def split_at_notes(messages: list[bytes]) -> list[list[bytes]]:
    """Return messages in batches that each end with a note-on: release, controllers, note."""
    batches: list[list[bytes]] = [[]]
    for data in messages:
        batches[-1].append(data)
        if is_on(data):
            batches.append([])
    return batches[:-1]


def is_on(data: bytes) -> bool:
    """Return whether a message strikes a note (MIDI 1.0: a note-on of velocity 0 releases)."""
    return len(data) == 3 and data[0] & 0xF0 == 0x90 and data[2] > 0


def _idle(stage: Stage, plan: Plan, inputs: int, outputs: int) -> dict[str, float]:
    """Return what a process with so many ports costs that does nothing."""
    idle = Idle(stage, inputs, outputs)
    try:
        time.sleep(1)
        usage = Usage(idle.pids)
        time.sleep(plan.seconds)
        return usage.read()["idle"]
    finally:
        idle.close()


def say(text: str) -> None:
    """Say on standard error what goes on."""
    print(f"bench: {text}", file=sys.stderr, flush=True)
