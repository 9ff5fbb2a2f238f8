"""Short holes in the clock on a stage: lost clocks, a crackling plug, a cable out and in; the truth is the sender's.

The sender goes on while nobody hears it, as a drum machine does.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import jack

from tests.faults.stage import PATIENCE, Peer, Trial

BPM = 120.0
INTERVAL = 60 / (24 * BPM)
CALM = 30
"""Clocks after a hole in which the count may still be wrong: 24 (CLOCK.md's bound is the same) and an answer's age."""


@dataclass
class Found:
    """What came of holes.

    Attributes:
        holes: (kind, clocks lost or ms, clocks counted less clocks sent, word) of each.
    """

    holes: list[tuple[str, int, int | None, str]] = field(default_factory=list)

    def wrong(self) -> list[tuple[str, int, int | None, str]]:
        return [one for one in self.holes if one[2] != 0]

    def wrong_and_locked(self) -> list[tuple[str, int, int | None, str]]:
        return [one for one in self.wrong() if one[3] == "locked"]


def lost(trial: Trial, dice: random.Random) -> int:
    """Lose 1 to 24 clocks; return how many."""
    trial.clock.lose = count = dice.choice((1, 1, 2, 3, 5, 8, 13, 24))
    return count


def crackle(trial: Trial, dice: random.Random) -> int:
    """Lose single clocks, some clocks apart."""
    count = dice.randint(2, 4)
    for _ in range(count):
        trial.clock.lose = 1
        time.sleep(dice.uniform(2, 6) * INTERVAL)
    return count


def pulled(trial: Trial, dice: random.Random) -> int:
    """Pull the player's cable for 10 to 500 ms; in server mode -S this holds up the sender, too."""
    milliseconds = dice.randint(10, 500)
    here, there = trial.clock.send_port, trial.daemon.port["clock"]
    trial.clock.client.disconnect(here, there)
    time.sleep(milliseconds / 1000)
    try:
        trial.clock.client.connect(here, there)
    except jack.JackErrorCode:
        time.sleep(0)  # it has been patched again meanwhile
    return milliseconds


KINDS: dict[str, Callable[[Trial, random.Random], int]] = {"lost": lost, "crackle": crackle, "pulled": pulled}


def tried(trial: Trial, count: int, dice: random.Random, kinds: tuple[str, ...] = tuple(KINDS)) -> Found:
    """Play at 120 BPM through so many holes of these kinds in turn.

    Start comes anew where a count was wrong, so that each hole is one by itself.
    """
    found = Found()
    begin(trial)
    for number in range(count):
        kind = kinds[number % len(kinds)]
        size = KINDS[kind](trial, dice)
        wait(trial, trial.clock.lose + CALM)
        off = trial.count_off(trial.counted)
        found.holes.append((kind, size, off, trial.daemon.transport()["phase"]))
        if off:
            trial.clock.rest()
            begin(trial)
        wait(trial, dice.randint(12, 36))
    trial.clock.rest()
    return found


def begin(trial: Trial) -> None:
    """Start, and let the tempo be known: it is measured over 96 clocks."""
    trial.begin(bpm=BPM)
    wait(trial, 100)


def wait(trial: Trial, clocks: int) -> None:
    """Wait for so many clocks of the sender."""
    until = len(trial.clock.clock_frames) + clocks
    assert Peer.until(lambda: len(trial.clock.clock_frames) >= until, PATIENCE)
