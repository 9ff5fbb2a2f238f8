"""Controllers of the voices: accent, velocity, portamento, bend, trigger notes.

What each receiver was last told is remembered, so that what has not changed
may be left out, and is sent again where a receiver may have been switched off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.bend import bend_message, bend_range_messages, note_bend
from replank.control.setup import NO_CC, Setup, Voice
from replank.performer.messages import NOTE_OFF_VELOCITY, control_changes, note_offs

if TYPE_CHECKING:
    from replank.performer.core import Performer

MS = 1_000_000
_PORTAMENTO_SWITCH, _PORTAMENTO_TIME = 65, 5


class VoiceState:
    """What a voice has sounding and what its receiver was last told."""

    __slots__ = (
        "accent", "announced", "bend", "cents", "early", "held", "last", "led", "slide", "spoken", "tied", "token",
        "trigger", "velocity",
    )  # fmt: skip

    def __init__(self) -> None:
        self.held = -1  # sounding note; -1 none
        self.last = -1  # the last note struck, for the redundant release on a DIN cable
        self.tied = False  # the next step ends or prolongs the sounding note
        self.token = 0  # tells a release that came too late from one that is due
        self.accent = -1  # last accent controller value; -1 not known to the receiver
        self.velocity = -1
        self.bend = -1
        self.cents = 0.0  # of the sounding note's degree
        self.slide = -1
        self.early = False  # accent and velocity of the coming step have been sent
        self.spoken: list[int] = []  # the strike that it has spoken ahead of: number and place; empty: none
        self.led = False  # it spoke ahead of the present strike
        self.trigger = False  # accent trigger note sounding
        self.announced: list[int] = []  # notes already said to be out of range

    def save(self) -> list[Any]:
        """Return the state as plain data, in the order of the slots."""
        return [getattr(self, name) for name in self.__slots__]

    def load(self, plain: list[Any]) -> None:
        """Take over what `save` returned."""
        for name, value in zip(self.__slots__, plain, strict=True):
            setattr(self, name, list(value) if isinstance(value, list) else value)


class Controllers:
    """The controllers of all voices of a setup."""

    def __init__(self, setup: Setup) -> None:
        self.voices: tuple[Voice, ...] = setup.voices
        self.states = [VoiceState() for _ in self.voices]
        self.aheads = [
            i
            for i, voice in enumerate(setup.voices)
            if setup.outputs[voice.output].cc_early and not voice.is_cue and not voice.delay_ms
        ]
        self.note_offs = [note_offs(voice.channel) for voice in self.voices]
        self.din = [setup.outputs[voice.output].din for voice in self.voices]

    def _controller(self, p: Performer, i: int, number: int, value: int) -> None:
        voice = self.voices[i]
        p.send(voice.output, control_changes(voice.channel, number)[value])

    def _accent(self, p: Performer, i: int, value: int) -> None:
        voice, state = self.voices[i], self.states[i]
        self._controller(p, i, voice.accent_cc, value)
        state.accent = value
        if value and voice.accent_pulse_ms:
            p.schedule(p.now + int(voice.accent_pulse_ms * MS), "pulse", [i])

    def end_pulse(self, p: Performer, i: int) -> None:
        """Take an accent controller back to 0 after its pulse."""
        if i < len(self.states) and self.states[i].accent > 0:
            self._accent(p, i, 0)

    def _velocity_controller(self, p: Performer, i: int, roll: float, every: bool) -> None:
        voice, state = self.voices[i], self.states[i]
        value = int(roll * 16384) if voice.velocity_14bit else int(roll * 128)
        if every or value != state.velocity:
            state.velocity = value
            self.tell_velocity(p, i)

    def tell_velocity(self, p: Performer, i: int) -> None:
        """Send the velocity controller as it is: both parts, the high one first, where it has 14 bits."""
        voice, value = self.voices[i], self.states[i].velocity
        if voice.velocity_cc == NO_CC or value < 0:
            return
        if voice.velocity_14bit:
            self._controller(p, i, voice.velocity_cc, value >> 7)
            self._controller(p, i, voice.velocity_cc + 32, value & 127)
        else:
            self._controller(p, i, voice.velocity_cc, value)

    def send_ahead(self, p: Performer, i: int, accent: bool, roll: float, begins: bool) -> None:
        """Send the coming strike's accent and velocity in the gap before it, so that its note is not held up."""
        voice, state = self.voices[i], self.states[i]
        every = begins or self.din[i]
        if voice.accent_cc != NO_CC:
            value = voice.accent_on if accent else 0
            if every or value != state.accent:
                self._accent(p, i, value)
        if voice.velocity_cc != NO_CC:
            self._velocity_controller(p, i, roll, every)
        state.early = True

    def _portamento(self, p: Performer, i: int, on: bool, every: bool) -> None:
        voice, state, value = self.voices[i], self.states[i], 127 if on else 0
        if every or value != state.slide:
            if on and voice.slide_time != NO_CC:
                self._controller(p, i, _PORTAMENTO_TIME, voice.slide_time)
            self._controller(p, i, _PORTAMENTO_SWITCH, value)
            state.slide = value

    def _bend(self, p: Performer, i: int, note: int, degree_cents: float, every: bool) -> None:
        voice, state = self.voices[i], self.states[i]
        bend = note_bend(
            note,
            voice.bend_range,
            fine_tune=p.settings.fine_tune,
            a4=p.setup.a4,
            tuning=voice.tuning,
            degree_cents=degree_cents,
        )
        state.cents = degree_cents
        if every or bend.value != state.bend:
            p.send(voice.output, bend_message(voice.channel, bend.value))
            state.bend = bend.value

    def hold_for_tuning(self, p: Performer, i: int, note: int, velocity: int) -> None:
        """Strike a note that nothing releases, corrected and with the bend range told anew."""
        voice = self.voices[i]
        if voice.bend_range:
            for message in bend_range_messages(voice.channel, voice.bend_range):
                p.send(voice.output, message)
            self._bend(p, i, note, 0.0, True)
        p.send(voice.output, bytes((0x90 | (voice.channel - 1), note, velocity)))
        p.notes += 1

    def bend_sounding(self, p: Performer) -> None:
        """Let what sounds follow a change of the fine tuning."""
        for i, state in enumerate(self.states):
            if state.held >= 0 and self.voices[i].bend_range:
                self._bend(p, i, state.held, state.cents, False)

    def _trigger(self, p: Performer, i: int) -> None:
        voice, state = self.voices[i], self.states[i]
        if state.trigger:
            self.end_trigger(p, i)
        if p.tuning:
            p.end_tuning(voice.accent_note)
        p.send(voice.output, bytes((0x90 | (voice.accent_channel - 1), voice.accent_note, 127)))
        state.trigger = True
        p.schedule(p.now + int(voice.accent_note_ms * MS), "trigger", [i])

    def end_trigger(self, p: Performer, i: int) -> None:
        """Release an accent's trigger note."""
        if i < len(self.states) and self.states[i].trigger:
            voice = self.voices[i]
            p.send(voice.output, bytes((0x80 | (voice.accent_channel - 1), voice.accent_note, NOTE_OFF_VELOCITY)))
            self.states[i].trigger = False

    def refresh(self, p: Performer, i: int, with_range: bool = True) -> None:
        """Send a voice's controllers and bend again, and the bend range where it is wanted."""
        voice, state = self.voices[i], self.states[i]
        state.early = False
        if voice.accent_cc != NO_CC:
            self._controller(p, i, voice.accent_cc, max(state.accent, 0))
            state.accent = max(state.accent, 0)
        self.tell_velocity(p, i)
        if voice.slide_cc:
            self._portamento(p, i, state.slide > 0, True)
        if voice.bend_range:
            for message in bend_range_messages(voice.channel, voice.bend_range) if with_range else ():
                p.send(voice.output, message)
            state.bend = state.bend if state.bend >= 0 else 8192
            p.send(voice.output, bend_message(voice.channel, state.bend))

    def refresh_all(self, p: Performer, output: int = -1, with_range: bool = True) -> None:
        """Send the controllers of every voice again, or of those on one output."""
        for i, voice in enumerate(self.voices):
            if output in (-1, voice.output):
                self.refresh(p, i, with_range)

    def rest_values(self, p: Performer) -> None:
        """Send accent, portamento and bend back to rest; velocity keeps its value."""
        for i, voice in enumerate(self.voices):
            state = self.states[i]
            if voice.accent_cc != NO_CC and state.accent != 0:
                self._accent(p, i, 0)
            if voice.slide_cc and state.slide != 0:
                self._portamento(p, i, False, True)
            if voice.bend_range and state.bend not in (-1, 8192):
                p.send(voice.output, bend_message(voice.channel, 8192))
                state.bend = 8192
