"""A sender of MIDI clock that fails as it is told to, in a process of its own: nothing else holds it up.

It goes by JACK's frames, so what was meant is known to the frame, whatever
becomes of it on the way: a clock that is dropped, held up or doubled has its
place in `frames` all the same.  Only a stand-still moves the places of those
behind it.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
import time
from bisect import insort
from pathlib import Path
from typing import Any

import jack
from scripts.benchparts.children import end_with_parent

from tests.real.peer import CLOCK, START, STOP, endable

ROOT = Path(__file__).parent.parent.parent
AHEAD = 4
"""Clocks between what is asked for and its beginning: an answer takes some ms."""


class Sender:
    """Sends from its making on, without Start.

    Args:
        name: Of its JACK client; its port is ``send``.
        bpm: Its tempo, 24 clocks to the quarter note (MIDI 1.0 Detailed Specification, p. 30).
    """

    def __init__(self, name: str, bpm: float) -> None:
        self.name, self._asking = name, threading.Lock()
        command = [sys.executable, "-m", "tests.faults.sender", name, str(bpm)]
        self._process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, preexec_fn=end_with_parent
        )
        if self._process.stdout.readline() != "sending\n":
            self.close()
            raise AssertionError("the sender does not send")

    @property
    def port(self) -> str:
        return f"{self.name}:send"

    def count(self) -> int:
        """Return the number of the next clock."""
        return self._ask()

    def start(self) -> int:
        """Send a Start right before one of the next clocks; return its number."""
        return self._ask(start=True)

    def stop(self) -> int:
        """Send a Stop in its place; the clocks go on."""
        return self._ask(stop=True)

    def fail(
        self,
        lost: tuple[int, ...] | list[int] = (),
        twice: float | None = None,
        held: int = 0,
        still: float = 0.0,
    ) -> int:
        """Fail in the next clocks; return the number of the first of them.

        Args:
            lost: Which of the next clocks are not sent; 0 is the first.
            twice: So many ms after the first it comes once more.
            held: So many from the first on come together, when the last is due.
            still: So many intervals pass before the first and more than should.
        """
        return self._ask(lost=list(lost), twice=twice, held=held, still=still)

    def frames(self) -> list[int]:
        """Return when each clock was meant to leave."""
        return self._ask(frames=True)

    def wait(self, number: int, seconds: float = 120.0) -> None:
        """Wait until a clock was due."""
        until = time.monotonic() + seconds
        while self.count() <= number:
            assert time.monotonic() < until, "the clock stands still"
            time.sleep(0.02)

    def _ask(self, **what: Any) -> Any:
        with self._asking:
            self._process.stdin.write(json.dumps(what) + "\n")
            self._process.stdin.flush()
            return json.loads(self._process.stdout.readline())

    def close(self) -> None:
        """End it."""
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()


class Work:
    """What the sender's process does in each period."""

    def __init__(self, client: jack.Client, bpm: float) -> None:
        self._client = client
        self._port = client.midi_outports.register("send")
        self._interval = client.samplerate * 60 / (24 * bpm)
        self._next = 0.0
        self._lock = threading.Lock()
        self._before: dict[int, bytes] = {}
        self._lost: set[int] = set()
        self._twice: dict[int, int] = {}
        self._held: dict[int, int] = {}
        self._still: dict[int, float] = {}
        self._held_until = 0
        self._on_the_way: list[tuple[int, int, bytes]] = []
        self._order = 0
        self.frames: list[int] = []

    def process(self, frames: int) -> None:
        now = self._client.last_frame_time
        self._port.clear_buffer()
        with self._lock:
            if not self._next:
                self._next = now + self._interval
            while self._next < now + frames:
                self._one()
            while self._on_the_way and self._on_the_way[0][0] < now + frames:
                due, _, message = self._on_the_way.pop(0)
                self._port.write_midi_event(max(0, due - now), message)

    def _one(self) -> None:
        number = len(self.frames)
        self._next += self._still.pop(number, 0.0) * self._interval
        at = int(self._next)
        self.frames.append(at)
        self._next += self._interval
        if held := self._held.pop(number, 0):
            self._held_until = at + int((held - 1) * self._interval)
        due = max(at, self._held_until)
        if message := self._before.pop(number, b""):
            self._put(due, message)
        if number not in self._lost:
            self._put(due, CLOCK)
        if later := self._twice.pop(number, 0):
            self._put(due + later, CLOCK)

    def _put(self, due: int, message: bytes) -> None:
        self._order += 1
        insort(self._on_the_way, (due, self._order, message))

    def answer(self, asked: dict[str, Any]) -> Any:
        """Do what is asked; return a number of a clock, or what was meant so far."""
        with self._lock:
            if asked.get("frames"):
                return self.frames
            number = len(self.frames)
            if not asked:
                return number
            number += AHEAD
            if asked.get("start") or asked.get("stop"):
                self._before[number] = START if asked.get("start") else STOP
            self._lost.update(number + one for one in asked.get("lost", ()))
            if asked.get("twice"):
                self._twice[number] = int(asked["twice"] * self._client.samplerate / 1000)
            if asked.get("held"):
                self._held[number] = asked["held"]
            if asked.get("still"):
                self._still[number] = asked["still"]
            return number


def work(name: str, bpm: float) -> None:
    """Send until nobody asks any more."""
    client = jack.Client(name, no_start_server=True)
    sending = Work(client, bpm)
    end = endable(client, sending.process)
    client.activate()
    print("sending", flush=True)
    for line in sys.stdin:
        print(json.dumps(sending.answer(json.loads(line))), flush=True)
    end()


if __name__ == "__main__":
    work(sys.argv[1], float(sys.argv[2]))
