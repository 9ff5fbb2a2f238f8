"""How fast the performer is without ports, processes and waiting, and how fast a render."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from .children import Trouble
from .machine import ROOT
from .performing import BPM, CLOCK_NS
from .subjects import FIRST_CC, NOTE_PER_CLOCK, write_rig

KNOBS, KNOB_NS = 8, 125_000
"""Eight knobs of 1,000 messages a second."""
HANDS = ("slide_chance=0.2", "reroll=0.2", "swing=58", "restart_every=3", "transpose_degrees=1")
COURSE = ("phrase=4", "visit_home=4", "tension=0.7", "motif=1", "mutate_every=phrase")
ROWS: dict[str, tuple[str, ...]] = {
    "as shipped: sixteenth steps": (),
    "a note on every clock": NOTE_PER_CLOCK,
    "slides, dice, swing, restarts": HANDS,
    "phrases, visits, tension, motifs": COURSE,
    "all of these": HANDS + COURSE,
}
"""Parameters as `replank play -p` takes them."""


def performer_rows(seed: int, clocks: int, repeats: int, roots: list[Path]) -> dict[str, list[dict[str, float]]]:
    """Return what `clocks` MIDI clocks at 120 BPM cost the performer: for each of `ROWS` one figure a checkout.

    The checkouts take turns, and of the `repeats` runs of each the best
    counts: process time, so that another program's turns are not in it, and
    what other programs do to caches is least there.  A checkout that does not
    know a parameter has no figure (an empty row).

    Returns:
        ``times_real``: seconds of music in a second; ``clock_us``: mean per clock, deadlines
        included; ``worst_us``: the slowest clock of the best run; ``notes`` struck.
    """
    found: dict[str, list[dict[str, float]]] = {}
    for name, words in ROWS.items():
        runs: list[list[dict[str, float]]] = [[] for _ in roots]
        for _ in range(repeats):
            for at, root in enumerate(roots):
                runs[at] += _run(root, words, seed, clocks)
        found[name] = [_best(clocks, of) if of else {} for of in runs]
    return found


def _best(clocks: int, runs: list[dict[str, float]]) -> dict[str, float]:
    best = min(runs, key=lambda run: run["seconds"])
    return {
        "clocks": clocks,
        "times_real": clocks * CLOCK_NS / 1e9 / best["seconds"],
        "clock_us": 1e6 * best["seconds"] / clocks,
        "worst_us": 1e6 * best["worst"],
        "notes": best["notes"],
    }


def _run(root: Path, words: tuple[str, ...], seed: int, clocks: int) -> list[dict[str, float]]:
    command = [sys.executable, str(Path(__file__).with_name("performing.py")), str(seed), str(clocks), *words]
    env = {**os.environ, "PYTHONPATH": str(root / "daemon")}
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    if done.returncode == 0:
        return [json.loads(done.stdout)]
    if root != ROOT:
        return []
    raise Trouble(f"the performer failed: {done.stderr.strip()}")


def knob_row(seed: int, messages: int, repeats: int) -> dict[str, float]:
    """Return what a control change costs that moves a parameter, over eight knobs; the best of `repeats` runs."""
    from replank.host.files import load_rig
    from replank.performer import Performer
    from replank.performer.events import Midi

    with tempfile.TemporaryDirectory(prefix="rpspeed") as folder:
        setup = load_rig(write_rig(Path(folder)))
    times = []
    for _ in range(repeats):
        performer = Performer(setup, seed)
        began = time.process_time()
        for number in range(messages):
            turn, knob = divmod(number, KNOBS)
            value = turn % 254
            data = bytes((0xB0, FIRST_CC + knob, min(value, 254 - value)))
            performer.receive(Midi(1, data), number * KNOB_NS)
        times.append(time.process_time() - began)
    return {"messages": messages, "message_us": 1e6 * min(times) / messages}


def render_row(cycles: int, seed: int, repeats: int) -> dict[str, float]:
    """Return what `replank render` costs as a command, start of the interpreter and file included; the best run.

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
    seconds = min(times)
    return {"cycles": cycles, "music_s": music, "seconds": seconds, "times_real": music / seconds}
