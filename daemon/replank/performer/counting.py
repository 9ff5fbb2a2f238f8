"""By how many clocks the line moves: what the judge of the clock says of each that comes, and of those that do not.

A credit moves the position.  The newest step in it is struck at once where it
is hardly late, older ones are not.  A credit of at most a quarter note is gone
through boundary by boundary, as though it had been heard; in a longer one only
the position moves, and what was due meanwhile happens at the next step.  What
was credited wrongly is taken back by waiting: nothing happens twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.notices import counted
from replank.performer import clock_out, clocking
from replank.timing import coasting
from replank.timing.fit import QUARTER
from replank.timing.judge import COAST, LONGEST
from replank.timing.trying import UNKNOWN

if TYPE_CHECKING:
    from replank.performer.core import Performer

LATE_NS = 30_000_000
"""A step of a hole, a strike or a ratchet is struck if it is at most so late, ns."""

NEWS_NS = 60_000_000_000
"""What was said of the clock is news for a minute, ns."""

WORDS = {
    "none": "no position yet",
    "locked": "every clock is accounted for",
    "counted": "what came is counted; the clock is too uneven, or too new, to see one that did not come",
    "estimated": "clocks were made up or the sender stood still; downbeat sets the one",
    "unknown": "your one is not known; downbeat sets it",
}
"""What each word of the judge says to a person."""
NEWS = {
    "made up": "{} missing on the clock port: made up",
    "swallowed": "{} came twice: not counted again",
    "taken back": "{} had been made up in vain: the line waits for them",
    "shifted": "the clock's sender stood still or was moved: what comes is counted",
    "missing": "{} missing on the clock port",
    "played on": "played on for {}; downbeat sets the one",
    "two senders": "two senders, or a doubled cable, on the clock port",
}
"""What the judge tells, in words; the number is of clocks."""


# -- moving --------------------------------------------------------------------


def advance(p: Performer, moves: int, since: int) -> None:
    """Move the line on by clocks, of which the last is counted as though it had come at `since` (ns)."""
    t = p.transport
    if moves > QUARTER + 1:
        _jump(p, t.song_clock + moves)
        moves = 1
    end, interval = t.song_clock + moves, t.judge.interval
    t.upto = end
    for clock in range(t.song_clock + 1, end + 1):
        t.song_clock = clock
        t.age = max(0, p.now - since + (end - clock) * interval)
        if clock == t.next_step or clock == t.next_bar or (t.counted and t.counted[0][0] <= clock):
            clocking.at_clock(p)
            if t.song_clock != clock or not t.running:
                break  # what was due has moved the line elsewhere
    t.age = 0


def _jump(p: Performer, clock: int) -> None:
    """Make `clock` the next one, as Song Position does, but let what sounds keep its gate."""
    t = p.transport
    bar, left = t.bars.bar_index(max(t.song_clock, 0)), (clock - t.song_clock) // p.settings.division
    passed = {"cycle"} if left + t.playhead.phase >= p.settings.length else set()
    ends = [one for one in t.counted if one[1] in ("final", "mute")]
    t.locate(clock, p.settings)
    t.counted = ends
    t.keeps_form, t.ended_by = True, "gap"
    now = t.bars.bar_index(clock)
    for one in p.due:
        if one[0] in passed or (one[0] == "bar" and bar < now and one[1] <= now):
            one[0], one[1] = "step", 0


def shift(p: Performer, clocks: int) -> None:
    """Move the count of clocks by hand: ahead at once, back by letting the line wait."""
    if clocks > 0:
        advance(p, clocks, p.transport.judge.last)
    else:
        p.transport.judge.ahead -= clocks


def slept(p: Performer, ns: int) -> None:
    """The machine woke up after `ns`: release what was left sounding; nobody counted the clock meanwhile."""
    clocking.silence(p)
    p.band.refresh_all(p)
    p.notice("power", text=f"this machine was suspended for {ns / 1e9:.0f} s; every note is released")
    clock = p.setup.clock
    if p.transport.running and clock.source == "external" and clock.mode == "midi":
        p.transport.judge.doubts(UNKNOWN)
        tell(p)


# -- the ear -------------------------------------------------------------------


def heard(p: Performer, stamps: tuple[int, ...]) -> None:
    """Take clocks that the host's ear heard and the record lacks, as evidence."""
    if p.by_pulses:
        return
    judge = p.transport.judge
    moves = judge.heard(stamps)
    if moves and p.transport.running:
        advance(p, moves, judge.last)
        clock_out.fill_up(p, moves)
    tell(p)


def resume(p: Performer, stamps: tuple[int, ...]) -> None:
    """Go on where the host's ear says that the clock is: no player was there."""
    t = p.transport
    clock = t.song_clock + 1
    for stamp in stamps:
        clock += t.judge.clock(stamp)
    if stamps and (t.running or t.armed):
        clocking.locate(p, clock)
        t.running, t.armed, t.lost = True, False, False
    text = f"{counted(clock=len(stamps))} heard by the host while the note engine was restarted"
    p.notice("phase", phase=t.judge.word, text=text)


# -- playing on ----------------------------------------------------------------


def expect(p: Performer) -> None:
    """Let the line play on if the next clock does not come, where the rig says so."""
    judge = p.transport.judge
    if judge.dropouts == COAST and (when := coasting.next_at(judge)) >= 0 and not p.transport.is_expecting:
        p.transport.is_expecting = True
        p.schedule(when, "coast", [])


def coast(p: Performer) -> None:
    """A clock should have come by now: play on, or ask again when it should."""
    t = p.transport
    judge, t.is_expecting = t.judge, False
    when = coasting.next_at(judge)
    if when < 0 or not t.running or t.lost:
        return
    if when > p.now:
        expect(p)
        return
    moves = coasting.play_on(judge, p.now)
    if moves:
        for output in p.clock_outputs:
            p.send(output, b"\xf8")
        clock_out.fill_up(p, moves - 1)
        advance(p, moves, p.now)
        expect(p)
    tell(p)


def may_coast_on(p: Performer) -> bool:
    """Tell whether the line plays on without a clock, so that it is not lost yet."""
    judge = p.transport.judge
    return (
        judge.dropouts == COAST
        and p.transport.running
        and p.now - judge.last < LONGEST
        and (coasting.next_at(judge) >= 0)
    )


# -- telling -------------------------------------------------------------------


def returned(p: Performer, gap: int) -> None:
    """Say that the clock is back after `gap` (ns)."""
    t = p.transport
    t.lost = False
    text = f"the clock is back after {gap / 1e9:.1f} s"
    if gap > LONGEST:
        text += "; the line goes on from where it stopped"
    p.notice("clock", state="back", tempo=t.judge.tempo(), text=text)


def tell(p: Performer) -> None:
    """Say what the judge has to say, and its word where that has changed."""
    t = p.transport
    for kind, clocks in t.judge.tell():
        t.news[kind] = t.news.get(kind, 0) + clocks
    if t.news and (p.now - t.told_at >= t.judge.interval * QUARTER or "swallowed" not in t.news):
        for kind, clocks in t.news.items():
            t.trouble = [NEWS[kind].format(counted(clock=clocks)), p.now]
            p.notice("clock", state=kind, tempo=t.judge.tempo(), text=t.trouble[0])
        t.news, t.told_at = {}, p.now
    word = t.judge.word
    if word != t.word:
        t.word = word
        p.notice("phase", phase=word, text=WORDS[word])


# -- the one by hand -----------------------------------------------------------


def press(p: Performer) -> str:
    """Take a press of `downbeat` on a beat after the one; return what came of it, empty where this is a first press."""
    t = p.transport
    interval, beat = t.judge.interval, t.bars.beat_length * t.judge.interval
    if not (beat and 0 < len(p.presses) < 4) or not beat < 2 * (p.now - p.presses[-1][0]) < 3 * beat:
        return ""
    place = t.song_clock * interval + p.now - t.judge.last
    off = (place + beat // 2) % beat - beat // 2
    p.presses.append([p.now, off])
    offs = sorted(off for _, off in p.presses)
    middle = offs[len(offs) // 2] if len(offs) % 2 else (offs[len(offs) // 2 - 1] + offs[len(offs) // 2]) // 2
    by = (2 * middle + interval) // (2 * interval)
    beats = f"beat {len(p.presses)} of 4"
    if not by:
        return f"{beats}: the one stays"
    shift(p, -by)
    for one in p.presses:
        one[1] -= by * interval
    return f"{beats}: the one is {counted(clock=abs(by))} {'later' if by > 0 else 'earlier'}"


def pressed(p: Performer, off: int) -> None:
    """Keep a first press of `downbeat`, which was so late after its clock (ns; below 0 early)."""
    p.presses = [[p.now, off]]


def _trouble(p: Performer) -> str:
    """Return what was last said of the clock, as long as that is news."""
    said = p.transport.trouble
    return str(said[0]) if said and p.now - said[1] < NEWS_NS else ""


def view(p: Performer) -> dict[str, Any]:
    """Return the judge's facts for people."""
    judge = p.transport.judge
    word = ("locked" if p.transport.pulse.count else "none") if p.by_pulses else judge.word
    return {
        "phase": word,
        "dropouts": judge.holes,
        "lost_clocks": judge.lost,
        "doubled_clocks": judge.doubled,
        "trouble": _trouble(p),
    }
