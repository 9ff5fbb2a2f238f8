"""What the judge costs, and hours of a clean clock that it must leave alone."""

from __future__ import annotations

import time
from collections.abc import Iterator
from itertools import islice, product
from math import ceil
from multiprocessing import Pool
from random import Random
from statistics import median
from typing import Any, NamedTuple

from replank.timing.follower import ClockFollower
from replank.timing.judge import ClockJudge

KINDS = ("gauss", "bounded", "walk", "period")
SHARES = (1 / 100, 1 / 24, 1 / 8)
"""Standard deviations of the jitter, in intervals."""
DRIFTS = (0.0, 0.01, 0.05)
TEMPI = (60, 120, 174)
BPM_COST = 120
PERIOD_NS = 21_333_333
"""1024 frames at 48 kHz: a common default period."""


class Hour(NamedTuple):
    """An hour, or less.

    Attributes:
        kind, share, drift, bpm: What clock it was.
        clocks: How many came.
        moved: How many of them left the count wrong.
        wrong_locked: How many of these while it said locked.
        word: The last one.
    """

    kind: str
    share: float
    drift: float
    bpm: int
    clocks: int
    moved: int
    wrong_locked: int
    word: str


def stamps(r: Random, kind: str, share: float, drift: float, bpm: float, seconds: float) -> Iterator[int]:
    """Yield when the clocks of a sender arrive that loses none, ns."""
    interval = 60e9 / 24 / bpm
    sd = share * interval
    t = lean = slow = before = 0.0
    period = sd * 12**0.5
    while t < seconds * 1e9:
        if kind == "gauss":
            late = r.gauss(0, sd)
        elif kind == "bounded":
            late = (2 * r.random() - 1) * sd * 3**0.5
        elif kind == "walk":
            slow = 0.9 * slow + r.gauss(0, sd * 0.436)
            late = slow
        else:
            late = ceil(t / period) * period - t
        before = max(before, t + late + 1e9)
        yield int(before)
        if drift:
            lean = max(-1.0, min(1.0, lean + r.gauss(0, 0.02) - lean * 0.002))
        t += interval * (1 + drift * lean)


def callback_stamps(bpm: float, clocks: int) -> list[int]:
    """Return the stamps of a perfect clock that a callback takes at the start of periods of `PERIOD_NS`."""
    interval = 60e9 / 24 / bpm
    return [ceil((i * interval + 1_234_567) / PERIOD_NS) * PERIOD_NS for i in range(clocks)]


def clock_hour(seed: int, kind: str, share: float, drift: float, bpm: int, seconds: float) -> Hour:
    """Return what the judge makes of a clean clock."""
    judge = ClockJudge()
    judge.start(0)
    base, count, moved, locked = judge.number, 0, 0, 0
    for stamp in stamps(Random(seed), kind, share, drift, bpm, seconds):
        judge.clock(stamp)
        if judge.looks:
            judge.look()
        count += 1
        if judge.number - base != count:
            moved += 1
            locked += judge.word == "locked"
    return Hour(kind, share, drift, bpm, count, moved, locked, judge.word)


def _hour(args: tuple[Any, ...]) -> Hour:
    return clock_hour(*args)


def clean_hours(hours: int, seed: int, processes: int, seconds: float = 3600.0) -> list[Hour]:
    """Return so many hours, one of each kind in turn."""
    plans = list(product(KINDS, SHARES, DRIFTS, TEMPI))
    Random(seed).shuffle(plans)
    todo = [(seed + i, *plans[i % len(plans)], seconds) for i in range(hours)]
    if processes == 1:
        return [_hour(one) for one in todo]
    with Pool(processes) as pool:
        return pool.map(_hour, todo, chunksize=1)


class Cost(NamedTuple):
    """Microseconds.

    Attributes:
        share: Of the jitter.
        judge, judge99: A clock, median and 99 of 100.
        follower: A clock of the follower alone, median.
        look, look99: A look at the grid, each quarter note.
    """

    share: float
    judge: float
    judge99: float
    follower: float
    look: float
    look99: float


def cost(share: float, seed: int, clocks: int = 24_000) -> Cost:
    """Measure a clock of the judge beside one of the follower, on the same stamps."""
    times = list(islice(stamps(Random(seed), "gauss", share, 0.0, BPM_COST, 3600.0), clocks))
    judge, follower = ClockJudge(), ClockFollower()
    judge.start(0)
    mine, looks, theirs = [], [], []
    now = time.perf_counter_ns
    for stamp in times:
        begin = now()
        judge.clock(stamp)
        mine.append(now() - begin)
        if judge.looks:
            begin = now()
            judge.look()
            looks.append(now() - begin)
    for stamp in times:
        begin = now()
        follower.tick(stamp)
        theirs.append(now() - begin)

    def high(of: list[int]) -> float:
        return sorted(of)[len(of) * 99 // 100] / 1000

    return Cost(share, median(mine) / 1000, high(mine), median(theirs) / 1000, median(looks) / 1000, high(looks))
