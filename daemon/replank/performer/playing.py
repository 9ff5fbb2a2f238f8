"""Playing: mute, join, end, cut, answer, panic, the playhead, tuning notes, what the keyboard does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.setup import Voice
from replank.line.lenses import root_pitch
from replank.line.pitch import note_name
from replank.line.steps import Step
from replank.performer import acting, clocking, counting
from replank.performer.voices import STRIKE, Sound
from replank.timing.gates import UNKNOWN_GATE_NS

if TYPE_CHECKING:
    from replank.performer.core import Performer

_SECOND_PRESS = 3_000_000_000
"""A second panic within 3 s sweeps all channels, ns."""
_SLICE = 16
"""Note-offs of a sweep that go out together; 48 bytes, 15 ms of a DIN cable."""
_SLICE_NS = 20_000_000
"""From slice to slice, ns: a step's messages fit in between."""
_TAPS_NS = 2_500_000_000
"""Taps further apart begin a new tempo, ns."""
_BOUNCE_NS = 150_000_000
"""A tap so soon after another is the same press: 400 BPM, the fastest tempo, has beats as far apart, ns."""
_LONG = 3_600_000_000_000
"""A gate that something else ends, ns."""


def mute_changed(p: Performer) -> None:
    """The mute went on or off."""
    if not p.values["mute"]:
        p.ending = 0
    elif p.ending == 2:
        p.ending = 0
        p.transport.counted = [one for one in p.transport.counted if one[1] != "final"]


def _state(p: Performer, name: str, args: list[Any], origin: str) -> None:
    on = not p.values[name] if args[0] is None else bool(args[0])
    acting.apply_values(p, {name: on}, origin)


def _hold(p: Performer, args: list[Any], origin: str) -> None:
    _state(p, "hold", args, origin)


def _mute(p: Performer, args: list[Any], origin: str) -> None:
    _state(p, "mute", args, origin)


def _join(p: Performer, args: list[Any], origin: str) -> None:
    """Join as though Start had come; due at the bar where one is counted."""
    t = p.transport
    if p.values["mute"]:
        acting.apply_values(p, {"mute": False}, origin)
    p.ending = 0
    if p.by_pulses:
        clocking.reset(p)
        clocking.phrases_from_here(p)
        p.band.refresh_all(p)
    elif t.running and not t.lost:
        clocking.begin_here(p, t.song_clock if t.entering else t.song_clock + 1, "join")
        t.keeps_form = True
        p.band.refresh_all(p)
    else:
        if p.setup.clock.source == "internal":
            clocking.run_internal(p, True)
        clocking.start(p, "join", p.setup.clock.source != "external")
    acting.done(p, "join", "in from the top", origin)


def _end(p: Performer, args: list[Any], origin: str) -> None:
    """Due at the cycle's end: then the root sounds once on the next beat, held, and the line mutes."""
    if p.values["mute"] or not acting.is_moving(p):
        acting.apply_values(p, {"mute": True}, origin)
        acting.done(p, "end", "muted at once: nothing is sounding", origin)
        return
    play_final(p)
    acting.done(p, "end", "the end: one root, then silence", origin)


def play_final(p: Performer) -> None:
    """The cycle is through: let the root come on the next beat (pulse)."""
    t = p.transport
    p.ending = 2
    if p.by_pulses:
        final_note(p)
        return
    bars = t.bars
    beat = t.song_clock
    while not bars.is_beat(beat):
        beat += 1
    if beat == t.song_clock:
        final_note(p)
    else:
        clocking.count_off(p, beat, "final", [])


def final_note(p: Performer) -> None:
    """Sound the root, held for the rig's beats."""
    if p.ending != 2:
        return
    p.unschedule("strike", "again", "late", "early")
    s, t, beats = p.settings, p.transport, p.setup.clock.end_beats
    p.ending, t.tie = 3, 0  # no step that rests may hold the root as though it were its own
    step = Step(pitch=root_pitch(s.lens))
    note = s.lens.sound(step, 0, s.semitones)  # the key's own root, as a close counts it
    if p.by_pulses:
        gate = beats * t.pulse.interval or UNKNOWN_GATE_NS
    else:
        gate = beats * t.bars.beat_length * t.judge.pace.interval or UNKNOWN_GATE_NS
        clocking.count_off(p, t.song_clock + beats * t.bars.beat_length, "mute", [])
    p.band.play(p, Sound(STRIKE, 0, step.pitch, note, s.velocity(0.5, False), 0.5, False, gate))
    p.notice("transport", state="ending", why=f"{note_name(note, p.setup.middle_c)} held {beats} beats, then mute")
    if p.by_pulses:
        p.schedule(p.now + gate, "mute", [])


def after_final(p: Performer) -> None:
    """The last root is through: mute."""
    if p.ending == 3:
        finish(p)


def finish(p: Performer) -> None:
    """End the ending: silence, muted."""
    p.ending = 0
    acting.apply_values(p, {"mute": True}, "end")
    p.band.release_all(p)


def _cut(p: Performer, args: list[Any], origin: str) -> None:
    p.ending = 0
    acting.apply_values(p, {"mute": True}, origin)
    clocking.silence(p)
    end_tuning(p)
    p.band.rest_values(p)
    acting.done(p, "cut", "silence; mute again lets it play", origin)


def _answer(p: Performer, args: list[Any], origin: str) -> None:
    sound, silent = args
    if sound is None and silent is None:
        p.answer = []
        acting.done(p, "answer", "answers no more", origin)
        return
    sound, silent = sound or 1, silent or sound or 1
    t = p.transport
    bars = not p.by_pulses
    p.answer = [sound, silent, t.bars.bar_index(max(t.song_clock, 0)) if bars else p.melody.cycle]
    unit = "bars" if bars else "cycles"
    acting.done(p, "answer", f"sounds {sound} {unit}, is silent {silent}", origin)


# -- panic ---------------------------------------------------------------------


def _panic(p: Performer, args: list[Any], origin: str) -> None:
    """Known notes first, then CC 123 and 120 on the used channels, then a sweep in slices."""
    second = bool(p.panics) and p.now - p.panics[-1] <= _SECOND_PRESS
    p.panics = [p.now]
    p.unschedule("sweep")
    count = clocking.silence(p) + end_tuning(p)
    used = p.band.channels()
    if second:
        used = [(output, channel) for output in range(len(p.setup.outputs)) for channel in range(1, 17)]
    for output, channel in used:
        p.send(output, bytes((0xB0 | (channel - 1), 123, 0)))
        p.send(output, bytes((0xB0 | (channel - 1), 120, 0)))
    p.band.rest_values(p)
    p.band.refresh_all(p)
    for n, (output, channel) in enumerate(used):
        p.schedule(p.now + (n * (128 // _SLICE) + 1) * _SLICE_NS, "sweep", [output, channel, 0])
    p.notice("panic", notes=count, channels="1 to 16" if second else ", ".join(str(c) for _, c in used))


def sweep(p: Performer, args: list[Any]) -> None:
    """Send one slice of a sweep's note-offs, passing over what has been struck since."""
    output, channel, first = args
    if output >= len(p.setup.outputs):
        return
    held = {note for out, ch, note in p.sounding() if (out, ch) == (output, channel)}
    for note in range(first, first + _SLICE):
        if note not in held:
            p.send(output, bytes((0x80 | (channel - 1), note, 64)))
    if first + _SLICE < 128:
        p.schedule(p.now + _SLICE_NS, "sweep", [output, channel, first + _SLICE])


# -- the playhead --------------------------------------------------------------


def _reset(p: Performer, args: list[Any], origin: str) -> None:
    clocking.reset(p)
    acting.done(p, "reset", "the next step is the first", origin)


def _realign(p: Performer, args: list[Any], origin: str) -> None:
    t = p.transport
    if t.running and not p.by_pulses:
        clocking.begin_here(p, t.here(), "realign")
    else:
        t.playhead.reset()
        t.ended_by = "realign"
    acting.done(p, "realign", "the line begins again here", origin)


def _downbeat(p: Performer, args: list[Any], origin: str) -> None:
    """The nearest clock is bar 1, beat 1, step 1; pressed on the beats after it, up to four, the median counts."""
    t = p.transport
    if p.by_pulses or not t.running:
        clocking.reset(p)
        clocking.phrases_from_here(p)
        acting.done(p, "downbeat", "the next step is the first", origin)
        return
    again = counting.press(p)
    if again:
        acting.done(p, "downbeat", again, origin)
        return
    late, interval = p.now - t.judge.last, t.judge.interval
    clocking.silence(p)
    clocking.from_the_top(p)
    t.lost, t.keeps_form = False, True
    t.ended_by = "downbeat"
    t.judge.place(p.now)
    if t.entering:
        t.song_clock, t.next_bar = 0, t.bars.bar_length
    elif interval and 2 * late <= interval:
        t.song_clock = 0
        clocking.at_clock(p)
    counting.pressed(p, late if t.song_clock == 0 else late - interval)
    counting.tell(p)
    acting.done(p, "downbeat", "bar 1, beat 1, step 1", origin)


def _nudge(p: Performer, args: list[Any], origin: str) -> None:
    t = p.transport
    if isinstance(args[0], str):
        clocks = int(args[0][:-1])
        if p.by_pulses or not t.running:
            raise ValueError("no clock is running: clocks can be nudged only while the line plays")
        counting.shift(p, clocks)
        acting.done(p, "nudge", f"the count moved by {clocks:+d} clocks", origin)
        return
    t.playhead.nudge(args[0])
    t.ended_by = "nudge" if t.playhead.begins else t.ended_by
    if t.running and not p.by_pulses:
        t.origin -= args[0] * p.settings.division
    acting.done(p, "nudge", f"the playhead moved by {args[0]:+d}", origin)


def _tap(p: Performer, args: list[Any], origin: str) -> None:
    if p.taps and p.now - p.taps[-1] < _BOUNCE_NS:
        return
    if p.taps and p.now - p.taps[-1] > _TAPS_NS:
        p.taps = []
    p.taps = [*p.taps[-4:], p.now]
    if len(p.taps) > 1:
        beat = (p.taps[-1] - p.taps[0]) / (len(p.taps) - 1)
        tempo = max(20.0, min(400.0, int(600e9 / max(beat, 1.0) + 0.5) / 10.0))
        acting.apply_values(p, {"tempo": tempo}, origin)
    else:
        acting.done(p, "tap", "tap again", origin)


# -- tuning --------------------------------------------------------------------


def tuning_voices(p: Performer) -> list[int]:
    """Return the voices that hold the tuning note: the one asked for, or one for each output and channel."""
    if len(p.tuning) > 1:
        return p.tuning[1:2] if p.tuning[1] < len(p.band.voices) else []
    found: dict[tuple[int, int], int] = {}
    for i, voice in enumerate(p.band.voices):
        found.setdefault((voice.output, voice.channel), i)
    return list(found.values())


def tuning_notes(p: Performer) -> list[tuple[Voice, int]]:
    """Return what is held for tuning: (voice, note)."""
    return [(p.band.voices[i], p.tuning[0]) for i in tuning_voices(p)] if p.tuning else []


def end_tuning(p: Performer) -> int:
    """Release the tuning note; return how many notes that was."""
    held = tuning_notes(p)
    for voice, note in held:
        p.send(voice.output, bytes((0x80 | (voice.channel - 1), note, 64)))
    p.tuning = []
    return len(held)


def _tuning_note(p: Performer, args: list[Any], origin: str) -> None:
    was, (note, velocity, voice) = list(p.tuning), args
    end_tuning(p)
    wanted = [69 if note is None else note, *([] if voice is None else [voice])]
    if was == wanted or (was and note is None):
        acting.done(p, "tuning_note", "the tuning note ends", origin)
        return
    clocking.silence(p)
    p.tuning = wanted
    for i in tuning_voices(p):
        p.band.hold_for_tuning(p, i, wanted[0], velocity or 64)
    name = note_name(wanted[0], p.setup.middle_c)
    acting.done(p, "tuning_note", f"{name} is held for tuning; again, or Start, ends it", origin)


def _keyboard(p: Performer, args: list[Any], origin: str) -> None:
    p.keyboard.set_mode(args[0])
    acting.done(p, "keyboard", f"the keyboard does {args[0]}", origin)


HANDLERS = {
    "hold": _hold,
    "mute": _mute,
    "join": _join,
    "end": _end,
    "cut": _cut,
    "answer": _answer,
    "panic": _panic,
    "reset": _reset,
    "realign": _realign,
    "downbeat": _downbeat,
    "nudge": _nudge,
    "tap": _tap,
    "tuning_note": _tuning_note,
    "keyboard": _keyboard,
}
