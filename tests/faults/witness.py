"""Ears in a process of their own: what was on the cables, for a verdict that a cycle given up does not spoil.

A JACK server that waits for its clients gives a cycle up after ten times its
time-out, here 27 ms.  What the client that was late writes then is heard by
nobody, and it does not learn of it: a stage's peers are Python beside a test
that asks and polls, so on a busy machine a clock that the stage believes to
have sent may never have left.  Nothing else runs in this process.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import subprocess
import sys
from pathlib import Path
from typing import Any, Self

import jack
from scripts.benchparts.children import end_with_parent

from tests.faults.measure import Evidence, complaints
from tests.real.peer import CLOCK, START, endable

ROOT = Path(__file__).parent.parent.parent


class Witness:
    """Hears ports by a name for each, from its making on.

    Args:
        name: Of its JACK client.
        cables: What it is called -> the port that is heard; ``clock`` is that of the clock's sender.
    """

    def __init__(self, name: str, **cables: str) -> None:
        command = [sys.executable, "-m", "tests.faults.witness", name, json.dumps(cables)]
        self._process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, preexec_fn=end_with_parent
        )
        if self._process.stdout.readline() != "listening\n":
            self.close()
            raise AssertionError("the witness does not listen")

    def count(self) -> int:
        """Return how many clocks it has heard since the last Start."""
        return int(self._ask("count"))

    def clocks(self) -> list[int]:
        """Return the frames of the clocks that it has heard since the last Start."""
        return json.loads(self._ask("clocks"))

    def _ask(self, what: str) -> str:
        self._process.stdin.write(f"{what}\n")
        self._process.stdin.flush()
        return self._process.stdout.readline()

    def heard(self) -> dict[str, list[tuple[int, bytes]]]:
        """End it; return (frame, message) of all that was heard."""
        said, _ = self._process.communicate("enough\n", timeout=60)
        return {
            name: [(frame, bytes.fromhex(data)) for frame, data in heard] for name, heard in json.loads(said).items()
        }

    def complaints(self, evidence: Evidence) -> list[str]:
        """End it; return what is wrong; see `judged`."""
        return judged(evidence, self.heard())

    def close(self) -> None:
        """End it, whatever it is at."""
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                pipe.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def add_clocks(clocks: list[int], heard: list[tuple[int, bytes]]) -> None:
    """Go on with the frames of the clocks since the last Start."""
    for frame, data in heard:
        if data == START:
            clocks.clear()
        elif data == CLOCK:
            clocks.append(frame)


def judged(evidence: Evidence, heard: dict[str, list[tuple[int, bytes]]]) -> list[str]:
    """Return what is wrong by whatever was heard, by a witness or at the stage.

    A cycle given up reaches some clients and not others, so either may lack
    what the daemon heard.  Where none is given up both are the same, and one
    verdict is all there is.
    """
    clocks: list[int] = []
    add_clocks(clocks, heard["clock"])
    notes = {name: got for name, got in heard.items() if name != "clock"}
    heres = [evidence, dataclasses.replace(evidence, heard=notes, cuts={})]
    verdicts = [complaints(one) for one in heres]
    if len(clocks) != len(evidence.clocks):
        verdicts += [complaints(dataclasses.replace(one, clocks=clocks)) for one in heres]
    return min(verdicts, key=len)


def listen(name: str, cables: dict[str, str]) -> None:
    """Hear until a line comes, and tell what was heard."""
    client = jack.Client(name, no_start_server=True)
    ports: dict[str, Any] = {one: client.midi_inports.register(one) for one in cables}
    heard: dict[str, list[tuple[int, bytes]]] = {one: [] for one in cables}
    clocks: list[int] = []

    def process(frames: int) -> None:
        begin = client.last_frame_time
        for one, port in ports.items():
            got = [(begin + offset, bytes(data)) for offset, data in port.incoming_midi_events()]
            heard[one] += got
            if one == "clock":
                add_clocks(clocks, got)

    end = endable(client, process)
    client.activate()
    for one, source in cables.items():
        client.connect(source, f"{client.name}:{one}")
    print("listening", flush=True)
    while (asked := sys.stdin.readline()) in ("count\n", "clocks\n"):
        print(len(clocks) if asked == "count\n" else clocks, flush=True)
    end()
    print(json.dumps({one: [(frame, data.hex()) for frame, data in got] for one, got in heard.items()}), flush=True)


if __name__ == "__main__":
    listen(sys.argv[1], json.loads(sys.argv[2]))
