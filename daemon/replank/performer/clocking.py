"""Clock, transport messages and pulses: how time moves the line."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from replank.performer import acting, clock_out, counting, course, playing, steps, striking
from replank.performer.messages import CLOCK, CONTINUE, START, STOP
from replank.timing import boundaries
from replank.timing.judge import COAST, LONGEST

if TYPE_CHECKING:
    from replank.performer.core import Performer


RANGE_NS = 13_000_000
"""A bend range, a bend and two controllers last so long on a DIN cable: 27 bytes of 320 us and some room, ns."""


def tick(p: Performer) -> None:
    """Take one clock (F8)."""
    t, now = p.transport, p.now
    judge = t.judge
    if not (t.running or t.armed or t.halted) and p.setup.clock.without_start == "play":
        start(p, "clock without Start", False)
    last, moves = judge.last, judge.clock(now)
    if not t.watching:
        t.watching = True
        p.schedule(judge.lost_after(), "lost", [])
    if moves:
        for output in p.clock_outputs:
            p.send(output, b"\xf8")
    if t.running or t.armed:
        if t.armed:
            t.armed, t.running = False, True
            p.notice("transport", state="playing", why="the clock runs")
        if moves == 1:
            t.song_clock = clock = t.song_clock + 1
            if clock == t.next_step or clock == t.next_bar or (t.counted and t.counted[0][0] <= clock):
                at_clock(p)
        elif moves:
            clock_out.fill_up(p, moves - 1)
            counting.advance(p, moves, now)
        if t.lost:
            counting.returned(p, now - last)
    if judge.looks:
        judge.look()
        counting.tell(p)
    elif moves != 1 or judge.trial is not None or judge.news:
        counting.tell(p)
    if judge.dropouts == COAST:
        counting.expect(p)


def at_clock(p: Performer) -> None:
    """Something begins at the present clock: a bar, a step, what was counted off."""
    t = p.transport
    t.entering = True
    if t.song_clock == t.next_bar:
        _bar(p)
    if t.song_clock == t.next_step:
        steps.boundary(p)
        t.next_step = t.song_clock + p.settings.division
    t.entering = False
    while t.counted and t.counted[0][0] <= t.song_clock:
        _, kind, args = t.counted.pop(0)
        if t.age <= counting.LATE_NS or kind not in _STRUCK:  # in a hole what is long past is not struck
            _COUNTED[kind](p, args)


def _bar(p: Performer) -> None:
    t = p.transport
    t.next_bar = t.song_clock + t.bars.bar_length
    bar, returns = t.bars.bar_index(t.song_clock), t.song_clock == t.next_step and t.playhead.begins
    if returns or _restarts(p, bar):
        t.ended_by = t.ended_by or ("" if returns else "restart")
        steps.close_cycle(p)
    if p.due:
        acting.take_due(p, "bar", bar)
    course.take_acts(p)
    # what was due may have changed the meter, or made this clock the first
    bar, t.next_bar = t.bars.bar_index(t.song_clock), t.song_clock + t.bars.bar_length
    if _restarts(p, bar):
        begin_here(p, t.song_clock, "restart")
    is_moment = boundaries.is_bar_moment(p.settings.every, p.settings.phrase, bar)
    if is_moment and t.song_clock and p.piece_since != p.now:  # a piece that begins has its first moment later
        steps.mutation_moment(p)


def _restarts(p: Performer, bar: int) -> bool:
    return p.transport.song_clock > 0 and boundaries.restarts(p.settings.restart_every, bar)


def begin_here(p: Performer, clock: int, why: str) -> None:
    """The line returns to its first step at this clock, wherever its steps fell until now."""
    t = p.transport
    if clock < t.next_step:
        # A step is cut short: what was still to be struck in it must not come after step 1.
        t.counted = [one for one in t.counted if one[1] not in ("strike", "later", "again")]
        p.unschedule("strike", "again")
    t.playhead.reset()
    t.origin = t.next_step = clock
    t.ended_by = why


def count_off(p: Performer, clock: int, kind: str, args: list[Any]) -> None:
    """Let `kind` happen when `clock` comes."""
    counted = p.transport.counted
    counted.append([clock, kind, args])
    counted.sort(key=lambda item: item[0])


# -- transport messages --------------------------------------------------------


def start(p: Performer, why: str, is_given: bool = True) -> None:
    """Take Start (FA): the next clock is the first step.

    Args:
        p: The performer.
        why: For people.
        is_given: False where the line joins a running clock: where its bars are nobody has said.
    """
    t = p.transport
    if t.running and p.setup.clock.repeated_start == "ignore":
        return
    playing.end_tuning(p)
    _drop_waiting(p)
    from_the_top(p)
    t.armed, t.running, t.lost, t.halted = True, False, False, False
    t.keeps_form, t.ended_by = True, "start"
    if is_given:
        t.judge.start(p.now)
    else:
        t.judge.join(p.now)
    p.ending, p.presses = 0, []
    clock_out.send_clock(p, START)
    p.band.refresh_all(p, with_range=_has_room(p))
    p.notice("transport", state="armed", why=why)


def _has_room(p: Performer) -> bool:
    """Tell whether bend ranges are through a slow cable before the next clock; else they follow the first note."""
    judge = p.transport.judge
    return judge.received > 0 and judge.last + judge.interval - p.now >= RANGE_NS


def from_the_top(p: Performer) -> None:
    """The next clock is the first of bar 1: ramps and what waits for bars count on, an answer begins."""
    place, bar = _place(p)
    p.transport.from_the_top()
    _carry_over(p, place, bar)
    p.course.origin += course.bar_now(p) - bar  # the piece goes on where it was
    if p.answer:
        p.answer[2] = 0


def phrases_from_here(p: Performer) -> None:
    """With pulses: phrase 1 begins with the next cycle."""
    p.transport.phrase_origin = p.melody.cycle + (p.melody.advances > 0)
    p.transport.closed = -1


def _place(p: Performer) -> tuple[float, int]:
    return acting.ramp_place(p), p.transport.bars.bar_index(max(p.transport.song_clock, 0))


def _carry_over(p: Performer, place: float, bar: int) -> None:
    new_place, new_bar = _place(p)
    for ramp in p.ramps.values():
        ramp[3] += new_place - place
    for one in p.due:
        if one[0] == "bar" and one[1] > 0:
            one[1] += new_bar - bar


def go_on(p: Performer) -> None:
    """Take Continue (FB): the next clock goes on from the kept position."""
    t = p.transport
    t.judge.go_on(p.now)  # while the line runs it tells that a Stop was lost
    if t.running or t.armed:
        counting.tell(p)
        return
    playing.end_tuning(p)
    t.armed, t.lost, t.halted = True, False, False
    clock_out.send_clock(p, CONTINUE)
    p.band.refresh_all(p, with_range=_has_room(p))
    p.notice("transport", state="armed", why="Continue")


def stop(p: Performer) -> None:
    """Take Stop (FC): releases, controllers to rest, position kept."""
    t = p.transport
    pulses = p.by_pulses
    t.halted = True
    t.judge.stop(p.now)
    if not (t.running or t.armed or pulses):
        return
    silence(p)
    course.pause(p, p.now)
    p.band.rest_values(p)
    if pulses and t.told == CLOCK:
        clock_out.send_owed(p)
        clock_out.send_clock(p, STOP)
        t.told = STOP
    if t.running or t.armed:
        t.running = t.armed = t.lost = False
        clock_out.send_clock(p, STOP)
        p.notice("transport", state="stopped", why="Stop")


def song_position(p: Performer, beats: int) -> None:
    """Take Song Position (F2), in sixteenths (6 clocks) from the start."""
    if not p.transport.running:  # MIDI 1.0, p. 27: sent only while nothing plays
        for output in p.generate_outputs:
            p.send(output, bytes((0xF2, beats & 0x7F, beats >> 7)))
    p.transport.judge.place(p.now)
    locate(p, beats * 6)


def locate(p: Performer, clock: int) -> None:
    """Make `clock` the next one of the song."""
    t = p.transport
    silence(p)
    place, bar = _place(p)
    index = t.locate(clock, p.settings)
    _carry_over(p, place, bar)
    t.keeps_form, t.ended_by = True, "song position"
    p.notice("located", song_clock=clock, index=index + 1)


def silence(p: Performer) -> int:
    """Release everything and drop what was about to sound; return the notes released."""
    _drop_waiting(p)
    count = p.band.release_all(p)
    if p.ending > 1:
        playing.finish(p)  # what would have ended it was dropped
    return count


def _drop_waiting(p: Performer) -> None:
    p.transport.counted = []
    p.transport.tie = 0
    if p.deadlines:
        p.unschedule("strike", "again", "late", "early", "ahead")


# -- losing the clock ----------------------------------------------------------


def check_lost(p: Performer) -> None:
    """Ask whether the clock is lost; asked again as long as it comes."""
    t = p.transport
    when = t.judge.lost_after()
    if when > p.now:
        p.schedule(when, "lost", [])
        return
    if counting.may_coast_on(p):
        p.schedule(min(t.judge.last + LONGEST, p.now + t.judge.interval + 1), "lost", [])
        return
    t.watching = False
    if t.running:
        t.lost, t.losses = True, t.losses + 1
        silence(p)
        course.pause(p, t.judge.last)
        text = "the clock has stopped coming; the line waits where it is"
        p.notice("clock", state="lost", tempo=t.judge.tempo(), text=text)


# -- pulses --------------------------------------------------------------------


def pulse(p: Performer) -> None:
    """Take a pulse: it always advances the line, also while stopped."""
    t = p.transport
    t.pulse.tick(p.now)
    if p.generate_outputs:
        clock_out.make_clocks(p)
    t.song_clock += 1
    steps.boundary(p)


def reset(p: Performer, from_wire: bool = False) -> None:
    """Make the next step the first; a reset just after its pulse belongs to it."""
    t = p.transport
    t.playhead.reset()
    t.ended_by = "reset"
    if p.by_pulses and t.told:
        p.unschedule("made")
        t.owed, t.told = 0, START
    window = int(p.setup.clock.reset_window_ms * 1_000_000)
    if from_wire and t.pulse.last >= 0 and p.now - t.pulse.last <= window and t.playhead.phase != 0:
        silence(p)
        if p.generate_outputs:
            clock_out.make_clocks(p)
        steps.boundary(p)


# -- internal clock ------------------------------------------------------------


def internal_clock(p: Performer) -> None:
    """Take one clock of our own, and let the next one come."""
    if p.transport.ticking:
        p.schedule(p.now + p.settings.tempo_ns, "clock", [])
        tick(p)


def run_internal(p: Performer, on: bool) -> None:
    """Let the internal clock run, or end it."""
    t = p.transport
    if on and not t.ticking:
        t.ticking = True
        p.schedule(p.now, "clock", [])
    elif not on:
        t.ticking = False
        p.unschedule("clock")


_STRUCK = frozenset(("strike", "later", "again"))
"""Counted things that sound."""
_COUNTED: dict[str, Callable[[Any, list[Any]], None]] = {
    "strike": lambda p, args: striking.strike(p, *args),
    "later": lambda p, args: p.schedule(p.now + args[0], "strike", args[1:]),
    "again": lambda p, args: striking.again(p, args),
    "final": lambda p, args: playing.final_note(p),
    "mute": lambda p, args: playing.after_final(p),
}
"""What each kind of counted thing does when its clock comes."""
