"""What the dashboard knows: the newest state, and what was said since.

The socket client puts messages in, the paint timer takes pictures out; only the
newest whole state is kept, so a slow screen never falls behind.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from replank.control import notices
from replank.dashboard.view import State, number, plain, read_state, table, whole

MARK_SECONDS = 4.0
"""A changed step stays marked so long."""
LARGE_SECONDS = 2.0
"""What a control moved is shown large so long."""
NEWS = 200


@dataclass(frozen=True, slots=True)
class News:
    """One line of the feed."""

    at: float
    kind: str
    level: str
    text: str
    times: int = 1


@dataclass(frozen=True, slots=True)
class Moved:
    """What was moved last, or which control waits and which way to turn it."""

    at: float
    name: str
    shown: str
    way: str = ""


class Model:
    """Everything the panels read.

    Args:
        clock: Seconds, never falling; tests give their own.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self.clock = clock
        self.state = State()
        self.has_state = False
        self.state_at = 0.0
        self.version = 0
        self.attached = False
        self.link = "Looking for the daemon."
        self.link_level = "warn"
        self.greeting: dict[str, Any] = {}
        self.step = 0
        self.last_note = -1
        self.bar = self.beat = self.cycle = 0
        self.marks: dict[int, tuple[float, str, bool]] = {}
        self.news: deque[News] = deque(maxlen=NEWS)
        self.news_version = 0
        self.moved: Moved | None = None
        self.last_change = ""
        self.wants_state = False
        self._newest: Mapping[str, Any] | None = None

    def say(self, text: str, level: str = "event", kind: str = "dashboard") -> None:
        """Add a line of the dashboard's own to the feed."""
        self._tell(kind, level, plain(text))

    def take_state(self, message: Mapping[str, Any]) -> None:
        """Keep a whole state as the newest; it is read when the next picture is made."""
        self._newest = message

    def digest(self) -> bool:
        """Read the newest state, if one came since the last picture."""
        if self._newest is None:
            return False
        self.state, self._newest = read_state(self._newest), None
        self.state_at = self.clock()
        transport = self.state.transport
        if not transport.running or not self.has_state or transport.cycle >= self.cycle:
            self.step, self.bar, self.beat = transport.step, transport.bar, transport.beat
        self.cycle = transport.cycle
        if not self.has_state and not self.news:
            self._tell_trail()
        self.has_state = True
        self.version += 1
        return True

    def now_ns(self) -> int:
        """Return the performer's time now, in nanoseconds, as far as it is known."""
        return self.state.now + int((self.clock() - self.state_at) * 1e9) if self.has_state else 0

    def _tell_trail(self) -> None:
        """Begin the feed with what the trail remembers, so that nobody attaches to an empty page."""
        for unit in self.state.trail:
            undone = " (taken back)" if unit.get("undone") is True else ""
            text = f"cycle {whole(unit.get('cycle'))} · {plain(unit.get('text', ''))}{undone}"
            self.news.append(News(-1000.0, "trail", "event", text))
        self.news_version += 1

    def forget_state(self) -> None:
        """Drop the position; the last known line stays on screen, said to be old."""
        self.attached = False
        self.step, self.last_note = 0, -1

    def take_notice(self, message: Mapping[str, Any]) -> None:
        """Take one notice of the protocol; fields that are missing are made up."""
        kind, data = plain(message.get("notice", ""), 40), table(message.get("data"))
        given = message.get("text")
        text = plain(given if isinstance(given, str) and given else notices.words(kind, data))
        row = notices.NOTICES.get(kind)
        level = plain(message.get("level") or (row.level if row else "event"), 10)
        handler = getattr(self, f"_on_{kind}", None)
        if handler is not None:
            text = handler(data, text) or text
        # an arc moves its parameter many times a minute: its rows say so, the feed is for what people do
        if level != "step" and not (kind == "parameter" and data.get("origin") == "arc"):
            self._tell(kind, level, text)

    def _tell(self, kind: str, level: str, text: str) -> None:
        now = self.clock()
        if self.news:
            last = self.news[-1]
            if last.kind == kind and last.text == text:
                self.news[-1] = replace(last, at=now, times=last.times + 1)
                self.news_version += 1
                return
            # a refusal comes as an answer to who asked and as a notice to all: one line is enough
            if kind == last.kind == "refused" and (text in last.text or last.text in text):
                self.news[-1] = replace(last, at=now, text=min(text, last.text, key=len))
                self.news_version += 1
                return
            # a turning knob is one line that changes, not a hundred lines
            if kind in ("parameter", "waiting") and last.kind == kind and last.text.split(" ")[0] == text.split(" ")[0]:
                self.news.pop()
        self.news.append(News(now, kind, level, text))
        self.news_version += 1

    def _on_step(self, data: dict[str, Any], text: str) -> None:
        self.step = min(64, max(0, whole(data.get("index"))))
        note = whole(data.get("note"), -1)
        self.last_note = note if 0 <= note <= 127 else self.last_note
        bar = whole(data.get("bar"), self.bar)
        self.wants_state |= bar != self.bar  # a cycle may be many bars, and phrase, plan and ramps count them
        self.bar, self.beat = bar, whole(data.get("beat"), self.beat)
        self.cycle = whole(data.get("cycle"), self.cycle)

    def _on_cycle(self, data: dict[str, Any], text: str) -> None:
        self.cycle = whole(data.get("cycle"), self.cycle)
        self.wants_state = True

    def _on_mutation(self, data: dict[str, Any], text: str) -> str:
        silent = data.get("silent") is True
        at, what = self.clock(), plain(data.get("text", ""), 60)
        for index in (whole(data.get("index")), whole(data.get("partner"))):
            if 1 <= index <= 64:
                self.marks[index] = (at, what, silent)
        self.last_change = f"step {whole(data.get('index'))} {what}"
        self.wants_state = True
        return text if not silent or "silent" in text else f"{text} · silent"

    def _on_parameter(self, data: dict[str, Any], text: str) -> None:
        name, shown = plain(data.get("name", "?"), 40), plain(data.get("shown", "?"), 40)
        values, texts = dict(self.state.values), dict(self.state.shown)
        values[name], texts[name] = data.get("value"), shown
        self.state = replace(self.state, values=values, shown=texts)
        if data.get("origin") != "arc":
            self.moved = Moved(self.clock(), name, shown)
        self.version += 1
        self.wants_state = True

    def _on_clamped(self, data: dict[str, Any], text: str) -> None:
        self.moved = Moved(self.clock(), plain(data.get("name", "?"), 40), plain(data.get("shown", "?"), 40))

    def _on_ramp(self, data: dict[str, Any], text: str) -> None:
        name, shown = plain(data.get("name", "?"), 40), plain(data.get("shown", "?"), 40)
        bars = number(data.get("bars_left")) or 0.0
        ramps = tuple((n, t, bars if n == name else left) for n, t, left in self.state.ramps)
        self.state = replace(self.state, ramps=ramps, shown={**self.state.shown, name: shown})
        self.version += 1

    def _on_waiting(self, data: dict[str, Any], text: str) -> None:
        name = plain(data.get("name", "?"), 40)
        self.moved = Moved(self.clock(), name, self.state.shown.get(name, ""), plain(data.get("way", ""), 8))
        self.wants_state = True

    def _on_done(self, data: dict[str, Any], text: str) -> None:
        if plain(data.get("action", "")).split(":")[0] not in ("adjust",):
            self.last_change = text
        self.wants_state = True

    def _on_piece(self, data: dict[str, Any], text: str) -> None:
        self.last_change = text
        self.wants_state = True

    def _wants(self, data: dict[str, Any], text: str) -> None:
        self.wants_state = True

    def _on_due(self, data: dict[str, Any], text: str) -> str:
        self.wants_state = True
        due = plain(data.get("due", ""), 12)
        bars = due.removesuffix("bars")
        return f"{plain(data.get('action', '?'), 60)} in {bars} bars" if bars.isdigit() else text

    _on_snapshot = _on_cancelled = _on_transport = _on_phase = _on_port = _on_setup = _on_plan = _wants

    def fresh_marks(self) -> dict[int, tuple[float, str, bool]]:
        """Return the marks that are still to be shown: index -> (since, text, silent)."""
        limit = self.clock() - MARK_SECONDS
        old = [index for index, mark in self.marks.items() if mark[0] < limit]
        for index in old:
            del self.marks[index]
        return self.marks

    def large(self) -> Moved | None:
        """Return what is to be shown large now, if anything."""
        if self.moved is not None and self.clock() - self.moved.at > LARGE_SECONDS:
            self.moved = None
        return self.moved
