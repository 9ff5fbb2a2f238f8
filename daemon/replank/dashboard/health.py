"""Clock, ports, processes and disk in words: what is well, what is not, what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import Any

from rich.style import Style
from textual.strip import Strip

from replank.dashboard.paint import Panel, Row, fit, wrap
from replank.dashboard.view import State, number, plain, table, whole, words
from replank.dashboard.wording import state_words

NAME = 14
COLUMN = 76
"""Two columns stand side by side where each has so many cells."""
Entry = tuple[str, str, str]
"""What, how it is, and a level: good, event, warn, error."""

_PHASES = {
    "locked": ("locked: every clock is accounted for", "good"),
    "counted": ("counted as it comes: too uneven or too new to see a lost clock", "event"),
    "estimated": ("estimated after a hole; o on the one", "warn"),
    "unknown": ("your one is not known; o on the one", "warn"),
    "none": ("none yet", "event"),
}
LATE_MS = 3.0
"""Jitter beyond it can be heard as uneven (Jack and others, Music Perception 36, 2018: 3 ms of jitter)."""


def clock_entries(state: State) -> list[Entry]:
    """Return the lines about the clock."""
    t = state.transport
    glyph, word = state_words(t.state)
    source = {"external": "the stage's clock", "internal": "our own clock", "practice": "the practice clock"}
    found: list[Entry] = [("transport", f"{glyph} {word}", "good" if t.state == "playing" else "warn")]
    unit = "pulses" if t.mode == "pulses" else "clocks"
    count = t.pulses if t.mode == "pulses" else t.clocks
    measured = "" if t.tempo is None else f", {t.tempo:.2f} BPM measured"
    arriving = f"{source.get(t.source, t.source)}, {count} {unit} so far{measured}"
    found.append(("clock", arriving if t.clock_present else f"none from {source.get(t.source, t.source)}",
                  "good" if t.clock_present else "warn"))  # fmt: skip
    said, level = _PHASES.get(t.phase, (t.phase, "event"))
    level = "warn" if t.dropouts else level
    found.append(("phase", f"{said} · {t.dropouts} drop-out{'' if t.dropouts == 1 else 's'}", level))
    if t.jitter:
        text = " · ".join(f"{name} {t.jitter[name]:.2f}" for name in ("p50", "p95", "p99", "max") if name in t.jitter)
        found.append(("jitter ms", text, "warn" if t.jitter.get("p99", 0.0) > LATE_MS else "good"))
    return found


def port_entries(state: State) -> list[Entry]:
    """Return the lines about inputs and outputs, with what the host says of their cables."""
    patches = table(state.host.get("patches"))
    found: list[Entry] = []
    for row in state.inputs:
        name, bad = plain(row.get("name", "?"), 40), whole(row.get("malformed"))
        text = f"{whole(row.get('messages'))} messages" + (f", {bad} malformed ignored" if bad else "")
        found.append(_port(f"in {name}", text, table(patches.get(f"in:{name}")), "from"))
    for row in state.outputs:
        name, sounding = plain(row.get("name", "?"), 40), row.get("sounding")
        held = len(sounding) if isinstance(sounding, list) else 0
        text = f"{whole(row.get('sent'))} sent, {held} sounding"
        found.append(_port(f"out {name}", text, table(patches.get(f"out:{name}")), "to"))
    return found


def _port(name: str, text: str, patch: Mapping[str, Any], way: str) -> Entry:
    if not patch:
        return name, text, "event"
    peers, wishes = words(patch.get("peers")), words(patch.get("wishes"))
    if peers:
        return name, f"{text} · {way} {', '.join(peers)}", "good"
    if wishes:
        return name, f"{text} · waits for {', '.join(wishes)}: plug it in, it is patched by itself", "warn"
    return name, f"{text} · nothing connected to {plain(patch.get('port'), 60)}", "event"


def count_entries(state: State) -> list[Entry]:
    """Return the performer's counters; a late note is worth a warning."""
    counts = {name.replace("_", " "): whole(v) for name, v in state.counts.items() if number(v) is not None}
    text = " · ".join(f"{name} {count}" for name, count in counts.items())
    return [("so far", text, "warn" if whole(state.counts.get("late")) else "event")] if text else []


def host_entries(host: Mapping[str, Any]) -> list[Entry]:
    """Return what the host says of processes, disk and losses, in words."""
    found: list[Entry] = []
    if plain(host.get("waiting", "")):
        found.append(("waits", plain(host["waiting"]), "warn"))
    disk = table(host.get("disk"))
    if disk:
        level = "good" if disk.get("state") == "ok" else "warn"
        found.append(("disk", plain(disk.get("text") or disk.get("state", "?")), level))
    latency = table(host.get("latency_us"))
    if latency:
        text = " · ".join(f"{k} {(number(v) or 0) / 1000:.2f}" for k, v in latency.items())
        found.append(("answer in ms", text, "good" if (number(latency.get("p99")) or 0) < SLOW_US else "warn"))
    period = table(host.get("period"))
    if period:
        frames, rate = whole(period.get("frames")), whole(period.get("rate"))
        text = f"{_value(period.get('ms'))} ms ({frames} frames at {rate} Hz)"
        # the period is the floor of all jitter on JACK; soundcheck fails above 3 ms too
        found.append(("period", text, "good" if (number(period.get("ms")) or 0) <= LATE_MS else "warn"))
    pids = table(host.get("pids"))
    if pids:
        replaced = whole(host.get("replaced"))
        text = " · ".join(f"{k} {_value(v)}" for k, v in pids.items())
        text += f" · note engine restarted {replaced}×" if replaced else ""
        found.append(("processes", text, "warn" if replaced else "good"))
    lost = {text: whole(host.get(name)) for name, text in LOSSES.items() if name in host}
    if lost:
        text = " · ".join(f"{name} {count}" for name, count in lost.items())
        found.append(("lost", text, "warn" if any(lost.values()) else "good"))
    player = table(host.get("player"))
    late = {k: whole(v) for k, v in player.items() if k in TROUBLES and whole(v)}
    if player:
        text = ", ".join(f"{v} {k.replace('_', ' ')}" for k, v in late.items()) or "no trouble"
        text += f" · priority {plain(player['priority'], 60)}" if "priority" in player else ""
        found.append(("player", text, "warn" if late else "good"))
    facts = [f"{k.removesuffix('_s')} {_value(host[k])}" for k in ("api", "uptime_s", "clients") if k in host]
    if facts:
        found.append(("daemon", " · ".join(facts), "event"))
    return found


LOSSES = {
    "drops": "dropped notices", "clock_missed": "missed clocks", "broken": "broken records",
    "differences": "replay differs",
}  # fmt: skip
"""The host's counters that should stay at zero, and what they are called here."""
TROUBLES = ("late", "failures", "unsent", "dropped", "queue_dropped", "callback_failed", "too_long")
SLOW_US = 1000.0
"""An answer in a millisecond is what a chain of instruments may add at most (Wessel and Wright 2001)."""


def _value(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return "none" if value is None else plain(value, 80)


class Health(Panel):
    """All of it, trouble first; in two columns where there is room."""

    top = 0

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        m = self.watch_app.model
        return (m.version, m.attached, m.link, self.top)

    def entries(self) -> list[Entry]:
        """Return every line, those that need a person before the others."""
        m = self.watch_app.model
        state = m.state
        found = [*clock_entries(state), *port_entries(state), *host_entries(state.host), *count_entries(state)]
        if not m.attached:
            found = [("daemon", m.link, "warn"), ("below", "how it was when it was last seen", "event"), *found]
        return sorted(found, key=lambda entry: entry[2] not in ("warn", "error"))

    def move(self, by: int) -> None:
        """Scroll by lines."""
        self.top = max(0, self.top + by)
        self.paint()

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the lines that fit, from the first that is to be seen."""
        across = 2 if width >= 2 * COLUMN else 1
        lines = self._lines(self.entries(), width // across)
        shown = height * across
        self.top = min(self.top, max(0, len(lines) - shown))
        lines = lines[self.top :][:shown]
        if across == 1:
            return lines
        blank = Row().strip(width // 2)
        return [Strip.join([a, b]) for a, b in zip_longest(lines[:height], lines[height:], fillvalue=blank)]

    def _lines(self, entries: Sequence[Entry], width: int) -> list[Strip]:
        ink, found = self.watch_app.ink, []
        signs = {"good": ("✓ ", ink.good), "warn": ("! ", ink.warn), "error": ("‼ ", ink.bad)}
        for name, text, level in entries:
            sign, style = signs.get(level, ("  ", Style.null()))
            for at, part in enumerate(wrap(text, width - NAME - 4) or [""]):
                row = Row().add(" ", ink.text)
                row.add(sign if not at else "  ", style).add(fit(name if not at else "", NAME), ink.faint)
                row.add(fit(part, width - NAME - 4), ink.level(level) if level in ("warn", "error") else ink.text)
                found.append(row.strip(width))
        return found
