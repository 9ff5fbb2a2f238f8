"""How fast the performer is without ports, processes and waiting, and how fast a render."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from .children import Trouble
from .machine import ROOT
from .subjects import FIRST_CC, NOTE_PER_CLOCK, write_rig

BPM = 120.0
CLOCK_NS = int(60e9 / (24 * BPM))
KNOBS, KNOB_NS = 8, 125_000
"""Eight knobs of 1,000 messages a second."""
ROWS: dict[str, tuple[str, ...]] = {"as shipped: sixteenth steps": (), "a note on every clock": NOTE_PER_CLOCK}
"""Parameters as `replank play -p` takes them."""


def performer_row(words: tuple[str, ...], seed: int, clocks: int, repeats: int) -> dict[str, float]:
    """Return what `clocks` MIDI clocks at 120 BPM cost the performer; the median of `repeats` runs.

    Returns:
        ``times_real``: seconds of music in a second; ``clock_us``: mean per clock, deadlines
        included; ``worst_us``: the slowest clock of the median run; ``notes`` struck.
    """
    runs = sorted(_run(words, seed, clocks) for _ in range(repeats))
    seconds, worst, notes = runs[len(runs) // 2]
    return {
        "clocks": clocks,
        "times_real": clocks * CLOCK_NS / 1e9 / seconds,
        "clock_us": 1e6 * seconds / clocks,
        "worst_us": 1e6 * worst,
        "notes": notes,
    }


def _run(words: tuple[str, ...], seed: int, clocks: int) -> tuple[float, float, int]:
    """Return seconds in all, the slowest clock, and how many notes were struck."""
    from replank.control.setup import Setup
    from replank.host.prepare import read_values
    from replank.performer import Performer
    from replank.performer.events import Midi

    performer = Performer(Setup(values=read_values(words, Setup())), seed)
    tick, start = Midi(0, b"\xf8"), Midi(0, b"\xfa")
    now = notes = 0
    performer.receive(start, now)
    worst = 0.0
    measure = time.perf_counter
    began = before = measure()
    for _ in range(clocks):
        now += CLOCK_NS
        while (due := performer.next_deadline()) is not None and due < now:
            performer.advance(due)
        outcome = performer.receive(tick, now)
        for _, data in outcome.messages:
            notes += data[0] & 0xF0 == 0x90 and data[2] > 0
        after = measure()
        worst = max(worst, after - before)
        before = after
    return before - began, worst, notes


def knob_row(seed: int, messages: int, repeats: int) -> dict[str, float]:
    """Return what a control change costs that moves a parameter, over eight knobs; the median of `repeats` runs."""
    from replank.host.files import load_rig
    from replank.performer import Performer
    from replank.performer.events import Midi

    with tempfile.TemporaryDirectory(prefix="rpspeed") as folder:
        setup = load_rig(write_rig(Path(folder)))
    times = []
    for _ in range(repeats):
        performer = Performer(setup, seed)
        began = time.perf_counter()
        for number in range(messages):
            turn, knob = divmod(number, KNOBS)
            value = turn % 254
            data = bytes((0xB0, FIRST_CC + knob, min(value, 254 - value)))
            performer.receive(Midi(1, data), number * KNOB_NS)
        times.append(time.perf_counter() - began)
    return {"messages": messages, "message_us": 1e6 * statistics.median(times) / messages}


def render_row(cycles: int, seed: int, repeats: int) -> dict[str, float]:
    """Return what `replank render` costs as a command, start of the interpreter and file included.

    Raises:
        Trouble: It failed.
    """
    with tempfile.TemporaryDirectory(prefix="rpspeed") as folder:
        command = [sys.executable, "-c", "from replank.cli.main import main; main()", "render", "--json",
                   "--cycles", str(cycles), "--seed", str(seed), "--tempo", str(BPM),
                   "--out", str(Path(folder) / "line.mid")]  # fmt: skip
        env = {**os.environ, "PYTHONPATH": str(ROOT / "daemon"), "XDG_CONFIG_HOME": folder}
        times = []
        for _ in range(repeats):
            began = time.perf_counter()
            done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
            times.append(time.perf_counter() - began)
            if done.returncode != 0:
                raise Trouble(f"replank render failed: {done.stderr.strip()}")
        music = json.loads(done.stdout)["seconds"]
    seconds = statistics.median(times)
    return {"cycles": cycles, "music_s": music, "seconds": seconds, "times_real": music / seconds}
