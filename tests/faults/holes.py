"""A stage whose clock fails in short ways, one fault after another under one set, judged from outside at its end.

Each fault comes after a Start of its own, so that *locked* may be said before
it; what came of it is in what two independent ears heard and in the words of
``replank status --json``.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import signal
import threading
import time
from collections.abc import Callable, Iterator
from statistics import median

import jack

from tests.faults.measure import ons
from tests.faults.placing import Fault, Found, Said, judge
from tests.faults.sender import Sender
from tests.faults.stage import PATIENCE, Peer, Playing
from tests.faults.witness import Witness

LINE = (60, 62, 64, 65, 67, 69, 71, 72, 74, 76, 77, 79, 81, 83, 84, 86)
"""Sixteen steps that all differ: each note says which step it is."""
SHAPE = ("-p", f"length={len(LINE)}", "-p", "gate=0.3")
CALM = 24
"""Clocks behind a fault in which a line has to have come to its place."""
BURST_CALM = 48
"""As CALM, where clocks came late, or in several holes: the tempo has to be seen first."""
LOOKED = 42
"""Clocks for which it then has to stay there: seven steps."""
WARM = 320
"""Clocks without a fault at first, and after one in which nobody can know: for 96 and 192 nothing is credited."""
CLIENTS, A_SECOND = 8, 20
LOOKS = 20
"""How often a second its own words are looked at."""

BUSY = """
import sys, time
from pathlib import Path
from replank.host.client import Client
clients = [Client(Path(sys.argv[1]), 30.0) for _ in range(int(sys.argv[2]))]
print("asking", flush=True)
due = time.monotonic()
while True:
    for client in clients:
        client.ask("state")
    due = max(due + 1 / float(sys.argv[3]), time.monotonic() - 1)
    time.sleep(max(0.0, due - time.monotonic()))
"""
"""Clients that all ask for the whole state, so often a second each."""


@contextlib.contextmanager
def busy(daemon: Playing, clients: int = CLIENTS, a_second: float = A_SECOND) -> Iterator[None]:
    """Keep a daemon's socket busy meanwhile; no clients, no load."""
    if not clients:
        yield
        return
    process = daemon.python(BUSY, str(daemon.socket), str(clients), str(a_second))
    try:
        assert process.stdout is not None and process.stdout.readline() == b"asking\n"
        yield
        assert process.poll() is None, "the clients were sent away"
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


class Stage:
    """A sender, two ears, and somebody who pulls cables.

    Args:
        daemon: What is tried; its line becomes `LINE`.
        bpm: Of the clock.
        warm: Clocks before anything is done.
    """

    def __init__(self, daemon: Playing, bpm: float = 120.0, warm: int = WARM) -> None:
        self.daemon, self.bpm = daemon, bpm
        self.faults: list[Fault] = []
        self.said: list[Said] = []
        self._calm_from = 0
        self._looking = threading.Event()
        with contextlib.ExitStack() as made:
            self.hand = jack.Client(f"{daemon.instance}-hand", no_start_server=True)
            made.callback(self.hand.close)
            self.sender = Sender(f"{daemon.instance}-sender", bpm)
            made.callback(self.sender.close)
            self.ears = []
            for name in ("left", "right"):
                cables = {"clock": self.sender.port, "out": daemon.port["out"]}
                self.ears.append(Witness(f"{daemon.instance}-{name}", **cables))
                made.callback(self.ears[-1].close)
            self._listeners = {f"{daemon.instance}-{name}:clock" for name in ("left", "right")}
            for place, note in enumerate(LINE, 1):
                daemon.say(f"note:{place}:{note}")
            assert Peer.until(lambda: daemon.pitches() == list(LINE), PATIENCE), daemon.pitches()
            self._plug(daemon.port["clock"])
            assert Peer.until(lambda: len(self.cables()) >= 2, PATIENCE), "the host's ear is not plugged in"
            thread = threading.Thread(target=self._look, daemon=True)
            thread.start()
            made.callback(thread.join)
            made.callback(self._looking.set)
            self.sender.wait(self.sender.count() + warm)
            self._made = made.pop_all()

    def close(self) -> None:
        self._made.close()

    # -- what it says ------------------------------------------------------------

    def _look(self) -> None:
        """Look at what the daemon says, so often a second."""
        with self.daemon.client() as client:
            while not self._looking.wait(1 / LOOKS):
                asked = self.sender.count()
                transport = client.ask("state")["state"]["performer"]["transport"]
                self._note(transport, asked)

    def _note(self, transport: dict, asked: int) -> Said:
        trouble = transport.get("trouble", "")
        self.said.append(Said(asked, self.sender.count(), transport["phase"], transport["song_clock"], trouble))
        return self.said[-1]

    def status(self) -> Said:
        """Return what `replank status --json` says."""
        asked = self.sender.count()
        done = self.daemon.run("status", "--instance", self.daemon.instance, "--json")
        assert done.returncode == 0, done.stderr
        transport = json.loads(done.stdout)["performer"]["transport"]
        return Said(
            asked, self.sender.count(), transport["phase"], transport["song_clock"], transport.get("trouble", "")
        )

    # -- cables ------------------------------------------------------------------

    def cables(self) -> list[str]:
        """Return where the clock's cable leads, the player first; the ears are no part of the rig."""
        ports = [port.name for port in self.hand.get_all_connections(self.hand.get_port_by_name(self.sender.port))]
        return sorted((name for name in ports if name not in self._listeners),
                      key=lambda name: name != self.daemon.port["clock"])  # fmt: skip

    def _plug(self, name: str) -> None:
        try:
            self.hand.connect(self.sender.port, name)
        except jack.JackErrorCode as error:  # the daemon remembers its cables, and may have been quicker
            if error.code != errno.EEXIST:
                raise

    def pull(self, ms: float, whole: bool = True) -> tuple[int, int]:
        """Have the clock's cable out for so long, or the player's end of it; return the clocks it may have cost."""
        pulled = self.cables() if whole else [self.daemon.port["clock"]]
        begin = self.sender.count()
        until = time.monotonic() + ms / 1000
        for name in pulled:
            self.hand.disconnect(self.sender.port, name)
        time.sleep(max(0.0, until - time.monotonic()))
        for name in pulled:
            self._plug(name)
        return begin, self.sender.count() + 1

    # -- faults ------------------------------------------------------------------

    def fault(self, kind: str, rng: random.Random) -> None:
        """Begin with a Start, fail in one of the ways of `KINDS` somewhere in the first bar, and look afterwards."""
        if kind not in NOBODY_KNOWS:
            self.sender.wait(self._calm_from)
        start = self.sender.start()
        self.sender.wait(start + rng.randrange(26, 60))
        begin, end = KINDS[kind](self, rng)
        calm = BURST_CALM if kind in SLOW else CALM
        settled, last = end + calm, end + calm + LOOKED
        self.sender.wait(last)
        self.faults.append(
            Fault(kind, start, begin, end, settled, last, self.status(), may_be_unsure=kind in NOBODY_KNOWS)
        )
        if kind in NOBODY_KNOWS:
            self._calm_from = last + WARM

    def begun(self, first: int, last: int) -> list[Found]:
        """Return, for each clock from `first` to `last`, what was wrong had the line begun with it; it ends now."""
        self.sender.wait(last + LOOKED + 2)
        said = self.status()
        for start in range(first, last + 1):
            settled = last + 2
            self.faults.append(Fault(f"begun at clock {start}", start, settled, settled, settled, last + LOOKED, said))
        return self.end()

    def second_sender(self, bpm: float) -> Sender:
        """Plug yesterday's clock into the same port."""
        other = Sender(f"{self.daemon.instance}-other", bpm)
        self._made.callback(other.close)
        self.hand.connect(other.port, self.daemon.port["clock"])
        return other

    def end(self) -> list[Found]:
        """Stop; return what came of all faults."""
        self.sender.wait(self.sender.stop())
        time.sleep(0.2)
        self._looking.set()
        self._frames = self.sender.frames()
        self._heard = [ons(ear.heard()["out"]) for ear in self.ears]
        said = sorted(self.said, key=lambda one: one.answered)
        return [judge(fault, self._frames, self._heard, list(LINE), said) for fault in self.faults]

    def course(self, fault: Fault) -> list[str]:
        """Return what the daemon said around a fault, where it changed: clocks behind it, word, trouble."""
        found: list[str] = []
        before = None
        for one in self.said:
            if fault.begin - 400 <= one.answered <= fault.last + 20 and (one.word, one.trouble) != before:
                before = one.word, one.trouble
                found.append(f"{one.answered - fault.begin:+d}: {one.word}, {one.trouble}")
        return found

    def struck(self, first: int, last: int) -> int:
        """Return how many notes were heard from a clock to another; after `end`."""
        return sum(self._frames[first] <= frame < self._frames[last] for frame, _ in self._heard[0])


def _lost(stage: Stage, lost: list[int]) -> tuple[int, int]:
    begin = stage.sender.fail(lost=lost)
    end = begin + lost[-1] + 1
    stage.sender.wait(end)
    return begin, end


def _crackle(stage: Stage, rng: random.Random) -> tuple[int, int]:
    lost, at = [], 0
    for _ in range(rng.randint(2, 6)):
        width = rng.randint(1, 3)
        lost += range(at, at + width)
        at += width + rng.randint(2, 20)
    return _lost(stage, lost)


def _burst(stage: Stage, rng: random.Random) -> tuple[int, int]:
    held = rng.randint(3, 20)
    begin = stage.sender.fail(held=held)
    stage.sender.wait(begin + held)
    return begin, begin + held


def _twice(stage: Stage, rng: random.Random) -> tuple[int, int]:
    begin = stage.sender.fail(twice=rng.uniform(0.5, min(4.0, 500 / stage.bpm)))  # below a quarter interval and 5 ms
    stage.sender.wait(begin + 1)
    return begin, begin + 1


def _stopped(stage: Stage, rng: random.Random) -> tuple[int, int]:
    player = stage.daemon.pid("player")
    begin = stage.sender.count()
    os.kill(player, signal.SIGSTOP)
    try:
        time.sleep(rng.uniform(0.02, 0.15))
    finally:
        os.kill(player, signal.SIGCONT)
    return begin, stage.sender.count() + 1


def _still(stage: Stage, intervals: float) -> tuple[int, int]:
    begin = stage.sender.fail(still=intervals)
    stage.sender.wait(begin + 1)
    return begin, begin + 1


KINDS: dict[str, Callable[[Stage, random.Random], tuple[int, int]]] = {
    "one clock dropped by the sender": lambda stage, rng: _lost(stage, [0]),
    "2 to 24 clocks dropped by the sender": lambda stage, rng: _lost(stage, list(range(rng.randint(2, 24)))),
    "cable out for 10 to 500 ms": lambda stage, rng: stage.pull(rng.uniform(10, 500)),
    "the player's end of the cable out for 10 to 500 ms": lambda stage, rng: stage.pull(rng.uniform(10, 500), False),
    "the player stopped for 20 to 150 ms": _stopped,
    "crackle of 2 to 6 holes": _crackle,
    "burst: 3 to 20 clocks held up": _burst,
    "one clock twice": _twice,
    "the sender stands still for 0.3 to 12 intervals": lambda stage, rng: _still(stage, rng.uniform(0.3, 12.0)),
    "the sender stands still for 1 to 12 whole intervals": lambda stage, rng: _still(stage, rng.randint(1, 12)),
}
"""What is done, by what it is called; each returns the first clock that it touched and the first behind it."""
SLOW = {"crackle of 2 to 6 holes", "burst: 3 to 20 clocks held up"}
STOPS_TIME = {"the player stopped for 20 to 150 ms"}
"""Where a server waits for its clients, time stands still meanwhile: nothing is lost then."""
NOBODY_KNOWS = {kind for kind in KINDS if "stands still" in kind}
"""A stand-still of whole intervals looks like a hole: it has to be right only where it says *locked*."""


def tried(
    daemon: Playing, kinds: list[str], seed: int, bpm: float = 120.0, clients: int = 0, warm: int = WARM,
    say: Callable[[str], None] = lambda text: None,
) -> list[Found]:  # fmt: skip
    """Let the clock of a daemon fail in these ways, one after the other; return what came of each."""
    rng = random.Random(seed)
    stage = Stage(daemon, bpm, warm)
    try:
        with busy(daemon, clients):
            for number, kind in enumerate(kinds, 1):
                stage.fault(kind, rng)
                say(f"{number} of {len(kinds)}: {kind}: {stage.faults[-1].said.word}")
            found = stage.end()
            for fault, one in zip(stage.faults, found, strict=True):
                for text in one.complaints():
                    say("; ".join([text, *stage.course(fault)]))
            return found
    finally:
        stage.close()


def undisturbed(daemon: Playing, seconds: float, bpm: float = 120.0, clients: int = CLIENTS) -> Found:
    """Play a clock without any fault while the socket is busy; return whether every step was in its place."""
    stage = Stage(daemon, bpm)
    try:
        with busy(daemon, clients):
            start = stage.sender.start()
            stage.sender.wait(start + 24)
            last = start + 24 + int(seconds * bpm * 24 / 60)
            stage.sender.wait(last, seconds * 2 + PATIENCE)
            kind = f"{seconds / 60:g} minutes, {clients} clients ask for the state {A_SECOND} times a second"
            stage.faults.append(Fault(kind, start, start, start, start, last, stage.status()))
            return stage.end()[0]
    finally:
        stage.close()


def table(found: list[Found]) -> list[str]:
    """The report as Markdown."""
    lines = [
        "| fault | tried | in place within the asked time | clocks until right: p50, most | a step twice | "
        "*locked* while wrong | the word at the end |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for kind in dict.fromkeys(one.kind for one in found):
        mine = [one for one in found if one.kind == kind]
        until = sorted(one.until for one in mine)
        words = [one.word for one in mine]
        said = ", ".join(f"{word} {words.count(word)}" for word in sorted(set(words)))
        lines.append(
            f"| {kind} | {len(mine)} | {sum(one.placed for one in mine)} | {median(until):.0f}, {until[-1]} | "
            f"{sum(bool(one.twice) for one in mine)} | {sum(bool(one.locked_wrong) for one in mine)} | {said} |"
        )
    return lines


__all__ = ["KINDS", "SHAPE", "STOPS_TIME", "Stage", "busy", "table", "tried", "undisturbed"]
