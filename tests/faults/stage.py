"""A daemon that plays to two destinations while things are done to it, and the evidence of what came of it."""

from __future__ import annotations

import errno
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import jack

from tests.faults.measure import Evidence, complaints, hanging, ons
from tests.faults.witness import Witness
from tests.real.daemon import ROOT, Daemon
from tests.real.peer import CLOCK, CONTINUE, START, STOP, Peer

PATIENCE = 120.0
"""Seconds after which a thing that must come has not come; nothing depends on how fast it comes."""
STARTS, START_SECONDS = 3, 30.0
"""How often a line is begun, and for how long it is waited for: a cycle that the server gives up may lose a Start."""

RIG = """\
rig: 1
inputs:
- name: clock
- {name: knobs, role: knobs, profile: faults}
outputs:
- name: out
- name: second
voices:
- {name: line, output: out}
- {name: fellow, output: second, channel: 3}
"""
PROFILE = """\
profile: 1
title: faults
channel: any
controls:
- {label: gate, sends: cc 30, moves: gate}
- {label: panic, sends: note 50, does: panic}
"""
PLAIN = ("-p", "rest_chance=0", "-p", "slide_chance=0", "-p", "mutation_chance=0")
"""Every step sounds, none is linked, nothing changes."""


def seeded() -> random.Random:
    """Return the run's random numbers; the seed is printed, and REPLANK_FAULT_SEED repeats one."""
    given = os.environ.get("REPLANK_FAULT_SEED", "")
    seed = int(given) if given.isdigit() else time.time_ns() % 1_000_000
    print(f"REPLANK_FAULT_SEED={seed}", file=sys.stderr)
    return random.Random(seed)


class Playing(Daemon):
    """`replank play` with two outputs, a panic button, and builds that are broken on purpose.

    Args:
        breaks: module run with -m -> Python text that breaks it.
        rig: Text of the rig file.
        values: Parameters to begin with.
    """

    def __init__(
        self,
        *args: str,
        breaks: dict[str, str] | None = None,
        rig: str = RIG,
        values: tuple[str, ...] = PLAIN,
        **options,
    ):
        self._breaks, self._rig = breaks or {}, rig
        super().__init__("--seed", "7", *values, *args, broken=("", "") if breaks else None, **options)

    def _break(self, module: str, text: str) -> None:
        patch = self.folder / "broken"
        patch.mkdir()
        lines = ["import sys"]
        for name, body in self._breaks.items():
            lines += [f"if sys.orig_argv[1:3] == ['-m', {name!r}]:", *(f"    {row}" for row in body.splitlines())]
        (patch / "sitecustomize.py").write_text("\n".join(lines) + "\n")
        self.env["PYTHONPATH"] = f"{patch}{os.pathsep}{self.env['PYTHONPATH']}"

    @property
    def rig(self) -> Path:
        return self.folder / "rig.yaml"

    def start(self, wait: bool = True) -> None:
        if self._rig and not self.rig.exists():
            self.rig.write_text(self._rig)
            (self.folder / "faults.yaml").write_text(PROFILE)
            self.args = ("--rig", str(self.rig), *self.args)
        super().start(wait=False)
        if wait:
            self.wait_ready(PATIENCE)

    def client(self, timeout: float = PATIENCE):
        return super().client(timeout)

    def python(self, text: str, *args: str) -> subprocess.Popen:
        """Run Python text in a process of its own, with this daemon's folders."""
        env = {**self.env, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'daemon'}"}
        return subprocess.Popen([sys.executable, "-c", text, *args], env=env, cwd=self.folder, stdout=subprocess.PIPE)

    def answers(self) -> bool:
        """Tell whether host and player both serve."""
        try:
            return bool(self.state()["host"]["playing"])
        except Exception:  # the host is being replaced
            return False

    def notes_before(self) -> dict:
        """What must be the same after a fault."""
        performer = self.state()["performer"]
        line = performer["line"]
        steps = [(s["pitch"], s["rhythm"], s["pinned"], s["rest_roll"], s["velocity_roll"]) for s in line["steps"]]
        return {"steps": steps, "length": line["length"], "parameters": performer["parameters"],
                "snapshots": [one["name"] for one in performer["snapshots"]]}  # fmt: skip


def plug(peer: Peer, **cable: str) -> None:
    """Patch a peer, unless it is patched already."""
    try:
        peer.patch(**cable)
    except jack.JackErrorCode as error:
        if error.code != errno.EEXIST:
            raise


class Clockwork(Peer):
    """A peer that remembers at which frame each clock left since Start.

    Attributes:
        clock_frames: Of all clocks since the last Start.
    """

    def __init__(self, name: str) -> None:
        self.clock_frames: list[int] = []
        self._last = 0
        super().__init__(name)

    def _put(self, offset: int, data: bytes) -> None:
        now = self.client.last_frame_time
        self._last = max(self._last, now + offset)  # JACK takes a cycle's events in order only
        super()._put(self._last - now, data)
        if data == CLOCK:
            self.clock_frames.append(self._last)
        elif data == START:
            self.clock_frames = []

    def behind(self) -> float:
        """Return seconds by which the server's time lags ours; it grows where a server without hardware is held up."""
        return time.monotonic() - self.client.frame_time / self.client.samplerate

    def run(self, bpm: float = 240.0, first: tuple[bytes, ...] = (START,)) -> None:
        """Let the clock run until it is stopped."""
        self.clocks(1_000_000, bpm, first, wait=False)

    def rest(self) -> None:
        """Stop the clock, and wait until its last has left."""
        self.stop_clocks()
        time.sleep(0.3)


class Trial:
    """A stage: one clock, two destinations, one daemon.

    Nobody both sends and hears, so that the graph runs one way: a sender that also heard would wait in each cycle for a
    player that has been killed, and what it then sends late is lost.

    Args:
        daemon: What is tried.
    """

    def __init__(self, daemon: Playing) -> None:
        self.daemon = daemon
        self.clock = Clockwork(f"{daemon.instance}-stage")  # another daemon, which remembers its own, lets it alone
        self.first, self.second = (Peer(f"{daemon.instance}-{name}") for name in ("first", "second"))
        self.witness = Witness(f"{daemon.instance}-clocks", clock=self.clock.send_port.name)
        self.at = self.settled = 0
        self._cuts: list[dict[str, int]] = []
        self.line: list[int] = []
        self.before: dict = {}

    def patch(self) -> None:
        """Plug everything in; what the daemon remembers, it may have patched already."""
        ports = self.daemon.port
        plug(self.clock, clock=ports["clock"])
        plug(self.first, out=ports["out"])
        plug(self.second, out=ports["second"])
        assert Peer.until(lambda: len(self.first.hears()) >= 2 and len(self.second.hears()) >= 2, PATIENCE)

    def heard(self) -> dict:
        return {"out": list(self.first.received), "second": list(self.second.received)}

    def is_silent(self) -> bool:
        """Tell whether no destination sounds a note; what was struck in the last 100 ms, CC 123 may have ended."""
        return not any(hanging(heard) for heard in self.heard().values())

    def both_sound(self) -> bool:
        """Tell whether every destination sounds a note."""
        return all(hanging(heard) for heard in self.heard().values())

    def begin(self, bpm: float = 240.0, least: int = 6) -> None:
        """Play until both destinations have heard enough."""
        self.line, self.before = self.daemon.pitches(), self.daemon.notes_before()
        self.first.received.clear()
        self.second.received.clear()
        for _ in range(STARTS):
            self.clock.run(bpm)
            if self.hear(least, START_SECONDS):
                return
            self.clock.rest()
        raise AssertionError(f"the line did not begin after {STARTS} Starts")

    def hear(self, least: int = 6, seconds: float = PATIENCE) -> bool:
        """Wait until both have heard so many more notes."""
        want = {name: len(ons(heard)) + least for name, heard in self.heard().items()}
        return Peer.until(lambda: all(len(ons(h)) >= want[n] for n, h in self.heard().items()), seconds)

    def counted(self) -> int:
        """Return the clocks that the daemon has counted since Start."""
        return int(self.daemon.transport()["song_clock"]) + 1

    def count_off(self, counted: Callable[[], int], looks: int = 8) -> int | None:
        """Return clocks counted less clocks sent, while the clock goes on; None where no look fell between two clocks.

        An answer is some ms old, so the most of several looks is the count.
        """
        found = []
        for _ in range(10 * looks):
            sent = len(self.clock.clock_frames)
            count = counted()
            if len(self.clock.clock_frames) == sent:
                found.append(count - sent)
            if len(found) >= looks:
                break
            time.sleep(0.007)
        return max(found, default=None)

    def fault(self) -> None:
        """The fault is now; what is heard from now on counts as after it, until `well` says otherwise."""
        self.at = self.settled = self.clock.client.last_frame_time
        now = self._heard_so_far()
        self._cuts = [now, now]

    def _heard_so_far(self) -> dict[str, int]:
        return {name: len(heard) for name, heard in self.heard().items()}

    def well(self, least: int = 6, seconds: float = PATIENCE) -> None:
        """What was to be repaired is repaired: the line has to be right from here on."""
        time.sleep(0.3)
        self.settle()
        self.hear(least, seconds)

    def settle(self) -> None:
        """The line has to be right from here on."""
        self.settled = self.clock.client.last_frame_time
        self._cuts[1] = self._heard_so_far()

    def end(self, stop: bool = True) -> Evidence:
        """Rest, ask, stop; return the evidence."""
        self.clock.rest()
        transport = self.daemon.transport()
        after = self.daemon.notes_before()
        if stop:
            self.clock.send(STOP)
        Peer.until(self.is_silent, 3.0)
        kept = [(name, self.before.get(name), after[name]) for name in after]
        clocks = self.clock.clock_frames
        if transport["song_clock"] != len(clocks) - 1:  # of a cycle given up the stage may not know
            witnessed = self.witness.clocks()
            clocks = witnessed if transport["song_clock"] == len(witnessed) - 1 else clocks
        cuts = {name: (self._cuts[0][name], self._cuts[1][name]) for name in self._cuts[0]}
        return Evidence(self.heard(), self.at, self.settled, clocks, self.line,
                        transport["phase"], transport["song_clock"], kept, cuts=cuts)  # fmt: skip

    def close(self) -> None:
        self.witness.close()
        self.clock.close()
        self.first.close()
        self.second.close()


def survived(trial: Trial, least: int = 4) -> None:
    """Assert that a trial's evidence has nothing against it."""
    found = complaints(trial.end(), least)
    if found:
        raise AssertionError("\n".join([*found, trial.daemon.log()[-2000:]]))


__all__ = ["CLOCK", "CONTINUE", "PATIENCE", "PLAIN", "RIG", "START", "STOP", "Clockwork", "Peer", "Playing", "Trial",
           "complaints", "plug", "seeded", "survived"]  # fmt: skip
