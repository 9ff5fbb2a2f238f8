"""Hours at one tempo: the daemon and a bare echo on one clock, a minute at a time, and what each loses of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .arithmetic import exact_interval, pair
from .children import Children, Trouble, Usage
from .measuring import LATEST_MS, Plan, is_on, learn, say
from .stage import Stage
from .subjects import Daemon, Echo

ECHO_CHANNEL = 1
"""On the wire, from 0: by it the echo's notes are told from the daemon's on channel 1."""
SETTLED = 20
"""Minutes after which memory counts: at 300 BPM the trail is full after 12, the database's page cache after 20."""
LATE_MS = 3
NAMES = ("daemon", "echo")


@dataclass
class Steady:
    """What the minutes gave; each list has one number a minute.

    Attributes:
        clocks: Clocks in all.
        lost: Clocks without an answer, by who.
        late: Answers later than `LATE_MS`, by who.
        alone: Clocks that one lost and the other answered, by who lost them.
        memory: Private MB at the end of each minute, by process.
        facts: What the daemon told at the end.
        xruns: Times the server said that it was late.
    """

    clocks: int = 0
    lost: dict[str, int] = field(default_factory=lambda: dict.fromkeys(NAMES, 0))
    late: dict[str, int] = field(default_factory=lambda: dict.fromkeys(NAMES, 0))
    alone: dict[str, int] = field(default_factory=lambda: dict.fromkeys(NAMES, 0))
    memory: dict[str, list[float]] = field(default_factory=dict)
    facts: dict[str, Any] = field(default_factory=dict)
    xruns: int = 0

    def share(self, who: str) -> tuple[float, float]:
        """Return the exact interval, at 95 %, of the share of clocks that somebody lost."""
        return exact_interval(self.lost[who], self.clocks)

    def growth(self, name: str) -> float:
        """Return by how many MB a process has grown since it settled, between the means of a tenth of the minutes."""
        rows = self.memory[name][SETTLED:]
        few = max(1, len(rows) // 10)
        return sum(rows[-few:]) / few - sum(rows[:few]) / few if rows else 0.0

    def wrong(self) -> list[str]:
        """Return what must not have happened, in words."""
        found = [f"{name} {self.facts[name]}" for name in ("replaced", "differences", "failures") if self.facts[name]]
        if self.share("daemon")[0] > self.share("echo")[1]:
            found.append(f"the daemon lost {self.lost['daemon']} clocks, the echo {self.lost['echo']}")
        found += [
            f"{name} grew by {self.growth(name):.1f} MB"
            for name, rows in self.memory.items()
            if self.growth(name) > 0.1 * rows[min(SETTLED, len(rows) - 1)]
        ]
        return found


def run(children: Children, folder: Path, server: tuple[int, int], minutes: int, plan: Plan) -> Steady:
    """Send `minutes` of clock to both, and count.

    Raises:
        Trouble: Something is absent, or does not answer.
    """
    stage = Stage(children, folder, *server)
    try:
        messages = folder / "messages"
        messages.write_text(on_channel(learn(stage, plan), ECHO_CHANNEL))
        daemon, echo = Daemon(stage, plan.seed), Echo(stage, plan.python, messages)
        try:
            for one in (daemon, echo):
                stage.ask("patch", clock=one.clock, out=one.out, knobs=None)
            return _count(stage, daemon, minutes, plan)
        finally:
            echo.close()
            daemon.close()
    finally:
        stage.close()


def _count(stage: Stage, daemon: Daemon, minutes: int, plan: Plan) -> Steady:
    found, usage = Steady(), Usage(daemon.pids)
    for minute in range(minutes):
        # one Start for all: where a skipped cycle loses it, a whole minute is silent, which says nothing of clocks
        ends = {"starts": minute == 0, "stops": minute == minutes - 1}
        said = stage.ask("block", seconds=180, count=plan.clocks(60), warm=0, bpm=plan.bpm, knob_rate=0, **ends)
        found.clocks += len(said["clocks"])
        found.xruns += said["xruns"]
        heard = [(frame, bytes.fromhex(data)) for frame, data in said["heard"]]
        by_clock = {}
        for channel, who in enumerate(NAMES):
            notes = [frame for frame, data in heard if is_on(data) and data[0] & 0x0F == channel]
            by_clock[who] = pair(said["clocks"], notes, stage.rate * LATEST_MS // 1000).latencies
            found.lost[who] += by_clock[who].count(None)
            found.late[who] += sum(1000 * f > LATE_MS * stage.rate for f in by_clock[who] if f is not None)
        for mine, other in (NAMES, NAMES[::-1]):
            answers = zip(by_clock[mine], by_clock[other], strict=True)
            found.alone[mine] += sum(a is None and b is not None for a, b in answers)
        for name, cost in usage.read().items():
            found.memory.setdefault(name, []).append(cost["private_mb"])
        say(f"minute {minute + 1}: lost {found.lost}, alone {found.alone}")
    found.facts = daemon.finish()
    if "replaced" not in found.facts:
        raise Trouble("the daemon's host did not answer at the end")
    return found


def on_channel(messages: str, channel: int) -> str:
    """Return lines of channel messages in hex on another channel, 0 to 15."""
    words = [line.split() for line in messages.splitlines()]
    moved = [" ".join(f"{int(word[0], 16):x}{channel:x}{word[2:]}" for word in line) for line in words]
    return "".join(line + "\n" for line in moved)


def table(found: Steady) -> str:
    """Return the figures as Markdown."""
    per: Callable[[float], str] = lambda share: f"{100_000 * share:.1f}"  # noqa: E731
    rows = ["| of one clock | clocks | lost | lost per 100,000 | lost by it alone | later than 3 ms |"]
    rows.append("| --- | --- | --- | --- | --- | --- |")
    for who in NAMES:
        low, high = found.share(who)
        rows.append(
            f"| {who} | {found.clocks} | {found.lost[who]} | {per(found.lost[who] / found.clocks)} "
            f"({per(low)}-{per(high)}) | {found.alone[who]} | {found.late[who]} |"
        )
    rows += [
        "",
        f"| private memory, MB | after {SETTLED} minutes | at the end | grown by |",
        "| --- | --- | --- | --- |",
    ]
    for name, memory in found.memory.items():
        settled = memory[min(SETTLED, len(memory) - 1)]
        rows.append(f"| {name} | {settled:.1f} | {memory[-1]:.1f} | {found.growth(name):.1f} |")
    told = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in found.facts.items() if name != "service_us")
    rows += ["", f"The daemon told of: {told}. The server said {found.xruns} times that it was late."]
    return "\n".join(rows) + "\n"
