"""A step begins: what is due happens, a cycle may end, the line may mutate; then the step is played."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.line.heard import describe
from replank.line.steps import Change
from replank.performer import acting, clocking, counting, course, lookahead, striking
from replank.timing import boundaries
from replank.timing.gates import clocks_ns, swing_delay

if TYPE_CHECKING:
    from replank.performer.core import Performer


def boundary(p: Performer) -> None:
    """Take the step that begins now."""
    t, m, head = p.transport, p.melody, p.transport.playhead
    begins = head.begins
    if begins:
        close_cycle(p)
    if p.piece or p.course.mark < 0 or p.by_pulses:
        course.count(p)
        begins = head.begins
    if p.due or p.ramps:
        acting.take_due(p, "step", t.song_clock)
        acting.move_ramps(p)
        begins = head.begins
    if begins:
        _begin_cycle(p)
    elif not m.advances:
        m.settle_from = 1  # begun in its midst: not to be heard in full
    s = p.settings
    if s.every[0] == "step":
        if boundaries.is_step_moment(s.every, t.since_moment):
            mutation_moment(p)
        t.since_moment += 1
    if begins and t.keeps_form:
        t.keeps_form, t.cycles_ended = False, 0  # what ended before counts for no moment
    begins = head.advance()
    index, clock = head.index, t.song_clock
    t.beginning, t.step_clock = p.now, clock
    if t.age and not _is_caught_up(p, clock):
        m.step_begins(index, False, True)  # nobody heard it
        if not m.is_decided and _is_moment_next(p, clock):
            _decide(p, 1)
        return
    silent = (s.mute or p.ending or p.answer) and lookahead.is_silenced(p)
    if s.phrase or m.steps[index].pass_of > 1:
        covers = lookahead.here(p, index).covers
        takes_turn = lookahead.takes_turn(m.steps[index], m.passes)
        m.step_begins(index, takes_turn and not silent and not covers, bool(silent) or covers == "visit home")
    else:
        m.step_begins(index, not silent, bool(silent))
    if not m.is_decided and _is_moment_next(p, clock):
        _decide(p, 1)
    if p.by_pulses:
        p.unschedule("again")  # strikes of a ratchet are cut by the next pulse
        striking.strike(p, index, t.pulse.interval, begins)
        return
    interval = t.judge.pace.interval
    span = lookahead.step_after(p, clock) - clock if s.restart_every else s.division
    if s.swing <= 50:
        striking.strike(p, index, span * interval, begins, t.age)
        return
    whole, rest = swing_delay(clock, s.division, s.swing)
    ahead = swing_delay(clock + span, s.division, s.swing)
    length = clocks_ns(span + ahead[0] - whole, ahead[1] - rest, interval)
    if whole:
        later = [clocks_ns(0, rest, interval), index, length, begins]
        clocking.count_off(p, clock + whole, "later" if rest else "strike", later if rest else later[1:])
    elif rest:
        p.schedule(p.now + clocks_ns(0, rest, interval) - t.age, "strike", [index, length, begins])
    else:
        striking.strike(p, index, length, begins, t.age)


def _is_caught_up(p: Performer, clock: int) -> bool:
    """Tell whether a step that began in a hole is struck: the newest one, where it is hardly late."""
    t, s = p.transport, p.settings
    interval = t.judge.pace.interval
    whole, rest = swing_delay(clock, s.division, s.swing) if s.swing > 50 else (0, 0)
    late = t.age - clocks_ns(whole, rest, interval)
    is_newest = lookahead.step_after(p, clock) > t.upto
    return is_newest and late <= counting.LATE_NS and 2 * late < s.division * interval


# -- cycles --------------------------------------------------------------------


def close_cycle(p: Performer) -> None:
    """End the cycle before anything of the next one happens; without a step since the last end, nothing."""
    t, m = p.transport, p.melody
    why, t.ended_by = t.ended_by or "itself", ""
    if m.advances:
        m.end_cycle(p.settings.length, p.snapshot_values(), why in ("itself", "restart"))
        t.cycles_ended += 1
        p.notice("cycle", cycle=m.cycle, ended_by=why)


def _begin_cycle(p: Performer) -> None:
    m = p.melody
    close_cycle(p)  # where what was due has returned the line to its beginning
    if p.due:
        acting.take_due(p, "cycle", m.cycle)
    if p.by_pulses:
        course.take_acts(p)
    ended, m.has_ended = m.has_ended, False
    if ended and _is_cycle_moment(p, 0):
        mutation_moment(p)


def _is_cycle_moment(p: Performer, ahead: int) -> bool:
    """Tell whether mutations may happen with the cycle that begins now, or (`ahead` 1) the next."""
    s, passes = p.settings, p.melody.passes - 1 + ahead
    if p.by_pulses:
        place = p.melody.cycle + ahead - p.transport.phrase_origin
        return boundaries.is_pulsed_moment(s.every, s.phrase, passes, place)
    return boundaries.is_cycle_moment(s.every, passes)


# -- mutations -----------------------------------------------------------------


def _is_moment_next(p: Performer, clock: int) -> bool:
    """Tell whether mutations may happen before the next step begins."""
    t, s = p.transport, p.settings
    if s.every[0] == "step":
        return boundaries.is_step_moment(s.every, t.since_moment)
    if s.every[0] != "cycle" and not p.by_pulses:
        is_next = t.next_bar <= clock + s.division
        return is_next and boundaries.is_bar_moment(s.every, s.phrase, t.bars.bar_index(t.next_bar))
    return (t.playhead.begins or lookahead.restarts_next(p, clock)) and _is_cycle_moment(p, 1)


def _decide(p: Performer, ahead: int) -> None:
    """Decide the mutations of the coming moment; `ahead` cycles are still to end before it."""
    m, s, t = p.melody, p.settings, p.transport
    moments = 1
    if s.every[0] == "phrase":  # as many as cycles end in the phrase, so that the pace stays
        moments = t.cycles_ended + (ahead if lookahead.coming(p)[1] else 0)
    m.decide(s.length, s.lens, s.mutation_chance, s.chances, moments)


def mutation_moment(p: Performer) -> None:
    """Apply what was decided (or decide now), unless something forbids it."""
    m, s, t = p.melody, p.settings, p.transport
    if not m.is_decided:
        _decide(p, 0)
    t.since_moment = t.cycles_ended = 0
    may = not (s.hold or s.mute or m.settle_left or t.keeps_form or lookahead.is_amid_visit(p))
    before = m.form(s.length)
    tell(p, m.release_decided(may), before)


def tell(p: Performer, changes: list[Change], before: Any, kind: str = "mutation") -> None:
    """Put changes on the trail as one unit and say each of them, by the line's own tones."""
    if not changes:
        return
    m, s = p.melody, p.settings
    told = []
    for change in changes:
        text, silent = describe(change, s.lens, s.rest, s.accent, p.setup.middle_c, s.hand_degrees, s.semitones)
        told.append(f"step {change.index + 1} {text}")
        p.notice(
            "mutation",
            cycle=m.cycle,
            index=change.index + 1,
            mutation=change.kind,
            before=s.lens.sound(change.before, s.hand_degrees, s.semitones),
            after=s.lens.sound(change.after, s.hand_degrees, s.semitones),
            text=text + (" (silent)" if silent else ""),
            silent=silent,
            partner=change.partner + 1,
        )
    m.trail.record(
        cycle=m.cycle, now=p.now, kind=kind, text="; ".join(told), before=before, after=m.form(s.length)
    )  # fmt: skip
