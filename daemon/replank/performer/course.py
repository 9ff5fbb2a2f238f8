"""The course of a piece: its time, the arcs that move parameters over it, the acts that it plans at bars.

Piece time runs while the line runs: not before the first clock, not while it
is stopped or the clock is lost.  Bars count with the clock that comes (cycles,
with pulses).  What a hand moves is the hand's until the arc's next point, and
nothing that was planned happens twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.parameters import find, show
from replank.control.setup import Arc, Piece, PlanAct
from replank.control.text import Setting, read_word
from replank.performer import acting

if TYPE_CHECKING:
    from replank.performer.core import Performer

MINUTE = 60_000_000_000
"""Nanoseconds."""
_FINE = 256
"""An arc moves its parameter in parts of the range, this many: finer moves nobody hears."""


class Course:
    """Where a piece is.

    Attributes:
        time: Nanoseconds of piece time until `mark`.
        mark: When it was last counted, ns; -1 while the line does not run.
        origin: Bar (cycle, with pulses) at which its first one began.
        out: Parameter -> the point, from 0, at which its arc takes it up again.
        next_act: The planned act, from 0, that comes next.
    """

    __slots__ = ("mark", "next_act", "origin", "out", "time")

    def __init__(self, origin: int = 0) -> None:
        self.time, self.mark, self.origin, self.next_act = 0, -1, origin, 0
        self.out: dict[str, int] = {}

    def save(self) -> list[Any]:
        """Return everything as plain data."""
        return [self.time, self.mark, self.origin, dict(self.out), self.next_act]

    @classmethod
    def restore(cls, plain: list[Any]) -> Course:
        """Rebuild what `save` took apart."""
        made = cls()
        made.time, made.mark, made.origin, out, made.next_act = plain
        made.out = dict(out)
        return made


def piece_of(p: Performer) -> Piece | None:
    """Return the present piece; None where the line belongs to none."""
    return p.setup.pieces[p.piece - 1] if 0 < p.piece <= len(p.setup.pieces) else None


def bar_now(p: Performer) -> int:
    """Return the bar of the song, from 0 (the cycle, with pulses)."""
    return p.melody.cycle if p.by_pulses else p.transport.bars.bar_index(max(p.transport.song_clock, 0))


def keep(p: Performer) -> list[Any]:
    """Return where the piece is as plain data, its bars that are gone included."""
    return [*p.course.save(), bar_now(p) - p.course.origin]


def take_up(p: Performer, plain: list[Any]) -> None:
    """Let a piece go on where `keep` found it, at whatever bar the song is now."""
    p.course = Course.restore(plain[:-1])
    p.course.mark, p.course.origin = -1, bar_now(p) - plain[-1]


# -- piece time and arcs -------------------------------------------------------


def count(p: Performer) -> None:
    """Count piece time up to a step that begins now, and let the arcs move on."""
    c = p.course
    c.time, c.mark = time_now(p), p.now
    piece = piece_of(p)
    for arc in piece.arc if piece else ():
        _move(p, arc)


def pause(p: Performer, until: int) -> None:
    """The line stops running: piece time is counted up to `until` (ns) and stands."""
    c = p.course
    if c.mark >= 0:
        c.time += _counted(p, until)
        c.mark = -1


def time_now(p: Performer) -> int:
    """Return the piece time, ns."""
    c = p.course
    return c.time + (_counted(p, p.now) if c.mark >= 0 else 0)


def _counted(p: Performer, until: int) -> int:
    """Return the piece time, ns, since it was last counted; none where pulses have stayed away."""
    since = max(0, until - p.course.mark)
    return 0 if p.by_pulses and since > acting.pulses_idle_ns(p) else since


def _place(p: Performer, arc: Arc, ahead_ns: int = 0) -> float:
    if arc.unit == "minutes":
        return (time_now(p) + ahead_ns) / MINUTE
    bar_ns = p.transport.judge.pace.interval * p.transport.bars.bar_length
    return acting.ramp_place(p) - p.course.origin + (ahead_ns / bar_ns if bar_ns else 0.0)


def moves_within(p: Performer, ns: int) -> bool:
    """Tell whether an arc may move its parameter in the next `ns`."""
    piece = piece_of(p)
    for arc in piece.arc if piece else ():
        if arc.name in p.course.out or _wanted(p, arc, _place(p, arc, ns)) is not None:
            return True
    return False


def _move(p: Performer, arc: Arc) -> None:
    at, out = _place(p, arc), p.course.out
    if arc.name in out:
        point = out[arc.name]
        if point >= len(arc.points) or at < arc.points[point][0]:
            return
        if arc.name in p.ramps:
            out[arc.name] = point + 1  # a ramp that is under way is a hand still at work
            return
        del out[arc.name]
    new = _wanted(p, arc, at)
    if new is not None:
        acting.apply_values(p, {arc.name: new}, "arc")


def _wanted(p: Performer, arc: Arc, at: float) -> Any:
    """Return the value to which an arc moves its parameter at a place; None where it stays."""
    row, now = find(arc.name), p.values[arc.name]
    new = _settable(arc.name, arc.at(at))
    far = abs(new - now) * _FINE >= row.high - row.low if row.kind == "float" else new != now
    is_level = not arc.points[0][0] < at < arc.points[-1][0]
    return new if new != now and (far or is_level) else None


def _settable(name: str, value: float) -> Any:
    """Return an arc's value as its parameter takes it: inside the range, whole where it is."""
    row = find(name)
    value = min(row.high, max(row.low, value))
    return value if row.kind == "float" else int(value + 0.5 if value >= 0 else value - 0.5)


def hand(p: Performer, name: str) -> None:
    """A hand moves a parameter: its arc is out until the next point."""
    piece = piece_of(p)
    for arc in piece.arc if piece else ():
        if arc.name == name:
            p.course.out[name] = _next_point(arc, _place(p, arc))


def _next_point(arc: Arc, at: float) -> int:
    """Return the first point, from 0, after a place; the count of points where none is."""
    return next((i for i, (when, _) in enumerate(arc.points) if when > at), len(arc.points))


# -- the plan ------------------------------------------------------------------


def take_acts(p: Performer) -> None:
    """Do what the piece plans at the bar that begins; what a jump has passed over is left out."""
    while True:
        c, piece, bar = p.course, piece_of(p), bar_now(p)
        if piece is None or c.next_act >= len(piece.plan):
            return
        one = piece.plan[c.next_act]
        if one.bar - 1 > bar - c.origin:
            return
        c.next_act += 1
        if one.bar - 1 == bar - c.origin:
            _do(p, one)


def acts_next_bar(p: Performer) -> bool:
    """Tell whether the piece plans an act for the next bar line."""
    c, piece = p.course, piece_of(p)
    return bool(piece and piece.plan[c.next_act :] and piece.plan[c.next_act].bar - 2 <= bar_now(p) - c.origin)


def _do(p: Performer, one: PlanAct) -> None:
    p.notice("plan", bar=one.bar, action=one.text)
    try:
        said = read_word(one.text, p.setup.middle_c, p.setup.user_scales)
        if isinstance(said, Setting):
            acting.set_now(p, said.name, said.value, "plan")
        else:
            acting.act(p, said.name, said.args, "now", "plan")
    except ValueError as error:
        p.notice("refused", what=one.text, why=str(error), origin="plan")


def cancel_plan(p: Performer) -> None:
    """Drop what is left of the plan.

    Raises:
        ValueError: Nothing is left.
    """
    piece = piece_of(p)
    if piece is None or p.course.next_act >= len(piece.plan):
        raise ValueError("nothing is planned")
    p.course.next_act = len(piece.plan)
    p.notice("cancelled", action="the rest of the plan")


def _goto(p: Performer, args: list[Any], origin: str) -> None:
    """Move piece time, and the piece's bars with it at the tempo of now."""
    piece = piece_of(p)
    if piece is None:
        raise ValueError("no piece is playing: give play a set with --set")
    c, t, minutes = p.course, p.transport, args[0]
    if p.by_pulses:
        bar_ns = t.pulse.interval * p.settings.length
    else:
        bar_ns = (t.judge.pace.interval or p.settings.tempo_ns) * t.bars.bar_length
    was = time_now(p)
    c.time, c.mark = int(minutes * MINUTE), p.now if c.mark >= 0 else -1
    c.origin = bar_now(p) - (c.time // bar_ns if bar_ns else 0)
    for arc in piece.arc:  # after a move back the next point may be an earlier one
        if arc.name in c.out:
            c.out[arc.name] = min(c.out[arc.name], _next_point(arc, _place(p, arc)))
    acting.done(p, "goto", f"the piece is at {clock_text(c.time)}, was at {clock_text(was)}", origin)


def clock_text(ns: int) -> str:
    """Return piece time as minutes and seconds, e.g. ``4:30``."""
    minutes, seconds = divmod((ns + 500_000_000) // 1_000_000_000, 60)
    return f"{minutes}:{seconds:02d}"


HANDLERS: dict[str, Any] = {"goto": _goto}


# -- for people ----------------------------------------------------------------


def view(p: Performer) -> dict[str, Any]:
    """Return piece time, each arc with its points, place and next point, and what the plan brings next."""
    piece, c, middle_c = piece_of(p), p.course, p.setup.middle_c
    bar = bar_now(p) - c.origin
    arcs = []
    for arc in piece.arc if piece else ():
        at = _place(p, arc)
        value = _settable(arc.name, arc.at(at))
        upcoming = next((point for point in arc.points if point[0] > at), None)
        arcs.append({
            "name": arc.name, "unit": arc.unit, "points": [list(point) for point in arc.points], "at": at,
            "value": value, "shown": show(arc.name, value, middle_c), "out": arc.name in c.out,
            "next": upcoming and {"at": upcoming[0],
                                  "shown": show(arc.name, _settable(arc.name, upcoming[1]), middle_c)},
        })  # fmt: skip
    left = piece.plan[c.next_act :] if piece else ()
    return {
        "minutes": time_now(p) / MINUTE,
        "bar": bar + 1,
        "arcs": arcs,
        "plan": [{"at": one.bar, "do": one.text, "bars": max(0, one.bar - 1 - bar)} for one in left],
    }
