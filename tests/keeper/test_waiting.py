"""The player in waiting: what the keeper tells it, and when it is let go."""

import os
import select
import subprocess
import sys

import pytest

from replank import wire
from replank.keeper.waiting import Waiting, say
from replank.pipes import Reader

PORTS = {"api": "jack", "inputs": [["replank-clock-b", "clock"]], "outputs": [], "polled": []}


class Bench:
    """Starts sleeping processes, and reads what they were told."""

    def __init__(self) -> None:
        self.started: list[subprocess.Popen] = []
        self.ends: list[int] = []

    def make(self):
        end, word = os.pipe()
        self.ends.append(end)
        self.started.append(subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]))
        return self.started[-1], word

    def told(self, number: int = -1) -> list[tuple[int, dict]]:
        if not select.select([self.ends[number]], [], [], 0)[0]:
            return []
        return [(kind, wire.plain_dict(data)) for kind, data in Reader().feed(os.read(self.ends[number], 65536))]


@pytest.fixture
def bench():
    made = Bench()
    yield made
    for process in made.started:
        process.kill()
        process.wait()


def test_ports_are_told_once_whenever_they_are_known(bench):
    waiting = Waiting(bench.make)
    waiting.start()
    assert bench.told() == [] and waiting.pid == bench.started[0].pid
    waiting.open(PORTS)
    waiting.open(PORTS)
    assert bench.told() == [(wire.PREPARE, PORTS)]
    process, word = waiting.take()
    assert process is bench.started[0] and waiting.pid == 0
    say(word, wire.TURN, {"generation": 2})
    assert bench.told() == [(wire.TURN, {"generation": 2})]
    waiting.start()
    assert bench.told() == [(wire.PREPARE, PORTS)]


@pytest.mark.parametrize("ports", [None, {**PORTS, "inputs": []}])
def test_one_with_other_ports_is_let_go(bench, ports):
    waiting = Waiting(bench.make)
    waiting.start()
    waiting.open(PORTS)
    waiting.open(ports)
    assert waiting.pid == 0 and waiting.take() is None
    assert bench.started[0].returncode is not None


def test_a_dead_one_is_not_taken(bench):
    waiting = Waiting(bench.make)
    waiting.start()
    bench.started[0].kill()
    bench.started[0].wait()
    assert waiting.take() is None
    waiting.start()
    assert waiting.take() is not None
