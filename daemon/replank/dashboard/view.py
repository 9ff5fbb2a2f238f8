"""The state as the dashboard reads it: tolerant of anything a socket can send.

`read_state` takes the whole state of the protocol and returns typed data, with
a default where a field is missing or of another type.  Text from outside is
made plain here, so that no widget has to remember it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any
from unicodedata import category

STEPS = 64
TEXT_LIMIT = 200


def plain(text: object, limit: int = TEXT_LIMIT) -> str:
    """Return text with each control character shown as a middle dot, at most `limit` long."""
    words = text if isinstance(text, str) else str(text)
    return "".join("·" if category(c)[0] == "C" else c for c in words[:limit])


def whole(value: object, default: int = 0) -> int:
    """Return an integer, or the default where there is none."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value or abs(value) > 2**63:
        return default
    return int(value)


def number(value: object) -> float | None:
    """Return a finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return float(value) if abs(value) < 1e300 else None


def rows(value: object) -> list[Mapping[str, Any]]:
    """Return the mappings in a list."""
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def table(value: object) -> dict[str, Any]:
    """Return a mapping with text keys, or an empty one."""
    return {plain(k): v for k, v in value.items()} if isinstance(value, dict) else {}


def words(value: object) -> list[str]:
    """Return the texts of a list."""
    return [plain(item) for item in value if isinstance(item, str)] if isinstance(value, list) else []


@dataclass(frozen=True, slots=True)
class StepView:
    """One step as it stands; fields as in the protocol's state."""

    index: int = 1
    note: int = 60
    base: int = 60
    name: str = "?"
    heard: bool = False
    accented: bool = False
    velocity: int = 64
    linked: str = "none"
    ratchet: int = 1
    rhythm: str = "chance"
    accent: str = "chance"
    link: str = "chance"
    pinned: bool = False
    free: bool = False
    pass_number: int = 1
    pass_of: int = 1
    forced_velocity: int = 0
    rest_roll: float = 0.0
    at_home: bool = True
    home_note: int = 60
    home_heard: bool = True
    changed_cycle: int = 0
    changed_kind: str = ""
    volts: float | None = None


@dataclass(frozen=True, slots=True)
class Transport:
    """Clock and position; fields as in the protocol's state."""

    running: bool = False
    source: str = "external"
    mode: str = "clock"
    state: str = "stopped"
    bar: int = 0
    beat: int = 0
    step: int = 0
    cycle: int = 0
    phase: str = "none"
    clock_present: bool = False
    tempo: float | None = None
    interval_ns: int = 0
    jitter: dict[str, float] = field(default_factory=dict)
    dropouts: int = 0
    clocks: int = 0
    pulses: int = 0
    words: str = ""


@dataclass(frozen=True, slots=True)
class ArcView:
    """One arc of the piece; `next_at` in its `unit`, None after its last point."""

    name: str = "?"
    unit: str = "minutes"
    value: float = 0.0
    shown: str = "?"
    out: bool = False
    next_at: float | None = None
    next_shown: str = "?"


@dataclass(frozen=True, slots=True)
class CourseView:
    """Where the piece is: its time in minutes, its bar from 1, its arcs, what it plans: (bar, act, bars until)."""

    minutes: float = 0.0
    bar: int = 1
    arcs: tuple[ArcView, ...] = ()
    plan: tuple[tuple[int, str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class PhraseView:
    """The phrase that plays; fields as in the protocol's state."""

    number: int = 1
    bar: int = 1
    bars: int = 1
    in_breath: bool = False
    visits_home: bool = False


@dataclass(frozen=True, slots=True)
class State:
    """The whole state, typed."""

    now: int = 0
    transport: Transport = Transport()
    length: int = 0
    steps: tuple[StepView, ...] = ()
    at_home_share: float = 0.0
    low: int = 48
    high: int = 67
    root: str = ""
    scale: str = ""
    tones: tuple[int, ...] = ()
    values: dict[str, Any] = field(default_factory=dict)
    shown: dict[str, str] = field(default_factory=dict)
    lists: dict[str, list[str]] = field(default_factory=dict)
    half_cycles: float | None = None
    half_bars: float | None = None
    half_minutes: float | None = None
    rate: float | None = None
    settling: int = 0
    ramps: tuple[tuple[str, str, float], ...] = ()
    due: tuple[tuple[str, str, int], ...] = ()
    controls: dict[str, dict[str, Any]] = field(default_factory=dict)
    snapshots: tuple[dict[str, Any], ...] = ()
    trail: tuple[dict[str, Any], ...] = ()
    can_undo: bool = False
    can_redo: bool = False
    pieces: tuple[dict[str, Any], ...] = ()
    piece: int = 0
    piece_name: str = ""
    piece_since: int = 0
    course: CourseView | None = None
    phrase: PhraseView | None = None
    sounding: dict[str, str] = field(default_factory=dict)
    history: tuple[tuple[int, tuple[int, ...]], ...] = ()
    answer: dict[str, Any] | None = None
    outputs: tuple[dict[str, Any], ...] = ()
    inputs: tuple[dict[str, Any], ...] = ()
    counts: dict[str, Any] = field(default_factory=dict)
    middle_c: int = 4
    keyboard: str = "off"
    written: int = 0
    tuning: tuple[int, ...] = ()
    host: dict[str, Any] = field(default_factory=dict)


def _note(value: object, default: int = 60) -> int:
    return min(127, max(0, whole(value, default)))


def _step(index: int, row: Mapping[str, Any]) -> StepView:
    get = row.get
    note = _note(get("note"))
    return StepView(
        index=index, note=note, base=_note(get("base"), note), name=plain(get("name", "?"), 8),
        heard=get("heard") is True, accented=get("accented") is True,
        velocity=min(127, max(1, whole(get("velocity"), 64))), linked=plain(get("linked", "none"), 12),
        ratchet=min(4, max(1, whole(get("ratchet"), 1))), rhythm=plain(get("rhythm", "chance"), 12),
        accent=plain(get("accent", "chance"), 12), link=plain(get("link", "chance"), 12),
        pinned=get("pinned") is True, free=get("free") is True, pass_number=whole(get("pass_number"), 1),
        pass_of=whole(get("pass_of"), 1), forced_velocity=whole(get("forced_velocity")),
        rest_roll=number(get("rest_roll")) or 0.0,
        at_home=get("at_home") is not False, home_note=_note(get("home_note"), note),
        home_heard=get("home_heard") is not False, changed_cycle=whole(get("changed_cycle")),
        changed_kind=plain(get("changed_kind", ""), 20), volts=number(get("volts")),
    )  # fmt: skip


def _transport(row: Mapping[str, Any]) -> Transport:
    get = row.get
    jitter = {k: v for k, v in ((k, number(v)) for k, v in table(get("jitter_ms")).items()) if v is not None}
    return Transport(
        running=get("running") is True, source=plain(get("source", ""), 20), mode=plain(get("mode", ""), 20),
        state=plain(get("state", "stopped"), 20), bar=whole(get("bar")), beat=whole(get("beat")),
        step=whole(get("step")), cycle=whole(get("cycle")), phase=plain(get("phase", "none"), 20),
        clock_present=get("clock_present") is True, tempo=number(get("tempo")),
        interval_ns=whole(get("interval_ns")), jitter=jitter, dropouts=whole(get("dropouts")),
        clocks=whole(get("clocks")), pulses=whole(get("pulses")), words=plain(get("words", "")),
    )  # fmt: skip


@lru_cache(256)
def _clean_notes(notes: tuple[object, ...]) -> tuple[int, ...]:
    """Return notes from -1 (a rest) to 127; a past cycle never changes, so each is read once."""
    return tuple(min(127, max(-1, whole(n, -1))) for n in notes)


def _history(value: object) -> tuple[tuple[int, tuple[int, ...]], ...]:
    found = []
    for row in rows(value)[-STEPS:]:
        notes = row.get("notes")
        if isinstance(notes, list):
            try:
                clean = _clean_notes(tuple(notes[:STEPS]))
            except TypeError:  # something in it that cannot be a note, nor a key
                clean = ()
            found.append((whole(row.get("cycle")), clean))
    return tuple(found)


def _arc(row: Mapping[str, Any]) -> ArcView:
    get, upcoming = row.get, table(row.get("next"))
    return ArcView(
        name=plain(get("name", "?"), 40), unit=plain(get("unit", "minutes"), 12), value=number(get("value")) or 0.0,
        shown=plain(get("shown", "?"), 40), out=get("out") is True, next_at=number(upcoming.get("at")),
        next_shown=plain(upcoming.get("shown", "?"), 40),
    )  # fmt: skip


def _course(row: Mapping[str, Any]) -> CourseView | None:
    if not row:
        return None
    plan = tuple((whole(r.get("at")), plain(r.get("do", "?"), 60), whole(r.get("bars"))) for r in rows(row.get("plan")))
    return CourseView(
        minutes=max(0.0, number(row.get("minutes")) or 0.0), bar=whole(row.get("bar"), 1),
        arcs=tuple(_arc(r) for r in rows(row.get("arcs"))), plan=plan,
    )  # fmt: skip


def _phrase(row: Mapping[str, Any]) -> PhraseView | None:
    get = row.get
    return None if not row else PhraseView(
        number=whole(get("number"), 1), bar=whole(get("bar"), 1), bars=whole(get("bars"), 1),
        in_breath=get("in_breath") is True, visits_home=get("visits_home") is True,
    )  # fmt: skip


def _sounding(value: object, shown: Mapping[str, str]) -> dict[str, str]:
    """Return what sounds in another way than set: name -> words."""
    found = {name: plain(table(row).get("shown", "?"), 40) for name, row in table(value).items()}
    return {name: words for name, words in found.items() if words != shown.get(name)}


def read_state(message: Mapping[str, Any]) -> State:
    """Return the typed state of a ``{"performer": ..., "host": ...}`` mapping."""
    view = table(message.get("performer"))
    get = view.get
    line, half, trail = table(get("line")), table(get("half_life")), table(get("trail"))
    steps = tuple(_step(at, row) for at, row in enumerate(rows(line.get("steps"))[:STEPS], 1))
    shown = {k: plain(v) for k, v in table(get("shown")).items()}
    tones, tuning = line.get("tones"), get("tuning")
    low = _note(line.get("low"), 48)
    return State(
        now=whole(get("now")), transport=_transport(table(get("transport"))),
        length=min(len(steps), max(0, whole(line.get("length")))), steps=steps,
        at_home_share=number(line.get("at_home_share")) or 0.0, low=low,
        high=max(low + 1, _note(line.get("high"), low + 19)), root=plain(line.get("root", ""), 4),
        scale=plain(line.get("scale", ""), 60),
        tones=tuple(_note(tone) for tone in tones) if isinstance(tones, list) else (),
        values=table(get("parameters")), shown=shown,
        lists={k: words(v) for k, v in table(get("lists")).items()},
        half_cycles=number(half.get("cycles")), half_bars=number(half.get("bars")),
        half_minutes=number(half.get("minutes")), rate=number(half.get("rate")),
        settling=whole(table(get("settling")).get("left")),
        ramps=tuple((plain(r.get("name", "?")), plain(r.get("target", "?")), number(r.get("bars_left")) or 0.0)
                    for r in rows(get("ramps"))),
        due=tuple((plain(r.get("action", "?")), plain(r.get("due", "?"), 12), whole(r.get("at")))
                  for r in rows(get("due"))),
        controls={k: v for k, v in table(get("controls")).items() if isinstance(v, dict)},
        snapshots=tuple(table(r) for r in rows(get("snapshots"))),
        trail=tuple(table(r) for r in rows(trail.get("last"))),
        can_undo=trail.get("can_undo") is True, can_redo=trail.get("can_redo") is True,
        pieces=tuple(table(r) for r in rows(get("pieces"))), piece=whole(get("piece")),
        piece_name=plain(get("piece_name", ""), 60), piece_since=whole(get("piece_since")),
        course=_course(table(get("course"))), phrase=_phrase(table(get("phrase"))),
        sounding=_sounding(get("sounding"), shown),
        history=_history(get("history")), answer=table(get("answer")) or None,
        outputs=tuple(table(r) for r in rows(get("outputs"))), inputs=tuple(table(r) for r in rows(get("inputs"))),
        counts=table(get("counts")), middle_c=min(5, max(3, whole(get("middle_c"), 4))),
        keyboard=plain(get("keyboard", "off"), 12), written=whole(get("selected")),
        tuning=tuple(_note(n) for n in tuning) if isinstance(tuning, list) else (),
        host=table(message.get("host")),
    )  # fmt: skip
