"""Clock, ports, processes and disk in words: what is well, what is not, what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.style import Style
from textual.strip import Strip

from replank.dashboard.paint import Panel, Row, fit, wrap
from replank.dashboard.view import State, number, plain, rows, whole
from replank.dashboard.wording import state_words

NAME = 19
Entry = tuple[str, str, str]
"""What, how it is, and a level: good, event, warn, error."""

_PHASES = {
    "locked": ("locked to the clock", "good"),
    "estimated": ("estimated after a gap; o sets the one", "warn"),
    "unknown": ("unknown; press o on the one", "warn"),
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
    arriving = f"{source.get(t.source, t.source)}, {count} {unit} so far"
    found.append(("clock", arriving if t.clock_present else f"none from {source.get(t.source, t.source)}",
                  "good" if t.clock_present else "warn"))  # fmt: skip
    if t.tempo is not None:
        found.append(("tempo", f"{t.tempo:.2f} BPM measured", "event"))
    words, level = _PHASES.get(t.phase, (t.phase, "event"))
    found.append(("phase", words, level))
    if t.jitter:
        text = " · ".join(f"{name} {t.jitter[name]:.2f}" for name in ("p50", "p95", "p99", "max") if name in t.jitter)
        found.append(("jitter ms", text, "warn" if t.jitter.get("p99", 0.0) > LATE_MS else "good"))
    found.append(("drop-outs", str(t.dropouts), "warn" if t.dropouts else "good"))
    return found


def port_entries(state: State) -> list[Entry]:
    """Return the lines about inputs and outputs, with what the host says of their patches."""
    ports = _ports(state.host)
    found: list[Entry] = []
    for row in state.inputs:
        name, bad = plain(row.get("name", "?"), 40), whole(row.get("malformed"))
        text = f"{whole(row.get('messages'))} messages" + (f", {bad} malformed ignored" if bad else "")
        found.append(_port(f"in {name}", text, ports.get(name), "warn" if bad else "event"))
    for row in state.outputs:
        name = plain(row.get("name", "?"), 40)
        sounding = row.get("sounding")
        held = len(sounding) if isinstance(sounding, list) else 0
        text = f"{whole(row.get('sent'))} sent, {held} sounding"
        found.append(_port(f"out {name}", text, ports.get(name), "event"))
    return found


def _port(name: str, text: str, patch: Mapping[str, Any] | None, level: str) -> Entry:
    if patch is None:
        return name, text, level
    to = patch.get("connected")
    names = ", ".join(plain(item, 40) for item in to) if isinstance(to, list) else plain(to, 40) if to else ""
    if names:
        return name, f"{text} · to {names}" if name.startswith("out") else f"{text} · from {names}", level
    wanted = patch.get("wanted")
    waits = ", ".join(plain(item, 40) for item in wanted) if isinstance(wanted, list) and wanted else ""
    if waits:
        return name, f"{text} · waits for {waits}: plug it in, it is patched by itself", "warn"
    return name, f"{text} · nothing connected", level


def _ports(host: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    ports = host.get("ports")
    if isinstance(ports, dict):
        return {plain(k, 40): v for k, v in ports.items() if isinstance(v, dict)}
    return {plain(row.get("name", "?"), 40): row for row in rows(ports)}


def count_entries(state: State) -> list[Entry]:
    """Return the performer's counters; those that should be zero warn when they are not."""
    quiet = ("notes", "mutations", "cycles", "messages")
    return [
        (name.replace("_", " "), f"{whole(value)}", "warn" if name not in quiet and whole(value) else "event")
        for name, value in state.counts.items() if number(value) is not None
    ]  # fmt: skip


def host_entries(host: Mapping[str, Any]) -> list[Entry]:
    """Return what the host says of itself, one line for each plain value."""
    found: list[Entry] = []
    for name, value in host.items():
        if name == "ports":
            continue
        label = name.replace("_", " ")
        if isinstance(value, dict):
            parts = [f"{plain(k, 30)} {_value(v)}" for k, v in value.items() if not isinstance(v, (dict, list))]
            if parts:
                found.append((label, " · ".join(parts), _level(value)))
        elif isinstance(value, list):
            texts = [" ".join(_flat(v)) if isinstance(v, dict) else _value(v) for v in value[:6]]
            found.append((label, ", ".join(texts) or "none", "event"))
        else:
            found.append((label, _value(value), "event"))
    return found


def _flat(value: Mapping[str, Any]) -> list[str]:
    return [_value(v) for v in value.values() if not isinstance(v, (dict, list))]


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return "none" if value is None else plain(value, 80)


def _level(value: Mapping[str, Any]) -> str:
    return "warn" if str(value.get("state", "ok")) not in ("ok", "keeping", "alive", "running", "good") else "event"


class Health(Panel):
    """All of it, in two columns where there is room."""

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        m = self.watch_app.model
        return (m.version, m.attached, m.link)

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the lines that fit."""
        app, ink = self.watch_app, self.watch_app.ink
        m, state = app.model, app.model.state
        head = [("now", state.transport.words if m.attached else m.link, "event" if m.attached else "warn")]
        entries = [*clock_entries(state), *port_entries(state), *count_entries(state), *host_entries(state.host)]
        top = self._lines(head, width)
        rest = height - len(top)
        halves = 2 if width >= 100 else 1
        lines = self._lines(entries, width // halves)
        if halves == 2:
            middle = max(min(rest, len(lines)), -(-len(lines) // 2)) if len(lines) > rest else len(lines)
            left, right = lines[:middle][:rest], lines[middle:][:rest]
            right += [Row().strip(width // 2)] * (len(left) - len(right))
            lines = [Strip.join([a, b]) for a, b in zip(left, right, strict=False)]
        if len(lines) > rest:
            hidden = len(lines) - rest + 1
            more = Row().add(f" and {hidden} more lines on a taller screen", ink.faint).strip(width)
            lines = [*lines[: rest - 1], more]
        return [*top, *lines]

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
