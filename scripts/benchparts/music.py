"""What lines are like after minutes of mutation, counted over fixed seeds and put into tables."""

from __future__ import annotations

import time
from collections.abc import Iterable
from statistics import fmean, median

from replank.line.heard import is_heard
from replank.line.measures import length_entropy, mean_interval, onset_ratio, order_ratio, returning_figures
from replank.line.mutation import alike_twins
from replank.line.steps import Step, same_music
from replank.performer.melody import Melody
from replank.performer.settings import Settings
from tests.line.evening import MINUTE, begun, cycle, notes, played, settings
from tests.performer.cycles import heard_cycles

HOUR = 60 * MINUTE


def report(seeds: int) -> str:
    """Return all tables as Markdown."""
    over = range(1, seeds + 1)
    parts = [
        ("A line that never goes home (homing 0): its order and its intervals", _order(over)),
        ("Onsets on beats over those off them (defaults, homing 0)", _onsets(over)),
        ("Motifs: pairs of twins that stand as at home, and returning figures", _motifs(over)),
        ("Rests and home", _rests(over)),
        ("Note lengths", _lengths(over)),
        ("What a decision and a drawing cost (process time, ms)", _costs()),
    ]
    return "\n".join(f"#### {title}\n\n{table}" for title, table in parts)


def _table(head: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    lines = ["| " + " | ".join(head) + " |"]
    lines.append("|" + " --- |" * lines[0].count(" | ") + " --- |")
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _ring_figures(melodies: list[Melody], s: Settings) -> tuple[str, str]:
    rings = [notes(melody.steps[: s.length], s) for melody in melodies]
    intervals = [value for ring in rings if (value := mean_interval(ring)) is not None]
    return f"{order_ratio(rings) or 0:.2f}", f"{fmean(intervals):.2f}"


def _order(over: range) -> str:
    rows = []
    for name, values in {
        "defaults": {}, "dorian over 24 semitones": {"scale": "dorian", "register_span": 24},
        "scheme free": {"scheme": "free"}, "fit 0 (control)": {"fit": 0.0},
    }.items():  # fmt: skip
        s = settings(homing=0.0, **values)
        for when, cycles in (("drawn", 0), ("5 min", 5 * MINUTE), ("10 min", 10 * MINUTE)):
            rows.append((name, when, *_ring_figures([played(seed, s, cycles) for seed in over], s)))
    return _table(("line", "when", "order ratio", "mean interval, semitones"), rows)


def _onset(melodies: list[Melody], rest_chance: float, first: int = 0) -> str:
    places = [(i % 4 == 0, is_heard(m.steps[i], rest_chance)) for m in melodies for i in range(first, 16)]
    return f"{onset_ratio(places) or 0:.2f}"


def _onsets(over: range) -> str:
    s = settings(homing=0.0)
    drawn, old = ([played(seed, s, cycles) for seed in over] for cycles in (0, HOUR))
    flat = settings(homing=0.0, metric=0.0)
    even = [played(seed, flat, 0) for seed in over]
    return _table(
        ("read at rest_chance", "drawn", "after an hour", "metric 0, drawn, without step 1 (control)"),
        [(rest, _onset(drawn, rest), _onset(old, rest), _onset(even, rest, 1)) for rest in (0.4, 0.6)],
    )


def _motifs(over: range) -> str:
    rows = []
    for homing in (0.5, 0.0):
        for motif in (0.0, 0.5, 1.0):
            s = settings(homing=homing, motif=motif)
            kept, figures = [], []
            for seed in over:
                melody = begun(seed, s)
                now, all_of_them = alike_twins(melody.steps[:16], melody.home[:16], s.lens), []
                for _ in range(5 * MINUTE):
                    all_of_them.append(notes(melody.steps[:16], s))
                    cycle(melody, s)
                kept.append(alike_twins(melody.steps[:16], melody.home[:16], s.lens) / now if now else 1.0)
                figures.append(returning_figures(all_of_them) or 0.0)
            rows.append((homing, motif, f"{fmean(kept):.2f}", f"{fmean(figures):.3f}"))
    return _table(("homing", "motif", "pairs kept after 5 min", "returning figures over 5 min"), rows)


def _rests(over: range) -> str:
    rows = []
    for homing in (0.0, 0.5):
        s = settings(homing=homing)
        off, home, kept = [], [], True
        for seed in over:
            melody = begun(seed, s)
            rolls = _rolls(melody.steps[:16])
            for _ in range(20 * MINUTE):
                cycle(melody, s)
            steps = melody.steps[:16]
            kept &= _rolls(steps) == rolls
            off.append(max(abs(sum(not is_heard(step, r / 16) for step in steps) - r) for r in range(17)))
            home.append(fmean(same_music(a, b) for a, b in zip(steps, melody.home[:16], strict=True)))
        rows.append((homing, max(off), "the same in every line" if kept else "CHANGED", f"{fmean(home):.2f}"))
    return _table(
        ("homing", "rests too many or few at any rest_chance, most", "sorted rolls after 20 min", "share at home"), rows
    )


def _rolls(steps: Iterable[Step]) -> tuple[list[float], list[float]]:
    listed = list(steps)
    return sorted(step.rest for step in listed), sorted(step.accent for step in listed)


def _lengths(over: range) -> str:
    rows = []
    for name, values in {
        "defaults": {},
        "rest_chance 0.4": {"rest_chance": 0.4},
        "sustain 0 (control)": {"sustain": 0.0},
    }.items():
        found = [length_entropy(one.lengths) or 0.0 for seed in over for one in heard_cycles(seed, 8, **values)]
        rows.append((name, f"{fmean(found):.2f}"))
    return _table(("line", "entropy of the lengths of a cycle's notes, bits"), rows)


def _costs() -> str:
    rows = []
    for name, values in {
        "defaults": {}, "count 16, length 64": {"mutation_count": 16, "length": 64},
    }.items():  # fmt: skip
        s = settings(mutation_chance=1.0, homing=0.0, **values)
        melody, times = begun(1, s), []
        for _ in range(400):
            for index in range(s.length):
                melody.step_begins(index, True)
            before = time.process_time()
            melody.decide(s.length, s.lens, 1.0, s.chances)
            times.append(time.process_time() - before)
            melody.release_decided(True)
        rows.append((f"a decision, {name}", f"{1000 * median(times):.3f}"))
    for name, values in {
        "defaults": {}, "chromatic over 60 semitones, 64 steps, leap 14":
            {"scale": "chromatic", "register_low": 36, "register_span": 60, "length": 64, "leap": 14},
    }.items():  # fmt: skip
        s, times = settings(**values), []
        for seed in range(200):
            before = time.process_time()
            begun(seed, s)
            times.append(time.process_time() - before)
        rows.append((f"a drawing, {name}", f"{1000 * median(times):.3f}"))
    return _table(("what", "p50"), rows)
