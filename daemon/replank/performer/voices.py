"""Voices: one line, sent to one or more outputs.

A `Sound` is what a step comes to before any voice: rest, strike, slide or
go-on.  The `Band` turns it into each voice's messages, remembers what sounds
where, and is the only place that makes note-ons and note-offs.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, NamedTuple

from replank.control.bend import bend_range_messages
from replank.control.setup import NO_CC, Setup, Voice
from replank.control.voltage import fit_note, voice_range
from replank.line.pitch import note_name
from replank.performer.controllers import MS, Controllers

if TYPE_CHECKING:
    from replank.performer.core import Performer

REST, STRIKE, SLIDE, GO_ON, HOLD_ON = 0, 1, 2, 3, 4
"""Kinds of sound: silence; a struck note; a note that the last one overlaps
into; the last note runs on unstruck; it is held through a rest."""


class Sound(NamedTuple):
    """What a step comes to.

    Attributes:
        kind: REST, STRIKE, SLIDE, GO_ON or HOLD_ON.
        index: 0-based step.
        base: Pitch in register and scale, before transposition.
        note: Pitch after both transpositions, before the voice's own.
        velocity: 1 to 127.
        roll: For the velocity controller, [0, 1): the velocity roll, or what stands for a forced velocity.
        accent: True where accented.
        gate: Nanoseconds from the strike to the release.
        cents: Deviation of the scale's degree from its semitone.
        refresh: True on the first step of a cycle: every controller goes out again.
        ratchet: Strikes in all.
        spacing: Nanoseconds between them.
        tied: True where the next step ends or prolongs it, and the gate only if none comes.
        soft: Velocity without an accent, 1 to 127: of the strikes after the first.
    """

    kind: int
    index: int = 0  # type: ignore[assignment]  # hides tuple.index, which nobody calls on a sound
    base: int = 60
    note: int = 60
    velocity: int = 64
    roll: float = 0.5
    accent: bool = False
    gate: int = 100 * MS
    cents: float = 0.0
    refresh: bool = False
    ratchet: int = 1
    spacing: int = 0
    tied: bool = False
    soft: int = 64


class Band(Controllers):
    """All voices of a setup."""

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self.ranges = [voice_range(voice) for voice in self.voices]
        self.past: deque[Sound] = deque(maxlen=65)
        places = [(voice.output, voice.channel) for voice in self.voices]
        self.shared = len(set(places)) < len(places)
        self.bends = any(voice.bend_range for voice in self.voices)
        self.earlies = [
            i
            for i, voice in enumerate(self.voices)
            if voice.delay_ms < 0 and not voice.is_cue and setup.clock.mode == "midi"
        ]
        self.lags = any(voice.canon_steps for voice in self.voices)
        self.are_prompt = not any(voice.is_cue or voice.canon_steps or voice.delay_ms for voice in self.voices)
        self.cue = next((i for i, voice in enumerate(self.voices) if voice.is_cue), -1)

    # -- playing ---------------------------------------------------------------

    def play(self, p: Performer, sound: Sound) -> None:
        """Send a step to every voice."""
        if self.lags:
            self.past.append(sound)
        if self.are_prompt:
            for i in range(len(self.voices)):
                self.speak(p, i, sound)
            return
        for i, voice in enumerate(self.voices):
            if voice.is_cue:
                continue
            mine = sound
            if voice.canon_steps:
                if len(self.past) <= voice.canon_steps:
                    continue
                mine = self.past[-1 - voice.canon_steps]
                if i not in self.earlies:
                    self._repeat(p, i, mine)
            if i in self.earlies:
                self._in_time(p, i, mine)
            elif voice.delay_ms > 0:
                p.schedule(p.now + int(voice.delay_ms * MS), "late", [i, *mine])
            else:
                self.speak(p, i, mine)

    def _repeat(self, p: Performer, i: int, sound: Sound) -> None:
        """Let a voice strike a step's ratchet by itself: a canon, or one that has spoken ahead of it."""
        wait = max(0, int(self.voices[i].delay_ms * MS)) - lead_ns(self.voices[i]) * self.states[i].led
        if sound.kind in (STRIKE, SLIDE):
            again = struck_again(sound)
            for n in range(1, sound.ratchet):
                p.schedule(p.now + wait + n * sound.spacing, "late", [i, *again])

    # -- ahead of the step -------------------------------------------------------

    def speak_early(self, p: Performer, i: int, sound: Sound, number: int, index: int) -> None:
        """Let a voice speak ahead of a strike: of the playhead's advance `number`, at the place `index`."""
        self.speak(p, i, sound)
        self.states[i].spoken = [number, index]

    def _in_time(self, p: Performer, i: int, sound: Sound) -> None:
        """A step is struck: a voice that spoke ahead of it learns how long it sounds; one that did not speaks."""
        voice, state, t = self.voices[i], self.states[i], p.transport
        lead = lead_ns(voice) if t.judge.steady else 0
        state.led = state.spoken == [t.playhead.advances, t.playhead.index] and sound.kind in (STRIKE, SLIDE)
        state.spoken = []
        if state.led or voice.canon_steps:
            self._repeat(p, i, sound)
        if not state.led:
            self.speak(p, i, sound._replace(gate=max(1, sound.gate - lead)))
            return
        state.tied = sound.tied and state.held >= 0
        if state.held >= 0:
            self._hold(p, i, sound.gate, lead)

    def pass_silently(self, p: Performer, sound: Sound) -> None:
        """Let a silenced step pass: accents go down, what sounds keeps its gate and no more; HOLD_ON holds it."""
        if self.lags:
            self.past.append(sound)
        for i, state in enumerate(self.states):
            lag = self.voices[i].canon_steps
            mine = sound if not lag else self.past[-1 - lag] if len(self.past) > lag else None
            state.spoken = []
            if mine is not None and mine.kind == HOLD_ON and state.held >= 0:
                state.tied = mine.tied
                self._hold(p, i, mine.gate)
                continue
            if state.tied and state.held >= 0:
                self.release(p, i)
            if state.accent > 0:
                self._accent(p, i, 0)

    def ahead(self, p: Performer, i: int, accent: bool, roll: float, struck: bool, begins: bool) -> None:
        """Let a voice that wants it have the controllers of the coming step; a canon has its own step."""
        lag = self.voices[i].canon_steps
        if lag:
            if len(self.past) < lag:
                return
            mine = self.past[-lag]
            struck, accent, roll, begins = mine.kind in (STRIKE, SLIDE), mine.accent, mine.roll, mine.refresh
        if struck:
            self.send_ahead(p, i, accent, roll, begins)

    def again(self, p: Performer, sound: Sound, is_repeat: bool = False) -> None:
        """Strike once more within a step, on every voice that is not a canon and has no ratchet of its own."""
        for i, voice in enumerate(self.voices):
            if voice.is_cue or voice.canon_steps or (is_repeat and self.states[i].led):
                continue
            if voice.delay_ms > 0:
                p.schedule(p.now + int(voice.delay_ms * MS), "late", [i, *sound])
            else:
                self.speak(p, i, sound)

    def speak(self, p: Performer, i: int, sound: Sound) -> None:
        """Send one sound to one voice now."""
        state, kind = self.states[i], sound.kind
        if kind == HOLD_ON:
            self._hold_on(p, i, sound)
            return
        note = None if kind == REST else self._pitch(p, i, sound)
        if note is None:
            state.tied = False
            self._rest(p, i, sound.refresh)
            return
        state.tied, held = sound.tied, state.held
        if kind == SLIDE and (held < 0 or note == held):
            kind = STRIKE if held < 0 else GO_ON
        if kind != GO_ON:
            self._strike(p, i, sound, note, kind)
        elif held >= 0:
            self._hold(p, i, sound.gate)

    def _hold_on(self, p: Performer, i: int, sound: Sound) -> None:
        """Hold what sounds through a rest, accent and velocity as they are; a DIN cable is told them again."""
        voice, state = self.voices[i], self.states[i]
        if sound.refresh:
            self.refresh(p, i)
        elif self.din[i]:
            if voice.accent_cc != NO_CC:
                self._controller(p, i, voice.accent_cc, max(state.accent, 0))
            self.tell_velocity(p, i)
        if state.held >= 0:
            state.tied = sound.tied
            self._hold(p, i, sound.gate)

    def _rest(self, p: Performer, i: int, refresh: bool) -> None:
        state = self.states[i]
        if state.held >= 0:
            self.release(p, i)
        if refresh:
            self.refresh(p, i)
        if state.accent > 0 or (self.din[i] and self.voices[i].accent_cc != NO_CC):
            self._accent(p, i, 0)

    def _strike(self, p: Performer, i: int, sound: Sound, note: int, kind: int) -> None:
        voice, state, din = self.voices[i], self.states[i], self.din[i]
        out, old = voice.output, state.held
        every = sound.refresh or din
        told, state.early = state.early, False
        if kind == STRIKE:
            if old >= 0:
                self.release(p, i)
            elif din:
                # A constant number of bytes in a step keeps the note's place on a
                # slow cable; a redundant release is harmless (MIDI 1.0, A-4).
                p.send(out, self.note_offs[i][state.last if state.last >= 0 else note])
        if self.shared:
            self._free_for(p, i, note)
        if p.tuning:
            p.end_tuning(note)
        if voice.slide_cc:
            self._portamento(p, i, kind == SLIDE, every)
        if voice.bend_range:
            self._bend(p, i, note, self._cents(p, i, sound), every)
        if voice.accent_cc != NO_CC:
            value = voice.accent_on if sound.accent else 0
            if (every and not told) or value != state.accent:
                self._accent(p, i, value)
        if voice.velocity_cc != NO_CC:
            self._velocity_controller(p, i, sound.roll, every and not told)
        if sound.accent and voice.accent_note != NO_CC:
            self._trigger(p, i)
        velocity = curved(sound.velocity, voice.velocity_curve) if voice.note_velocity else 64
        p.send(out, bytes((0x8F + voice.channel, note, velocity)))
        p.notes += 1
        if kind == SLIDE and old >= 0:
            p.send(out, self.note_offs[i][old])
        state.held = state.last = note
        self._hold(p, i, sound.gate)
        if sound.refresh and voice.bend_range:
            for message in bend_range_messages(voice.channel, voice.bend_range):
                p.send(out, message)

    def _cents(self, p: Performer, i: int, sound: Sound) -> float:
        """Return the deviation of the degree that a voice plays."""
        if not self.voices[i].degrees:
            return sound.cents
        moved = p.moved_by_degrees(sound, self.voices[i].degrees)
        return p.settings.lens.deviation(moved, p.settings.semitones)

    def _hold(self, p: Performer, i: int, gate: int, lead: int = 0) -> None:
        """Let what a voice has sounding end after its share of the gate, `lead` ns sooner."""
        state, scale = self.states[i], self.voices[i].gate_scale
        state.token += 1
        length = gate if scale == 1.0 else int(gate * scale)
        p.schedule(p.now + length - lead, "off", [i, state.token])

    def _pitch(self, p: Performer, i: int, sound: Sound) -> int | None:
        voice, state = self.voices[i], self.states[i]
        note = p.moved_by_degrees(sound, voice.degrees) if voice.degrees else sound.note
        note += voice.transpose
        low, high = self.ranges[i]
        if low <= note <= high:
            return note
        sent = fit_note(note, low, high, voice.out_of_range)
        if note not in state.announced:
            state.announced = [*state.announced[-31:], note]
            middle_c = p.setup.middle_c
            how = "rested" if sent is None else f"{voice.out_of_range}ed to {note_name(sent, middle_c)}"
            p.notice("out_of_range", voice=voice.name, note=note_name(note, middle_c), sent=sent, how=how)
        return sent

    # -- releasing -------------------------------------------------------------

    def release(self, p: Performer, i: int) -> None:
        """Release what a voice has sounding, unless another voice holds the same note."""
        state = self.states[i]
        note, state.held = state.held, -1
        state.token += 1
        p.send(self.voices[i].output, self.note_offs[i][note])

    def _free_for(self, p: Performer, i: int, note: int) -> None:
        # Two voices on one channel must not hold one note twice: whoever strikes
        # it takes it over, so that every note-on keeps exactly one note-off.
        place = (self.voices[i].output, self.voices[i].channel)
        for j, other in enumerate(self.voices):
            if j != i and (other.output, other.channel) == place and self.states[j].held == note:
                self.release(p, j)

    def off(self, p: Performer, i: int, token: int) -> None:
        """A release is due: does nothing where a later note took its place."""
        if i < len(self.states):
            state = self.states[i]
            if state.token == token and state.held >= 0:
                self.release(p, i)

    def release_all(self, p: Performer, output: int = -1) -> int:
        """Release everything that sounds; return how many notes that was."""
        count = 0
        for i, state in enumerate(self.states):
            if output not in (-1, self.voices[i].output):
                continue
            if state.held >= 0:
                self.release(p, i)
                count += 1
            state.spoken = []
            self.end_trigger(p, i)
        return count

    def sounding(self) -> list[tuple[int, int, int]]:
        """Return (output, channel 1 to 16, note) of everything that sounds."""
        found = [
            (voice.output, voice.channel, state.held)
            for voice, state in zip(self.voices, self.states, strict=True)
            if state.held >= 0
        ]
        found += [
            (voice.output, voice.accent_channel, voice.accent_note)
            for voice, state in zip(self.voices, self.states, strict=True)
            if state.trigger
        ]
        return found

    def channels(self) -> list[tuple[int, int]]:
        """Return each (output, channel) that a voice uses, once."""
        used = {(voice.output, voice.channel) for voice in self.voices}
        used |= {(voice.output, voice.accent_channel) for voice in self.voices if voice.accent_note != NO_CC}
        return sorted(used)

    def save(self) -> list[Any]:
        """Return the states of all voices as plain data."""
        return [[state.save() for state in self.states], [list(sound) for sound in self.past]]

    def load(self, plain: list[Any]) -> None:
        """Take over what `save` returned."""
        for state, saved in zip(self.states, plain[0], strict=True):
            state.load(saved)
        self.past.extend(Sound(*sound) for sound in plain[1])


def lead_ns(voice: Voice) -> int:
    """Return how far ahead of its step a voice speaks, ns; 0 for one that does not."""
    return max(0, int(-voice.delay_ms * MS))


def struck_again(sound: Sound) -> Sound:
    """Return what a further strike within a step is: the accent is on the first alone."""
    return sound._replace(kind=STRIKE, accent=False, velocity=sound.soft, refresh=False, ratchet=1)


def curved(velocity: int, bend: float) -> int:
    """Return a velocity, 1 to 127, bent by x / (x + bend (1 - x)): 1 straight, above 1 softer."""
    if bend == 1.0:
        return velocity
    # A rational curve, not a power: pow may differ in its last bit between machines.
    x = velocity / 127.0
    return max(1, min(127, int(127.0 * x / (x + bend * (1.0 - x)) + 0.5)))
