"""From blocks to figures, and from figures to tables."""

from __future__ import annotations

from statistics import median
from typing import Any

from .arithmetic import exact_interval, percentile, ratio_of
from .measuring import CPP, DAEMON, PYTHON, Block, Pass

PERCENTILES = {"p50": 500, "p99": 990, "p99.9": 999, "max": 1000}
LATE_MS = (1, 3)
PER = 100_000


def figures(found: Pass, seed: int) -> dict[str, Any]:
    """Return everything that a pass says, as plain data; times in ms, CPU in per cent of a core, memory in MB."""
    rows = {name: _row(blocks, found.rate) for name, blocks in found.rows.items() if blocks}
    ratios = {
        f"{DAEMON} / {name}": ratio
        for name in (PYTHON, CPP)
        if (ratio := _ratio(found, name, seed)) is not None
    }  # fmt: skip
    return {
        "rate": found.rate,
        "period": found.period,
        "period_ms": 1000 * found.period / found.rate,
        "realtime": found.realtime,
        "rows": rows,
        "ratios_of_p99": ratios,
        "idle": found.idle,
        "broken": found.broken,
    }


def _row(blocks: list[Block], rate: int) -> dict[str, Any]:
    every = [frames for block in blocks for frames in block.latencies]
    rising = sorted(frames for frames in every if frames is not None)
    lost = len(every) - len(rising)
    return {
        "blocks": len(blocks),
        "ticks": len(every),
        "latency_ms": _percentiles(rising, rate),
        "lost": _share(lost, len(every)),
        "late": {str(ms): _share(sum(1000 * f > ms * rate for f in rising), len(every)) for ms in LATE_MS},
        "extra": sum(block.extra for block in blocks),
        "xruns": sum(block.xruns for block in blocks),
        "knobs": sum(block.knobs for block in blocks),
        "service_us": _service(blocks),
        "usage": _usage(blocks),
        "facts": _facts(blocks),
        "each_block": [
            {**_percentiles(sorted(f for f in block.latencies if f is not None), rate), "xruns": block.xruns}
            for block in blocks
        ],
    }


def _percentiles(rising: list[int], rate: int) -> dict[str, float]:
    if not rising:
        return {}
    return {name: 1000 * percentile(rising, share) / rate for name, share in PERCENTILES.items()}


def _share(hits: int, trials: int) -> dict[str, float]:
    low, high = exact_interval(hits, trials)
    return {"count": hits, "per_100000": PER * hits / trials, "low": PER * low, "high": PER * high}


def _ratio(found: Pass, other: str, seed: int) -> dict[str, Any] | None:
    """Return the median ratio of the p99 of blocks of one round, daemon over `other`."""
    pairs = []
    for one, two in zip(found.rows.get(DAEMON, []), found.rows.get(other, []), strict=False):
        first, second = (sorted(f for f in block.latencies if f is not None) for block in (one, two))
        if first and second and percentile(second, 990):
            pairs.append((float(percentile(first, 990)), float(percentile(second, 990))))
    return {**ratio_of(pairs, seed)._asdict(), "pairs": len(pairs)} if pairs else None


def _service(blocks: list[Block]) -> dict[str, float]:
    """Return, over the last second of each block, the median p50, the median p99 and the largest."""
    said = [block.facts["service_us"] for block in blocks if block.facts["service_us"]]
    if not said:
        return {}
    return {
        "p50": median(one["p50"] for one in said),
        "p99": median(one["p99"] for one in said),
        "max": max(one["max"] for one in said),
    }


def _usage(blocks: list[Block]) -> dict[str, dict[str, float]]:
    """Return the median CPU and memory of each process over the blocks."""
    names = dict.fromkeys(name for block in blocks for name in block.usage)
    return {
        name: {
            key: median(block.usage[name][key] for block in blocks if name in block.usage)
            for key in ("cpu_percent", "private_mb")
        }
        for name in names
    }


def _facts(blocks: list[Block]) -> dict[str, float]:
    """Return the sums of the counts that the daemon told."""
    names = dict.fromkeys(name for block in blocks for name in block.facts if name != "service_us")
    return {name: sum(block.facts.get(name, 0) for block in blocks) for name in names}


# -- tables ------------------------------------------------------------------------


def tables(figure: dict[str, Any]) -> str:
    """Return the figures of a pass as Markdown."""
    rate, period = figure["rate"], figure["period"]
    priority = "" if figure["realtime"] else ", server without real-time priority"
    text = f"#### {rate} Hz, period {period} frames = {figure['period_ms']:.3f} ms{priority}\n\n"
    text += _latency_table(figure["rows"])
    text += "\nLate and lost per 100,000 clocks, with the exact binomial interval at 95 % in brackets.\n\n"
    for name, ratio in figure["ratios_of_p99"].items():
        text += f"Median of the paired p99 ratios, {name}: {_ratio_words(ratio)}.\n"
    text += "\n" + _service_table(figure["rows"]) + "\n" + _usage_table(figure)
    troubles = [
        f"{name}: {what.replace('_', ' ')} {count:g}"
        for name, row in figure["rows"].items() for what, count in row["facts"].items() if count
    ]  # fmt: skip
    if troubles:
        text += "\nThe daemon told of: " + "; ".join(troubles) + ".\n"
    if figure["broken"]:
        text += "\nBlocks that came to nothing and were measured anew: " + "; ".join(figure["broken"]) + ".\n"
    return text


def _ratio_words(ratio: dict[str, Any]) -> str:
    words = f"{ratio['median']:.2f}"
    if ratio["low"] is not None:
        words += f" (bootstrap 95 %: {ratio['low']:.2f} to {ratio['high']:.2f})"
    return f"{words}, {ratio['pairs']} pair" + ("" if ratio["pairs"] == 1 else "s")


def _latency_table(rows: dict[str, Any]) -> str:
    head = ["clock in to note out, ms", "blocks", "clocks", "p50", "p99", "p99.9", "max",
            *(f"later than {ms} ms" for ms in LATE_MS), "lost", "extra", "xruns"]  # fmt: skip
    lines = []
    for name, row in rows.items():
        times = [f"{row['latency_ms'].get(key, float('nan')):.3f}" for key in PERCENTILES]
        shares = [_share_words(row["late"][str(ms)]) for ms in LATE_MS] + [_share_words(row["lost"])]
        counts = [str(row[key]) for key in ("blocks", "ticks", "extra", "xruns")]
        lines.append([name, *counts[:2], *times, *shares, *counts[2:]])
    return _table(head, lines)


def _share_words(share: dict[str, float]) -> str:
    return f"{share['per_100000']:.0f} ({share['low']:.0f}-{share['high']:.0f})"


def _service_table(rows: dict[str, Any]) -> str:
    lines = [
        [name, *(f"{row['service_us'][key]:.0f}" for key in ("p50", "p99", "max"))]
        for name, row in rows.items() if row["service_us"]
    ]  # fmt: skip
    return _table(["callback entry to last send returned, µs (last second of each block)",
                   "median p50", "median p99", "largest"], lines)  # fmt: skip


def _usage_table(figure: dict[str, Any]) -> str:
    idle = figure["idle"]
    lines = []
    for name, row in figure["rows"].items():
        usage = row["usage"]
        for process, cost in usage.items():
            lines.append([f"{name}: {process}", f"{cost['cpu_percent']:.1f}", f"{cost['private_mb']:.1f}", "", ""])
        if "player" in usage:
            cpu, memory = (sum(cost[key] for cost in usage.values()) for key in ("cpu_percent", "private_mb"))
            above = [f"{cpu - idle['cpu_percent']:.1f}", f"{memory - idle['private_mb']:.1f}"]
            lines.append([f"{name}: together", f"{cpu:.1f}", f"{memory:.1f}", *above])
    ports = f"{idle['inputs']:g} inputs, {idle['outputs']:g} outputs"
    lines.append([f"idle process ({ports})", f"{idle['cpu_percent']:.1f}", f"{idle['private_mb']:.1f}", "", ""])
    return _table(["process", "CPU, % of a core", "private memory, MB", "CPU above idle", "MB above idle"], lines)


def _table(head: list[str], rows: list[list[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "".join("| " + " | ".join(line) + " |\n" for line in lines)
