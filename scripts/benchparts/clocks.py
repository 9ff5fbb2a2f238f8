"""MIDI clocks with the truth beside them: 26 classes of faults, for scripts/clocks and the tests of the judge.

It shares no code with the judge.  A case holds events in order of arrival:
(arrival ns, kind, truth).  Kinds: F8 clock, FA Start, FB Continue, FC Stop, F2
Song Position.  The truth of a clock is the song clock at which its sender is
when it arrives; of a Song Position the song clock that comes next.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

MS = 1_000_000
JITTERS = ("tight", "gauss", "bounded", "usb1", "jack1.33", "jack5.33", "jack21.3", "walk")
CLASSES = (
    "clean", "hole1", "hole2_5", "hole6_24", "hole25_100", "hole101_400", "wobble", "burst", "burst_part", "late_one",
    "stand", "stand_period", "pause", "dup1", "dup_many", "halve", "double", "tap", "accel", "rit", "swing", "trigger",
    "startstop", "own_loss", "hole_transport", "hole_nudge",
)  # fmt: skip
HOLES = {
    "hole1": (1, 1), "hole2_5": (2, 5), "hole6_24": (6, 24), "hole25_100": (25, 100), "hole101_400": (101, 400),
    "hole_transport": (6, 100), "hole_nudge": (6, 100),
}  # fmt: skip
PERIODS = {"usb1": 1.0, "jack1.33": 64 / 48, "jack5.33": 256 / 48, "jack21.3": 1024 / 48}
"""Milliseconds that a jitter rounds up to: a millisecond of USB, periods of 64, 256 and 1024 frames at 48 kHz."""
GRAINS = {name: round(PERIODS[name] * MS) for name in PERIODS if name.startswith("jack")}
"""Of those that a callback stamps, which the judge is told."""

Event = tuple[int, str, int]


@dataclass
class Case:
    """A clock.

    Attributes:
        cls: Its class.
        bpm, interval: Quarter notes a minute, and ns between its clocks, as it begins.
        jitter, sd_ms: Kind, and standard deviation in ms.
        drift: How far the tempo wanders, as a share.
        events: What arrives.
        fault_at: When the fault begins, ns.
        lost: Clocks that were sent and never arrived.
        ear: (when it is told, ns; stamps of lost clocks that another listener heard).
    """

    cls: str
    bpm: float
    interval: float
    jitter: str
    sd_ms: float
    drift: float
    fault_at: float
    events: list[Event] = field(default_factory=list)
    lost: set[int] = field(default_factory=set)
    ear: list[tuple[float, list[int]]] = field(default_factory=list)

    @property
    def rel(self) -> float:
        """Return the jitter as a share of the interval."""
        return self.sd_ms * MS / self.interval

    @property
    def grain(self) -> int:
        """Return what the stamps are rounded to, ns, where the judge is told."""
        return GRAINS.get(self.jitter, 0)


def jitter_of(r: Random, kind: str, amount_ms: float) -> tuple[Callable[[float], float], float]:
    """Return a jitter, time ns -> delay ns, and its standard deviation in ms."""
    if kind == "tight":
        sd = 0.02 + 0.06 * r.random()
        return (lambda t: r.gauss(0, sd) * MS), sd
    if kind == "gauss":
        return (lambda t: r.gauss(0, amount_ms) * MS), amount_ms
    if kind == "bounded":
        return (lambda t: (2 * r.random() - 1) * amount_ms * MS), amount_ms / math.sqrt(3)
    if kind == "walk":  # a slowly wandering delay beside a small white one
        state = [0.0]

        def walk(t: float) -> float:
            state[0] = 0.9 * state[0] + r.gauss(0, amount_ms * 0.436)
            return state[0] * MS

        return walk, amount_ms
    period = PERIODS[kind] * MS
    off = r.random() * period
    return (lambda t: math.ceil((t - off) / period) * period + off - t), period / math.sqrt(12) / MS


def sent_at(r: Random, cls: str, bpm: float, n: int, at: int, drift: float) -> list[float]:
    """Return when the sender's clocks leave, ns, before it stands still."""
    interval = 60e9 / 24 / bpm
    step = {"halve": 2.0, "double": 0.5}.get(cls, 1.0)
    if cls == "tap":
        step = bpm / math.exp(r.uniform(math.log(20), math.log(400)))
    curve, over = r.uniform(1.2, 2.2), r.choice((24, 48, 96, 192))
    swing, swing_clocks = r.uniform(1.05, 1.4), r.choice((6, 12))
    if cls == "trigger":
        return _from_triggers(r, interval, n)
    out, t, lean = [], 0.0, 0.0
    for i in range(n):
        out.append(t)
        gap = interval
        if drift:  # a slow walk, in units of the whole drift
            lean = max(-1.0, min(1.0, lean + r.gauss(0, 0.02) - lean * 0.002))
            gap *= 1 + drift * lean
        if i >= at:
            gap *= step
            bent = 1 + (curve - 1) * min(1, (i - at) / over)
            gap *= {"rit": bent, "accel": 1 / bent}.get(cls, 1.0)
        if cls == "swing":
            gap *= swing if (i // swing_clocks) % 2 == 0 else 2 - swing
        t += gap
    return out


def _from_triggers(r: Random, interval: float, n: int) -> list[float]:
    """24 clocks spread over the last beat's length; when the next beat is early the rest leave at once."""
    out, t, last = [], 0.0, 24 * interval
    for _ in range(n // 24 + 1):
        this = 24 * interval * (1 + r.gauss(0, 0.03))
        out += [t + min(k * last / 24, this - (24 - k) * 1000) for k in range(24)]
        t, last = t + this, this
    return out[:n]


def make(seed: int, cls: str | None = None, bpm: float | None = None) -> Case:
    """Return the case of a seed; its class is `seed` modulo 26 where none is given."""
    r = Random(seed)
    cls = cls or CLASSES[seed % len(CLASSES)]
    bpm = bpm or math.exp(r.uniform(math.log(20), math.log(400)))
    interval = 60e9 / 24 / bpm
    jitter, amount = r.choice(JITTERS), r.choice((0.2, 0.5, 1.0, 2.0, 3.0, 5.0))
    drift = r.choice((0, 0, 0, 0.01, 0.05)) if cls not in ("swing", "trigger") else 0
    at = r.randrange(120, 400)
    hole = 0
    if cls in HOLES:
        hole = max(1, min(r.randint(*HOLES[cls]), int(7.8e9 / interval)))
    n = at + hole + 300 + (150 if cls in ("wobble", "dup_many") else 0)
    times = sent_at(r, cls, bpm, n, at, drift)
    shift = 0.0
    if cls == "stand":
        shift = r.uniform(0.3, 40) * interval
    elif cls == "stand_period":
        shift = r.randint(1, 6) * r.choice((64 / 48, 256 / 48, 1024 / 48)) * MS
    elif cls == "pause":
        shift = r.uniform(0.4e9, 15e9)
    elif cls == "hole_nudge":  # a hand moved the sender during the hole
        shift = r.uniform(-0.5, 0.5) * interval
    draw, sd = jitter_of(r, jitter, amount)
    arrives, before = [], -1e18
    for i, t in enumerate(times):
        there = t + (shift if i >= at + hole else 0)
        before = max(before, there + draw(there))
        arrives.append(before)
    case = Case(cls, bpm, interval, jitter, sd, drift, arrives[at])
    _deliver(r, case, arrives, at, hole)
    return case


def _deliver(r: Random, case: Case, arrives: list[float], at: int, hole: int) -> None:
    """Lose, delay and repeat clocks, and put transport messages among them."""
    n, cls, interval = len(arrives), case.cls, case.interval
    delayed: dict[int, float] = {}
    unheard: set[int] = set()
    lost = set(range(at, at + hole))
    if cls == "wobble":
        i = at
        for _ in range(r.randint(2, 12)):
            k = r.choice((1, 1, 1, 2, 3, 5, 9))
            lost |= set(range(i, i + k))
            i += k + r.randint(1, 20)
    elif cls in ("burst", "burst_part"):
        i = at
        out = arrives[at] + r.uniform(0.6, r.randint(1, 60) + 0.5) * interval
        gap = r.choice((0, 0, 0.32, 1.0)) * MS
        while i < n and arrives[i] < out:
            if cls == "burst_part" and i > at and r.random() < 0.4:
                lost.add(i)
            else:
                delayed[i] = out
                out += gap
            i += 1
    elif cls == "late_one":
        delayed[at] = arrives[at] + r.uniform(0.3, 0.95) * interval
    elif cls == "own_loss":
        lost = set(range(at, at + r.choice((1, 1, 1, 2, 3, 8, 20))))
        unheard = {i for i in range(n) if r.random() < 0.002}
    twice: set[int] = set()
    if cls == "dup1":
        twice = {at}
    elif cls == "dup_many":
        twice = {i for i in range(at, at + 150) if r.random() < r.choice((0.05, 0.3, 1.0))}
    clocks: list[Event] = []
    last = -1e18
    for i in range(n):
        if i in lost:
            continue
        t = last = max(delayed.get(i, arrives[i]), last)
        truth = max(i, clocks[-1][2] if clocks else 0)
        if i in delayed:
            truth = i
            while truth + 1 < n and arrives[truth + 1] <= t:
                truth += 1
        clocks.append((int(t), "F8", truth))
        if i in twice:
            last = t + r.uniform(0, min(1.5 * MS, 0.4 * interval))
            clocks.append((int(last), "F8", truth))
    case.lost = lost
    case.events = [(clocks[0][0] - 1000, "FA", -1)]
    if cls == "startstop":
        _transport(r, case, clocks)
    elif cls == "hole_transport":
        # Stop was lost in the hole; the sender then continues from where it stood
        k = next(i for i, one in enumerate(clocks) if one[2] >= at + hole)
        case.events += [*clocks[:k], (clocks[k][0] - 1000, "FB", at - 1)]
        case.events += [(t, kind, truth - hole) for t, kind, truth in clocks[k:]]
    else:
        case.events += clocks
    if cls == "own_loss":
        told = arrives[max(lost) + 1] + r.uniform(25, 400) * MS
        case.ear = [(told, [int(arrives[i] + r.uniform(-0.2, 0.2) * MS) for i in sorted(lost) if i not in unheard])]


def _transport(r: Random, case: Case, clocks: list[Event]) -> None:
    """Stop, clocks on or off, at times Song Position, and Continue or Start; twice."""
    cuts = sorted(r.sample(range(100, len(clocks) - 200), 2))
    again = {}
    for cut in cuts:
        word = r.choice(("FB", "FA", "F2"))
        again[cut + r.randint(5, 60)] = word
    silent = r.random() < 0.5
    number, running = -1, True
    for i, (t, kind, _) in enumerate(clocks):
        if i in cuts and running:
            case.events.append((t - 1000, "FC", number))
            running = False
        if i in again and not running:
            word = again[i]
            if word == "F2":
                number = r.randrange(0, 1000) * 6 - 1
                case.events.append((t - 2000, "F2", number + 1))
                word = "FB"
            elif word == "FA":
                number = -1
            case.events.append((t - 1000, word, number))
            running = True
        number += running
        if running or not silent:
            case.events.append((t, kind, number))
