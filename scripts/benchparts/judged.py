"""The judge's table: which share of clocks it counts rightly, and which numbers were asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from multiprocessing import Pool
from typing import NamedTuple

from replank.timing.judge import ClockJudge

from .clocks import CLASSES, make
from .judging import Line, Result, run

BANDS = ("≤ 1/24", "1/24 to 1/12", "1/12 to 1/6", "> 1/6", "±1 %", "±5 %")
"""Jitter of a steady sender as a share of the interval; a tempo that wanders, at jitter up to 1/24."""
STEADY, ROUGHER, ROUGH, ROUGHEST, HUMAN, DRIFTING = BANDS
TO_24 = ("hole1", "hole2_5", "hole6_24")
TO_400 = ("hole25_100", "hole101_400")
LATE = ("burst", "burst_part", "dup1", "dup_many")
TEMPO = ("halve", "double", "tap", "accel", "rit", "swing", "startstop", "hole_transport")
UNTOUCHED = ("clean", "late_one", "burst", "halve", "double", "tap", "accel", "rit", "swing", "startstop")
"""Classes in which nothing is lost and nobody stands still."""
CHUNK = 100


class Row(NamedTuple):
    """One case.

    Attributes:
        cls: Its class.
        band: One of `BANDS`, or empty: a tempo that wanders, at more jitter.
        result: What came of it.
    """

    cls: str
    band: str
    result: Result


def band_of(rel: float, drift: float) -> str:
    """Return the band of a case."""
    if drift:
        return ("" if rel > 1 / 24 else HUMAN) if drift < 0.02 else ("" if rel > 1 / 24 else DRIFTING)
    return STEADY if rel <= 1 / 24 else ROUGHER if rel <= 1 / 12 else ROUGH if rel <= 1 / 6 else ROUGHEST


def judged(seed: int, cls: str | None = None, judge: Callable[[int], ClockJudge] = ClockJudge) -> Row:
    """Return what a judge makes of the case of a seed."""
    case = make(seed, cls)
    return Row(case.cls, band_of(case.rel, case.drift), run(Line(judge(case.grain)), case))


def all_of(first: int, cases: int, processes: int) -> list[Row]:
    """Return the rows of so many seeds from `first` on."""
    seeds = range(first, first + cases)
    if processes == 1:
        return [judged(seed) for seed in seeds]
    with Pool(processes) as pool:
        return pool.map(judged, seeds, chunksize=CHUNK)


class Asked(NamedTuple):
    """A number that the judge has to reach.

    Attributes:
        text: What is counted.
        least: The share, in %, or where `most` is set the most that may be.
        got: The share, in %.
        of: How many cases or clocks it is a share of.
        most: True where less is better.
    """

    text: str
    least: float
    got: float
    of: int
    most: bool = False

    @property
    def is_met(self) -> bool:
        """Tell whether it was reached."""
        return self.got <= self.least if self.most else self.got >= self.least


def asked(rows: Sequence[Row]) -> list[Asked]:
    """Return what was asked, and what came."""

    def right(text: str, least: float, classes: Sequence[str], bands: Sequence[str] = BANDS) -> Asked:
        got = [row.result.right for row in rows if row.cls in classes and (row.band in bands or bands is BANDS)]
        return Asked(text, least, 100 * sum(got) / max(1, len(got)), len(got))

    healed = [r.result for r in rows if r.cls in TO_24 and r.band == STEADY and r.result.right]
    late = [r.result for r in rows if r.cls == "halve" and r.band == STEADY]
    untouched = [r.result for r in rows if r.cls in UNTOUCHED]
    every = [r.result for r in rows]

    def share(text: str, least: float, of: Sequence[Result], is_so: Callable[[Result], bool], most: bool) -> Asked:
        return Asked(text, least, 100 * sum(map(is_so, of)) / max(1, len(of)), len(of), most)

    return [
        right("right after holes of 1 to 24 clocks, jitter ≤ 1/24", 99.5, TO_24, (STEADY,)),
        right("the same, to 1/12", 96, TO_24, (ROUGHER,)),
        right("the same, a tempo that wanders by ±1 %", 98, TO_24, (HUMAN,)),
        right("the same, by ±5 %", 95, TO_24, (DRIFTING,)),
        right("holes of 25 to 400 clocks within 8 s, ≤ 1/24", 99, TO_400, (STEADY,)),
        right("the same, to 1/12", 90, TO_400, (ROUGHER,)),
        right("a wobbling plug, ≤ 1/24", 98, ("wobble",), (STEADY,)),
        right("late bursts, also with losses, and clocks that came twice, ≤ 1/24", 99, LATE, (STEADY,)),
        right("other tempi, swing, transport, a lost Stop, ≤ 1/24", 99.5, TEMPO, (STEADY,)),
        right("the same, to 1/12", 98, TEMPO, (ROUGHER,)),
        share("halving: right from its second clock on, ≤ 1/24", 99.5, late, lambda r: r.until <= 1, False),
        right("losses of the player alone that the ear heard, any jitter", 99.5, ("own_loss",)),
        share("healed holes of 1 to 24 right at the first clock, ≤ 1/24", 95, healed, lambda r: r.until == 0, False),
        share("and after 24 calm clocks", 100, healed, lambda r: r.until <= 25, False),
        share("wrong and locked at the end", 0, every, lambda r: r.locked and not r.right, True),
        share("wrong and locked for longer than a quarter note", 0.02, every, lambda r: r.longest > 24, True),
        share("moved where nothing was lost and nobody stood still", 0.1, untouched, lambda r: not r.right, True),
    ]


def tables(rows: Sequence[Row]) -> str:
    """Return the table of classes and that of what was asked, as Markdown."""
    text = "| right at the end, % | " + " | ".join(BANDS) + " | of | until right p50, p95 | struck wrongly |\n"
    text += "| --- |" + " --- |" * (len(BANDS) + 3) + "\n"
    for cls in CLASSES:
        mine = [row for row in rows if row.cls == cls]
        if not mine:
            continue
        text += f"| {cls} |"
        for band in BANDS:
            got = [row.result.right for row in mine if row.band == band]
            text += f" {100 * sum(got) / len(got):.1f} |" if got else "  |"
        steady = [row.result for row in mine if row.band == STEADY]
        until = sorted(one.until for one in steady) or [0]
        struck = sum(one.struck for one in steady) / max(1, len(steady))
        text += f" {len(steady)} | {until[len(until) // 2]}, {until[int(len(until) * 0.95)]} | {struck:.2f} |\n"
    text += "\n| asked | % | reached | of | |\n| --- | --- | --- | --- | --- |\n"
    for one in asked(rows):
        limit = f"{'≤' if one.most else '≥'} {one.least:g}"
        text += f"| {one.text} | {limit} | {one.got:.2f} | {one.of} | {'' if one.is_met else '**missed**'} |\n"
    return text
