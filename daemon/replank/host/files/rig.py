"""The rig: what is plugged in, as `rig.yaml` says it.

The keys below are the whole format; `docs/files.md` is made from them.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from replank.control.setup import NO_CC, Clock, Input, Output, Setup, Trigger, Voice, Voltage
from replank.control.voltage import problems, voice_range
from replank.host.files.mistakes import BadFile, Mark, Mistake, quoted
from replank.host.files.profiles import load_profiles
from replank.host.files.reader import Reader
from replank.host.files.schema import Key
from replank.host.files.yaml_reader import Mapping, Node, Scalar, Sequence, read_yaml

FORMAT = 1

VOLTAGE_KEYS = (
    Key("law", "choice", "Volts an octave, or hertz a volt.", choices=("volts", "hertz")),
    Key("volts_per_octave", "float", "Volts of one octave (law volts).", ("per_octave",), 0.05, 5, "V"),
    Key("hertz_per_volt", "float", "Hertz at 1 V (law hertz).", (), 1, 5000, "Hz"),
    Key("zero_note", "note", "The note at 0 V (law volts)."),
    Key("range", "pair", "Volts that the output can give.", ("low", "high"), -15, 15, "V"),
    Key("bits", "int", "Resolution of the converter; 0 unknown.", (), 0, 24, "bits"),
    Key("controllers", "pair", "Volts of controller values 0 and 127.", ("cc_low", "cc_high"), -15, 15, "V"),
)
ACCENT_KEYS = (
    Key("cc", "controller", "Controller that rises on accents.", ("accent_cc",)),
    Key("value", "int", "Its value on an accent; 0 otherwise.", ("accent_on",), 1, 127),
    Key(
        "pulse_ms",
        "float",
        "Falls back after so many ms; 0 holds it for the step.",
        ("accent_pulse_ms",),
        0,
        1000,
        "ms",
    ),
    Key("note", "note or none", "Trigger note on accents.", ("accent_note",)),
    Key("channel", "int", "Channel of the trigger note.", ("accent_channel",), 1, 16),
    Key("note_ms", "float", "Length of the trigger note.", ("accent_note_ms",), 1, 1000, "ms"),
)
VELOCITY_KEYS = (
    Key("cc", "controller", "Controller that carries the velocity roll.", ("velocity_cc",)),
    Key("lsb", "bool", "Also sends the low seven bits, on the controller 32 above.", ("velocity_14bit",)),
    Key("note", "bool", "Off sends every note with velocity 64.", ("note_velocity",)),
    Key("curve", "float", "Bend of the velocities; 1 is linear.", ("velocity_curve",), 0.25, 4),
)
SLIDE_KEYS = (
    Key("switch", "bool", "Sends the portamento switch (CC 65) on slides.", ("slide_cc",)),
    Key("time", "controller", "Portamento time (CC 5) sent with it, 0 to 119.", ("slide_time",)),
)
VOICE_KEYS = (
    Key("name", "text", "For people."),
    Key("output", "output", "Name of the output that it is sent to; the first where none is named."),
    Key("channel", "int", "MIDI channel.", (), 1, 16),
    Key("transpose", "int", "Moves this voice.", (), -48, 48, "semitones"),
    Key("range", "notes", "The lowest and highest note that the receiver can play.", ("low", "high")),
    Key("out_of_range", "choice", "What notes outside the range become.", choices=("fold", "clamp", "rest")),
    Key("accent", "group", "How accents are sent besides velocity.", keys=ACCENT_KEYS),
    Key("velocity", "group", "How velocity is sent.", keys=VELOCITY_KEYS),
    Key("gate_scale", "float", "Factor on how long notes sound.", (), 0.1, 2),
    Key("delay_ms", "float", "This voice speaks so much later; below 0 ahead of its step, while the clock is steady.",
        (), -50, 500, "ms"),
    Key("canon_steps", "int", "Plays the line of so many steps ago: a canon.", (), 0, 64, "steps"),
    Key("degrees", "int", "Moves this voice along the scale.", (), -14, 14, "degrees"),
    Key("slide", "group", "What slides send besides overlapping notes.", keys=SLIDE_KEYS),
    Key("bend_range", "int", "Pitch bend of the receiver, either way; 0 sends no bend.", (), 0, 48, "semitones"),
    Key("cue", "bool", "Speaks only for steps edited by hand.", ("is_cue",)),
    Key("voltage", "table", "The voltages, where the output is a CV interface.", keys=VOLTAGE_KEYS, makes=Voltage),
    Key("tuning", "tuning", "Corrections sent as bend, as `replank tune` finds them.", (), -1200, 1200, "cents",
        example="{C2: 1.5, C3: -2}"),
)  # fmt: skip
OUTPUT_KEYS = (
    Key("name", "text", "The port's name."),
    Key("connect", "texts", "Parts of the names of what it is patched to.", example="[interface]"),
    Key("din", "bool", "A 5-pin cable: the same number of bytes each step."),
    Key("active_sensing", "bool", "Sends a sign of life, so that a receiver goes silent when the cable is out."),
    Key(
        "send_clock",
        "choice",
        "Clock sent on: thru as received, or generated anew, also from pulses.",
        choices=("none", "thru", "generate"),
    ),
    Key("cc_early", "bool", "Sends the controllers of the coming step in the gap before it."),
)
INPUT_KEYS = (
    Key("name", "text", "The port's name."),
    Key("role", "choice", "What arrives there.", choices=("clock", "knobs", "keyboard")),
    Key("connect", "texts", "Parts of the names of what is patched to it.", example="[stage clock]"),
    Key("profile", "text", "The profile that reads it (role knobs).", example="eight-knobs-eight-buttons"),
    Key("channel", "int", "Channel listened to; 0 all (role keyboard).", (), 0, 16),
)
CLOCK_KEYS = (
    Key("source", "choice", "Where time comes from.", choices=("external", "internal", "practice")),
    Key("mode", "choice", "MIDI clock, 24 a quarter note, or one pulse a step.", choices=("midi", "pulses")),
    Key("without_start", "choice", "What clock without Start does.", choices=("wait", "play")),
    Key("repeated_start", "choice", "What Start while playing does.", choices=("restart", "ignore")),
    Key(
        "dropouts",
        "choice",
        "What is done about clocks that do not come: made up, only waited for, or played on.",
        choices=("heal", "wait", "coast"),
    ),
    Key("pulse", "trigger", "What counts as a pulse (mode pulses)."),
    Key("reset", "trigger", "What returns to the first step (mode pulses)."),
    Key("reset_window_ms", "float", "A reset so soon after a pulse belongs to it.", (), 0, 50, "ms"),
    Key("end_beats", "int", "Beats that the last root of `end` is held.", (), 1, 64, "beats"),
)
RIG_KEYS = (
    Key("rig", "format", "Says that this is a rig, and the number of its format.", (), FORMAT, FORMAT),
    Key("middle_c", "int", "Octave number of note 60.", (), 3, 5),
    Key("a4", "float", "Pitch of note 69.", (), 380, 500, "Hz"),
    Key("audition", "choice", "Whether steps edited by hand sound at once.", choices=("on", "cue", "off")),
    Key("keyboard", "choice", "What keys (role keyboard) do.", choices=("transpose", "root", "write", "catch", "off")),
    Key("clock", "table", "How time reaches the line.", keys=CLOCK_KEYS, makes=Clock),
    Key("inputs", "rows", "MIDI inputs of ours.", (), 1, 16, keys=INPUT_KEYS, makes=Input),
    Key("outputs", "rows", "MIDI outputs of ours.", (), 1, 16, keys=OUTPUT_KEYS, makes=Output),
    Key("voices", "rows", "The ways in which the line is sent.", (), 1, 32, keys=VOICE_KEYS, makes=Voice),
    Key("scales", "scales in cents", "Scales of your own: cents of each degree above the root, below 1200.",
        ("user_scales",), example="{slow fifths: [0, 240, 702]}"),
    Key("values", "parameters", "Parameters that differ from their defaults here.", example="{retrigger_gap: 8}"),
)  # fmt: skip


def default_setup() -> Setup:
    """Return the setup without any file: ports clock, knobs and out, one voice."""
    return Setup()


def load_rig(path: str | os.PathLike[str], advice: list[Mistake] | None = None) -> Setup:
    """Read a rig and the profiles that it names.

    Args:
        path: The file.
        advice: What is allowed but should be known is added to it.

    Raises:
        BadFile: With every mistake of the rig, or those of its profiles.
    """
    setup, reader = read_rig(read_yaml(path), path)
    if advice is not None:
        advice += reader.advice
    return setup


def read_rig(top: Mapping, path: str | os.PathLike[str]) -> tuple[Setup, Reader]:
    """Return the setup of a rig's nodes, and the reader with its advice.

    Raises:
        BadFile: As `load_rig`.
    """
    reader = Reader(_middle_c(top))
    if "scales" in top.pairs:  # before the parameters, which may name them
        order = {name: top.pairs[name] for name in sorted(top.pairs, key=lambda name: name != "scales")}
        top = Mapping(top.mark, order)
    reader.outputs = outputs = _names(top, "outputs", Output)
    if "rig" not in top.pairs:
        reader.refuse(top.mark, f"a rig says so with 'rig: {FORMAT}'")
    made = reader.table(top, RIG_KEYS, "a rig")
    _check_names(reader, top, "outputs", outputs)
    _check_names(reader, top, "inputs", _names(top, "inputs", Input))
    voices = list(zip(_items(top, "voices"), made.get("voices", ()), strict=False))
    for number, (node, voice) in enumerate(voices):
        _check_voice(reader, node, voice)
        _check_trigger(reader, node, voice, [other for _, other in voices], number)
        if voice.delay_ms < 0 and getattr(made.get("clock"), "mode", "") == "pulses":
            reader.advise(node.mark, "a delay_ms below 0 does nothing with pulses: none can be foretold")
    named = [_at(node, "profile") for node in _items(top, "inputs")]
    _check_clock(reader, made.get("clock", Clock()), top)
    profiles, wrong = load_profiles(
        [(row[0], row[1]) for row in named if row], Path(path).parent, reader.scales, reader.middle_c
    )
    if reader.mistakes or wrong:
        raise BadFile(reader.mistakes + wrong)
    return Setup(**made, profiles=profiles), reader


def _middle_c(top: Mapping) -> int:
    """Return the octave of note 60 before anything is read by it; a wrong one is told later."""
    found = _at(top, "middle_c")
    return int(found[0]) if found and found[0] in ("3", "4", "5") else 4


def _at(node: Node, key: str) -> tuple[str, Mark] | None:
    """Return the text and place of a mapping's value, if it is one."""
    if not isinstance(node, Mapping) or key not in node.pairs:
        return None
    value = node.pairs[key][1]
    return (" ".join(value.text.split()), value.mark) if isinstance(value, Scalar) else None


def _items(top: Node, key: str) -> tuple[Node, ...]:
    value = top.pairs[key][1] if isinstance(top, Mapping) and key in top.pairs else None
    return value.items if isinstance(value, Sequence) else ()


def _names(top: Mapping, key: str, kind: type[Input] | type[Output]) -> list[str]:
    default = kind().name
    found = [_at(node, "name") for node in _items(top, key)]
    return [row[0] if row else default for row in found] or [default]


def _check_names(reader: Reader, top: Mapping, key: str, names: list[str]) -> None:
    for number, node in enumerate(_items(top, key)):
        if names[number] in names[:number]:
            reader.refuse(node.mark, f"{key}: {quoted(names[number])} is the name of another; give each its own")


def _check_voice(reader: Reader, node: Node, voice: Voice) -> None:
    """Refuse controllers that would carry two things on one voice."""
    seen: dict[int, str] = {}
    for number, what in _controllers(voice):
        if number in seen:
            reader.refuse(node.mark, f"cc {number} would carry {seen[number]} and {what}; give them two, or none")
        seen.setdefault(number, what)
    if voice.velocity_14bit and not 0 <= voice.velocity_cc <= 31:
        reader.refuse(node.mark, "velocity lsb needs a controller 0 to 31; its low part is 32 above (MIDI 1.0, p. 11)")
    if voice.voltage is not None:
        for what in problems(voice.voltage, reader.middle_c):
            reader.refuse(node.mark, f"voltage: {what}")
        low, high = voice_range(voice)
        if low > high:
            reader.refuse(node.mark, "no note lies both in 'range' and inside the voltage range")
    if voice.tuning and not voice.bend_range:
        reader.advise(node.mark, "tuning does nothing while bend_range is 0")


def _controllers(voice: Voice) -> list[tuple[int, str]]:
    """Return every controller that a voice sends, and what it carries."""
    rows = [(voice.accent_cc, "accent"), (voice.velocity_cc, "velocity")]
    if voice.velocity_14bit:
        rows.append((voice.velocity_cc + 32, "the low part of velocity"))
    if voice.slide_cc:
        rows.append((65, "slides"))
        if voice.slide_time != NO_CC:
            rows.append((5, "the time of slides"))
    if voice.bend_range:
        rows += [(number, "the bend range") for number in (6, 38, 100, 101)]  # registered parameter 0
    return [row for row in rows if row[0] != NO_CC]


def _check_trigger(reader: Reader, node: Node, voice: Voice, voices: list[Voice], number: int) -> None:
    """Refuse a trigger note where notes or other triggers go: its release would end them."""
    if voice.accent_note == NO_CC:
        return
    place = (voice.output, voice.accent_channel)
    for at, other in enumerate(voices):
        if (other.output, other.channel) == place:
            what = f"the trigger note of accents is on channel {voice.accent_channel}, where {quoted(other.name)} plays"
            reader.refuse(node.mark, f"{what}; give it a channel of its own")
            return
        if at < number and (other.output, other.accent_channel, other.accent_note) == (*place, voice.accent_note):
            reader.refuse(node.mark, f"{quoted(other.name)} has the same trigger note on the same channel")
            return


def _check_clock(reader: Reader, clock: Any, top: Mapping) -> None:
    """Refuse one message that would be pulse and reset at once."""
    if isinstance(clock, Clock) and clock.mode == "pulses":
        mark = top.pairs["clock"][0]
        if not clock.pulse.kind:
            reader.refuse(mark, "mode pulses needs a pulse, such as 'pulse: note'")
        elif clock.pulse == clock.reset and clock.reset != Trigger():
            reader.refuse(mark, "pulse and reset are the same message")
