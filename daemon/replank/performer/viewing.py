"""The whole state for people: what `status` prints and the dashboard shows, as JSON-able data."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

from replank import ENGINE
from replank.control import tension
from replank.control.parameters import PARAMETERS, show
from replank.control.setup import Voice
from replank.control.voltage import fit_note, note_volts, voice_range
from replank.line.heard import is_accented, link_of, ratchet_of
from replank.line.pitch import note_name
from replank.line.steps import ACCENT_NAMES, LINK_NAMES, RHYTHM_NAMES, same_music
from replank.performer import acting, course, lookahead, pacing

if TYPE_CHECKING:
    from replank.performer.core import Performer


def view(p: Performer) -> dict[str, Any]:
    """Return the whole state."""
    m, middle_c = p.melody, p.setup.middle_c
    return {
        "engine": ENGINE,
        "now": p.now,
        "seed": m.seed,
        "show": p.show_name,
        "transport": _transport(p),
        "line": _line(p),
        "parameters": dict(p.values),
        "shown": {name: show(name, value, middle_c) for name, value in p.values.items()},
        "lists": {name: list(words) for name, words in _lists(p).items()},
        "half_life": _half_life(p),
        "settling": {"left": m.settle_left, "need": m.settle_need},
        "ramps": [
            {"name": name, "target": show(name, target, middle_c), "bars_left": _bars_left(p, bars, since)}
            for name, (_, target, bars, since) in p.ramps.items()
        ],
        "due": [{"action": acting.item_words(p, item), "due": unit, "at": at} for unit, at, item in p.due],
        "controls": p.hands.view(),
        "last_control": dict(zip(("name", "shown", "now"), p.last_control, strict=True)) if p.last_control else None,
        "snapshots": [
            {"name": k.name, "cycle": k.cycle, "length": k.form.length, "root": k.values["root"],
             "scale": k.values["scale"]}
            for k in m.snapshots.values()
        ],
        "trail": _trail(p),
        "pieces": [
            {"number": n, "name": piece.name, "minutes": piece.minutes, "as_left": piece.name in p.as_left}
            for n, piece in enumerate(p.setup.pieces, 1)
        ],
        "piece": p.piece,
        "piece_name": p.setup.pieces[p.piece - 1].name if 0 < p.piece <= len(p.setup.pieces) else "",
        "piece_since": p.piece_since,
        "course": course.view(p),
        "phrase": _phrase(p),
        "sounding": _sounding(p),
        "history": [{"cycle": cycle, "notes": list(notes)} for cycle, notes in m.history],
        "answer": None if not p.answer else {
            "sound": p.answer[0], "silent": p.answer[1], "now_sounding": lookahead.answer_sounds(p),
        },
        "keyboard": p.keyboard.mode,
        "selected": p.selected + 1,
        "tuning": list(p.tuning[:1]),
        "outputs": [
            {"name": out.name, "sounding": [n for o, _, n in p.sounding() if o == i], "sent": p.sent[i]}
            for i, out in enumerate(p.setup.outputs)
        ],
        "inputs": [
            {"name": one.name, "role": one.role, "messages": p.received[i], "malformed": p.malformed[i]}
            for i, one in enumerate(p.setup.inputs)
        ],
        "counts": {**p.counts, "notes": p.notes, "mutations": m.mutations},
        "middle_c": middle_c,
    }  # fmt: skip


def _half_life(p: Performer) -> dict[str, float | None]:
    """Return the pitch touches a cycle, and the half-life in cycles, bars and minutes as the clock comes."""
    t, pulses = p.transport, p.by_pulses
    found = pacing.in_the_long_run(p)
    step_ns = t.pulse.interval if pulses else t.follower.interval * p.settings.division
    minutes = None
    if found.cycles is not None and step_ns:
        minutes = found.cycles * found.cycle_steps * step_ns / 60e9
    return {
        "cycles": found.cycles, "bars": None if pulses else found.bars, "minutes": minutes, "rate": found.rate
    }  # fmt: skip


def _phrase(p: Performer) -> dict[str, Any] | None:
    """Return the phrase that is playing; None where none are counted."""
    s, t = p.settings, p.transport
    if not s.phrase:
        return None
    clock = max(t.song_clock, 0)
    phrase, at = lookahead.phrase_at(p, clock, p.melody.cycle, max(t.playhead.phase, 0))
    whole = phrase.end - phrase.start
    return {
        "number": phrase.number,
        "place": min(1.0, max(0.0, (at - phrase.start) / whole)) if whole else 0.0,
        "bar": int((at - phrase.start) * s.phrase // whole) + 1 if whole else 1,
        "bars": s.phrase,
        "in_breath": at >= phrase.silence,
        "visits_home": lookahead.visits(p, phrase),
    }


def _sounding(p: Performer) -> dict[str, Any]:
    """Return what tension makes of the parameters that it moves: name -> value and words."""
    moved = tension.sounding(p.values)
    return {name: {"value": value, "shown": show(name, value, p.setup.middle_c)} for name, value in moved.items()}


def home_share(p: Performer) -> float:
    """Return the share of the visible steps that are at home, 0 to 1."""
    m, length = p.melody, p.settings.length
    return sum(same_music(m.steps[i], m.home[i]) for i in range(length)) / length


def _lists(p: Performer) -> dict[str, tuple[str, ...]]:
    named = {name: row.choices for name, row in PARAMETERS.items() if row.choices}
    return {**named, **p.lists()}


def _bars_left(p: Performer, bars: float, since: float) -> float:
    return max(0.0, bars - (acting.ramp_place(p) - since))


def _transport(p: Performer) -> dict[str, Any]:
    t = p.transport
    pulses = p.by_pulses
    bar, beat, _ = t.bars.position(max(t.song_clock, 0))
    present = p.clock_is_present()
    interval = t.pulse.interval if pulses else t.follower.interval
    return {
        "running": t.running,
        "armed": t.armed,
        "source": p.setup.clock.source,
        "mode": p.setup.clock.mode,
        "state": _state(p),
        "song_clock": t.song_clock if t.song_clock >= 0 else None,
        "bar": 0 if pulses or t.song_clock < 0 else bar,
        "beat": 0 if pulses or t.song_clock < 0 else beat,
        "step": t.playhead.index + 1,
        "next_step": t.playhead.peek()[0] + 1,
        "cycle": p.melody.cycle,
        "phase": t.phase,
        "clock_present": present,
        "tempo": None if pulses else t.follower.tempo(),
        "interval_ns": interval,
        "jitter_ms": None if pulses else t.follower.jitter(),
        "dropouts": t.follower.dropouts + t.losses,
        "clocks": t.follower.count,
        "pulses": t.pulse.count,
        "words": words(p),
    }


def _state(p: Performer) -> str:
    t = p.transport
    if p.ending > 1:
        return "ending"
    if p.values["mute"]:
        return "muted"
    if p.by_pulses:
        return "playing" if acting.is_moving(p) else "stopped"
    return "playing" if t.running else "armed" if t.armed else "stopped"


def words(p: Performer) -> str:
    """Return one sentence for a person: what is happening, and what to do."""
    t, clock = p.transport, p.setup.clock
    if p.ending > 1:
        return "ending: the root is held, then the line mutes"
    if clock.mode == "pulses":
        if not t.pulse.count:
            return "no pulse yet: each one plays a step; check the cable and the rig's pulse"
        if not acting.is_moving(p):
            return "waiting for the next pulse"
    elif t.lost:
        return "the clock has stopped coming: check the cable and the sender; the line goes on when it is back"
    elif t.armed:
        return "Start has come: the first clock begins the line"
    elif not t.running:
        if clock.source == "internal":
            return "the internal clock is stopped: start begins it"
        if p.clock_is_present():
            return "clock arriving, no Start yet: press Start on the sender, or join"
        if t.follower.count:
            return "stopped, and no clock: start the sender"
        return "no clock yet: check the cable and what is patched to the clock port"
    if p.values["mute"]:
        return "muted: the line goes on unheard; mute again lets it play"
    if p.values["hold"]:
        return "playing, held: nothing mutates; hold again lets it mutate"
    if p.melody.settle_left:
        return f"playing, settling: {p.melody.settle_left} whole cycles before anything mutates"
    if t.phase in ("estimated", "unknown"):
        return f"playing, phase {t.phase}: downbeat sets it right"
    return "playing"


def _line(p: Performer) -> dict[str, Any]:
    m, s = p.melody, p.settings
    return {
        "length": s.length,
        "steps": [_step(p, i) for i in range(len(m.steps))],
        "at_home_share": home_share(p),
        "low": s.lens.low,
        "high": s.lens.high,
        "root": p.values["root"],
        "scale": p.values["scale"],
        "scale_offsets": list(s.lens.scale.offsets),
        "tones": list(s.lens.tones),
    }


@lru_cache(16)
def _volts(voice: Voice) -> tuple[float | None, ...]:
    """Return what a voice's interface puts out for each note 0 to 127; None where it rests."""
    if voice.voltage is None:
        return (None,) * 128
    low, high = voice_range(voice)
    sent = [fit_note(note + voice.transpose, low, high, voice.out_of_range) for note in range(128)]
    return tuple(None if note is None else round(note_volts(voice.voltage, note), 4) for note in sent)


def _step(p: Performer, i: int) -> dict[str, Any]:
    m, s = p.melody, p.settings
    wired = next((voice for voice in p.setup.voices if voice.voltage is not None), None)
    step, home = m.steps[i], m.home[i]
    note = s.lens.sound(step, s.degrees, s.semitones)
    accent = is_accented(step, s.accent)
    cycle, kind = m.changed[i]
    return {
        "index": i + 1,
        "pitch": step.pitch,
        "base": s.lens.base(step),
        "note": note,
        "name": note_name(note, p.setup.middle_c),
        "heard": lookahead.rhythm(p, step, i, m.passes)[0],
        "accented": accent,
        "velocity": s.velocity_of(step, accent),
        "linked": LINK_NAMES[link_of(step, s.slide)],
        "ratchet": ratchet_of(step, s.ratchet, s.ratchet_count),
        "rhythm": RHYTHM_NAMES[step.rhythm],
        "accent": ACCENT_NAMES[step.accented],
        "link": LINK_NAMES[step.linked],
        "pinned": step.pinned,
        "free": step.free,
        "forced_velocity": step.forced_velocity,
        "pass_number": step.pass_number,
        "pass_of": step.pass_of,
        "rest_roll": step.rest,
        "accent_roll": step.accent,
        "velocity_roll": step.velocity,
        "link_roll": step.link,
        "at_home": same_music(step, home),
        "home_note": s.lens.sound(home, s.degrees, s.semitones),
        "home_heard": lookahead.rhythm(p, home, i, m.passes)[0],
        "changed_cycle": cycle,
        "changed_kind": kind,
        "volts": None if wired is None else _volts(wired)[note],
    }


def _trail(p: Performer) -> dict[str, Any]:
    trail = p.melody.trail
    undone = trail.undone()
    last = list(trail.units)[-20:]
    return {
        "units": len(trail.units),
        "can_undo": trail.can_undo,
        "can_redo": trail.can_redo,
        "oldest_cycle": trail.oldest_cycle,
        "last": [
            {"number": u.number, "cycle": u.cycle, "kind": u.kind, "text": u.text, "undone": u.number in undone}
            for u in last
        ],
    }
