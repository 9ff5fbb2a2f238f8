"""Clock, transport messages and pulses: how time moves the line."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from replank.control.notices import counted
from replank.performer import acting, course, playing, steps, striking
from replank.timing.phrases import begins

if TYPE_CHECKING:
    from replank.performer.core import Performer

_COAST = 8_000_000_000
"""A clock that returns within 8 s is continued by estimate, ns."""
_SENSE = 250_000_000
"""Active sensing is sent this often, ns (MIDI 1.0: within 270 ms)."""
CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC


def tick(p: Performer) -> None:
    """Take one clock (F8)."""
    t, now = p.transport, p.now
    follower = t.follower
    if t.lost:
        _returned(p)
    if t.watching:
        follower.tick(now)
    else:
        if follower.interval:
            follower.last = now - follower.interval  # a pause is neither an interval nor a dropout
        follower.tick(now)
        t.watching = True
        p.schedule(follower.lost_after(), "lost", [])
    for output in p.clock_outputs:
        p.send(output, b"\xf8")
    if not t.running:
        if not t.armed:
            if t.halted or p.setup.clock.without_start != "play":
                return
            start(p, "clock without Start")
        t.armed, t.running, t.phase = False, True, "locked"
        p.notice("transport", state="playing", why="the clock runs")
    clock = t.song_clock + 1
    t.song_clock = clock
    if clock == t.next_step or clock == t.next_bar or (t.counted and t.counted[0][0] <= clock):
        at_clock(p)


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
    unit, count = p.settings.every
    is_moment = begins(bar, p.settings.phrase) if unit == "phrase" else unit == "bar" and bar % count == 0
    if is_moment and t.song_clock and p.piece_since != p.now:  # a piece that begins has its first moment later
        steps.mutation_moment(p)


def _restarts(p: Performer, bar: int) -> bool:
    every = p.settings.restart_every
    return bool(every) and bar % every == 0 and p.transport.song_clock > 0


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


def start(p: Performer, why: str) -> None:
    """Take Start (FA): the next clock is the first step."""
    t = p.transport
    if t.running and p.setup.clock.repeated_start == "ignore":
        return
    playing.end_tuning(p)
    _drop_waiting(p)
    from_the_top(p)
    t.armed, t.running, t.lost, t.halted = True, False, False, False
    t.keeps_form, t.ended_by = True, "start"
    p.ending = 0
    send_clock(p, START)
    p.band.refresh_all(p)
    p.notice("transport", state="armed", why=why)


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
    if t.running or t.armed:
        return
    playing.end_tuning(p)
    t.armed, t.lost, t.halted = True, False, False
    send_clock(p, CONTINUE)
    p.band.refresh_all(p)
    p.notice("transport", state="armed", why="Continue")


def stop(p: Performer) -> None:
    """Take Stop (FC): releases, controllers to rest, position kept."""
    t = p.transport
    pulses = p.by_pulses
    t.halted = True
    if not (t.running or t.armed or pulses):
        return
    silence(p)
    course.pause(p, p.now)
    p.band.rest_values(p)
    if pulses and t.told == CLOCK:
        _send_owed(p)
        send_clock(p, STOP)
        t.told = STOP
    if t.running or t.armed:
        t.running = t.armed = t.lost = False
        send_clock(p, STOP)
        p.notice("transport", state="stopped", why="Stop")


def song_position(p: Performer, beats: int) -> None:
    """Take Song Position (F2), in sixteenths (6 clocks) from the start."""
    if not p.transport.running:  # MIDI 1.0, p. 27: sent only while nothing plays
        for output in p.generate_outputs:
            p.send(output, bytes((0xF2, beats & 0x7F, beats >> 7)))
    _locate(p, beats * 6)


def _locate(p: Performer, clock: int) -> None:
    t = p.transport
    silence(p)
    place, bar = _place(p)
    index = t.locate(clock, p.settings)
    _carry_over(p, place, bar)
    t.keeps_form, t.ended_by = True, "song position"
    p.notice("located", song_clock=clock, index=index + 1)


def located_from_outside(p: Performer, song_clock: int, running: bool) -> None:
    """The host's counter knows the number of the last clock (a replaced player)."""
    t = p.transport
    if t.song_clock != song_clock or t.running != running:
        _locate(p, song_clock + 1)
        t.running, t.armed, t.lost = running, False, False
        t.phase = "locked" if running else t.phase
        p.notice("phase", phase="locked", text="counted by the host while the note engine was restarted")


def missed(p: Performer, clocks: int) -> None:
    """The host has counted clocks that were lost on their way here; the line goes on where their sender is."""
    t = p.transport
    if t.running and not p.by_pulses:
        _locate(p, t.song_clock + 1 + clocks)
        text = f"moved on by {counted(clock=clocks)} that the host has counted and the player has not"
        p.notice("phase", phase=t.phase, text=text)


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


# -- losing and finding the clock ----------------------------------------------


def check_lost(p: Performer) -> None:
    """Ask whether the clock is lost; asked again as long as it comes."""
    t = p.transport
    when = t.follower.lost_after()
    if when > p.now:
        p.schedule(when, "lost", [])
        return
    t.watching = False
    if t.running:
        t.lost, t.losses = True, t.losses + 1
        t.was_steady = t.follower.steady
        silence(p)
        course.pause(p, t.follower.last)
        text = "the clock has stopped coming; the line waits where it is"
        p.notice("clock", state="lost", tempo=t.follower.tempo(), text=text)


def _returned(p: Performer) -> None:
    t, follower = p.transport, p.transport.follower
    t.lost = False
    gap = p.now - follower.last
    if t.was_steady and gap <= _COAST:
        missing = follower.missing(p.now)
        _skip(p, t.song_clock + 1 + missing)
        t.phase = "estimated"
        # The gap is no interval: the mean goes on as though the clock had come.
        follower.last = p.now - follower.interval
        text = f"the clock is back after {gap / 1e9:.1f} s; {counted(clock=missing)} estimated"
    else:
        t.phase = "unknown"
        follower.forget()
        text = f"the clock is back after {gap / 1e9:.1f} s; the line goes on from where it stopped"
    p.notice("clock", state="back", tempo=follower.tempo(), text=text)
    p.notice("phase", phase=t.phase, text="downbeat sets it right")


def _skip(p: Performer, clock: int) -> None:
    # Skipped cycles do not mutate, skipped bars bring nothing in: the next bar
    # line does.
    p.transport.locate(clock, p.settings)
    p.transport.keeps_form, p.transport.ended_by = True, "gap"


# -- pulses --------------------------------------------------------------------


def pulse(p: Performer) -> None:
    """Take a pulse: it always advances the line, also while stopped."""
    t = p.transport
    t.pulse.tick(p.now)
    t.phase = "locked"
    if p.generate_outputs:
        _make_clocks(p)
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
            _make_clocks(p)
        steps.boundary(p)


# -- internal clock and clock out ----------------------------------------------


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


def send_clock(p: Performer, status: int) -> None:
    """Send a transport message of our own to the outputs whose clock is made here."""
    for output in p.generate_outputs:
        p.send(output, bytes((status,)))


def pass_on(p: Performer, data: bytes) -> None:
    """Pass a clock, transport or position message on, as it came."""
    for output in p.thru_outputs:
        p.send(output, data)


def _make_clocks(p: Performer) -> None:
    """Make a pulse's clocks: a step of them, spread over the last interval, whatever becomes of the next pulse."""
    t, division = p.transport, p.settings.division
    _send_owed(p)
    if t.told != CLOCK:
        send_clock(p, CONTINUE if t.told == STOP else START)
        t.told = CLOCK
    send_clock(p, CLOCK)
    t.owed, interval = division - 1, t.pulse.interval
    for n in range(1, division if interval else 1):
        p.schedule(p.now + n * interval // division, "made", [])


def _send_owed(p: Performer) -> None:
    # The next pulse came sooner, or no interval was known: a receiver counts clocks, so none may be missing.
    t = p.transport
    p.unschedule("made")
    for _ in range(t.owed):
        send_clock(p, CLOCK)
    t.owed = 0


def made_clock(p: Performer) -> None:
    """One of a pulse's clocks is due."""
    if p.transport.owed:
        p.transport.owed -= 1
        send_clock(p, CLOCK)


def sense(p: Performer, output: int) -> None:
    """Send active sensing, again and again."""
    if output < len(p.setup.outputs) and p.setup.outputs[output].active_sensing:
        p.send(output, b"\xfe")
        p.schedule(p.now + _SENSE, "sense", [output])


_COUNTED: dict[str, Callable[[Any, list[Any]], None]] = {
    "strike": lambda p, args: striking.strike(p, *args),
    "later": lambda p, args: p.schedule(p.now + args[0], "strike", args[1:]),
    "again": lambda p, args: striking.again(p, args),
    "final": lambda p, args: playing.final_note(p),
    "mute": lambda p, args: playing.after_final(p),
}
"""What each kind of counted thing does when its clock comes."""
