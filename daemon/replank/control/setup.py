"""What the performer is told about the rig, the set and the knob boxes.

A `Setup` is plain, validated data: files are read and checked elsewhere
(`replank.host.files`), so that a wrong file never reaches the performer.
`to_plain` and `from_plain` carry it through a pipe or a record.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

from replank.control.parameters import DEFAULTS
from replank.line.steps import Rolls, Written

NO_CC = -1
"""Controller number of a voice that sends none."""


@dataclass(frozen=True, slots=True)
class Voltage:
    """How a MIDI-to-CV output turns notes and controllers into volts.

    Attributes:
        law: ``volts`` per octave or ``hertz`` per volt.
        per_octave: Volts per octave (law ``volts``), usually 1.0.
        hertz_per_volt: Hertz at 1 V (law ``hertz``).
        zero_note: The note, 0 to 127, that is 0 V (law ``volts``).
        low, high: Output range in volts.
        bits: Converter resolution; 0 if unknown.
        cc_low, cc_high: Volts of controller values 0 and 127.
    """

    law: str = "volts"
    per_octave: float = 1.0
    hertz_per_volt: float = 55.0
    zero_note: int = 36
    low: float = 0.0
    high: float = 5.0
    bits: int = 0
    cc_low: float = 0.0
    cc_high: float = 5.0


@dataclass(frozen=True, slots=True)
class Voice:
    """One way in which the line is sent to one output.

    Attributes:
        name: For people.
        output: Index into `Setup.outputs`.
        channel: MIDI channel, 1 to 16.
        transpose: Semitones, -48 to 48.
        low, high: The notes that the receiver can play, 0 to 127.
        out_of_range: What happens to others: fold (by octaves), clamp, rest.
        accent_cc: Controller 0 to 119 that is `accent_on` on accents; NO_CC none.
        accent_on: Its value on an accent; 0 otherwise.
        accent_pulse_ms: Returns to 0 after so many ms; 0 holds it for the step.
        accent_note, accent_channel: Trigger note on accents; NO_CC none.
        accent_note_ms: Length of that trigger.
        velocity_cc: Controller that carries the velocity roll; NO_CC none.
        velocity_14bit: Also send its low part on `velocity_cc` + 32.
        note_velocity: False sends 64 (MIDI 1.0: a keyboard without velocity).
        velocity_curve: Bend of the velocities, 0.25 to 4; 1 is linear, above it softer.
        gate_scale: Factor on the gate, 0.1 to 2.
        delay_ms: The voice speaks so much later, up to 500, or so much ahead of
            its step, down to -50: while the clock is steady and the next step
            is certain, never with pulses; else on time.
        canon_steps, degrees: A canon: the line of so many steps ago, so many degrees up.
        slide_cc, slide_time: Portamento switch (CC 65) and time (CC 5) on slides; -1 none.
        bend_range: Semitones of pitch bend that the receiver has; 0 sends no bend.
        is_cue: True lets it speak only for auditioned edits.
        voltage: The voltage model, if the output is a CV interface.
        tuning: (note, cents) pairs, rising notes: corrections sent as bend.
    """

    name: str = "line"
    output: int = 0
    channel: int = 1
    transpose: int = 0
    low: int = 0
    high: int = 127
    out_of_range: str = "fold"
    accent_cc: int = 20
    accent_on: int = 127
    accent_pulse_ms: float = 0.0
    accent_note: int = NO_CC
    accent_channel: int = 10
    accent_note_ms: float = 10.0
    velocity_cc: int = 21
    velocity_14bit: bool = False
    note_velocity: bool = True
    velocity_curve: float = 1.0
    gate_scale: float = 1.0
    delay_ms: float = 0.0
    canon_steps: int = 0
    degrees: int = 0
    slide_cc: bool = False
    slide_time: int = NO_CC
    bend_range: int = 0
    is_cue: bool = False
    voltage: Voltage | None = None
    tuning: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Output:
    """One MIDI output port of ours.

    Attributes:
        name: ``out`` by default; the port's name ends in it.
        connect: Patterns of hardware or client names that the host patches to.
        din: True for a 5-pin DIN cable: constant bytes per step.
        active_sensing: True sends FE every 250 ms.
        send_clock: none, thru (clock, transport and song position passed on as they
            come) or generate (our own: also `join` starts it, and pulses become clocks).
        cc_early: True sends the controllers of the coming step in the gap before it.
    """

    name: str = "out"
    connect: tuple[str, ...] = ()
    din: bool = False
    active_sensing: bool = False
    send_clock: str = "none"
    cc_early: bool = False


@dataclass(frozen=True, slots=True)
class Input:
    """One MIDI input port of ours.

    Attributes:
        name: ``clock``, ``knobs`` or another.
        role: clock, knobs or keyboard.
        connect: Patterns of hardware or client names that the host patches to.
        profile: Name of the profile that reads it (role knobs).
        channel: Channel listened to, 1 to 16; 0 all (role keyboard).
    """

    name: str = "clock"
    role: str = "clock"
    connect: tuple[str, ...] = ()
    profile: str = ""
    channel: int = 0


@dataclass(frozen=True, slots=True)
class Trigger:
    """A MIDI message that stands for a pulse or a reset.

    Attributes:
        kind: note, cc, clock (F8) or start; empty: none.
        number: Note or controller number; -1 any.
        channel: 1 to 16; 0 any.
    """

    kind: str = ""
    number: int = -1
    channel: int = 0


@dataclass(frozen=True, slots=True)
class Clock:
    """How time reaches the line.

    Attributes:
        source: external, internal or practice.
        mode: midi (24 clocks per quarter) or pulses (one per step).
        without_start: wait or play: what clock without Start does.
        repeated_start: restart or ignore.
        pulse, reset: What counts as a pulse and a reset in mode pulses.
        dropouts: What is done about clocks that do not come: heal (they are made up), wait (only what comes is
            counted) or coast (the line plays on for up to 8 s).
        reset_window_ms: A reset so soon after a pulse belongs to it.
        end_beats: Beats that the last root of `end` is held.
    """

    source: str = "external"
    mode: str = "midi"
    without_start: str = "wait"
    repeated_start: str = "restart"
    pulse: Trigger = Trigger("note", -1, 0)
    reset: Trigger = Trigger("start", -1, 0)
    reset_window_ms: float = 5.0
    end_beats: int = 4
    dropouts: str = "heal"


@dataclass(frozen=True, slots=True)
class Arc:
    """How a piece plans a continuous parameter over its time.

    Attributes:
        name: The parameter.
        unit: minutes, or bars (cycles, with pulses), from the piece's beginning.
        points: (time, value) pairs, times strictly rising from 0 on; one at least.
    """

    name: str
    unit: str
    points: tuple[tuple[float, float], ...]

    def at(self, time: float) -> float:
        """Return the planned value: straight between points, level before the first and after the last."""
        last, value = self.points[0]
        for then, target in self.points:
            if time < then:
                return value if then == last else value + (target - value) * ((time - last) / (then - last))
            last, value = then, target
        return value


@dataclass(frozen=True, slots=True)
class PlanAct:
    """What a piece plans to happen at a bar.

    Attributes:
        bar: The bar of the piece (cycle, with pulses) at whose beginning it happens; the first is 1.
        text: An action of `replank.control.actions.PLANNED` or a value, as
            `replank.control.text.read_word` reads it, without a due.
    """

    bar: int
    text: str


@dataclass(frozen=True, slots=True)
class Piece:
    """A prepared starting point.

    Attributes:
        name: For people; untrusted text.
        values: Parameters that differ from the defaults.
        line: A written line, 1 to 64 steps; empty: one is drawn.
        rolls: Of each step of `line`; empty: drawn.
        home: The written home, as many steps; empty: the line is its own home.
        home_rolls: Of each step of `home`; empty: those of the line.
        seed: Seed of its chance; 0 a new one.
        minutes: Planned length; 0 unplanned.
        hold: True begins with mutation held.
        scales, divisions: Short lists for knobs; empty: the usual ones.
        arc: Parameters that the piece moves over its time.
        plan: What happens at its bars, in their order.
    """

    name: str = "untitled"
    values: dict[str, bool | int | float | str] = field(default_factory=dict)
    line: tuple[Written, ...] = ()
    rolls: tuple[Rolls, ...] = ()
    home: tuple[Written, ...] = ()
    home_rolls: tuple[Rolls, ...] = ()
    seed: int = 0
    minutes: float = 0.0
    hold: bool = False
    scales: tuple[str, ...] = ()
    divisions: tuple[str, ...] = ()
    arc: tuple[Arc, ...] = ()
    plan: tuple[PlanAct, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptLine:
    """A line that a set keeps under a name: a snapshot that is there when the show begins.

    Attributes:
        name: Its name.
        line, rolls, home, home_rolls: As of a piece; the line has a step at least.
        values: Parameters that snapshots keep, where they differ from the rig's values and the defaults.
    """

    name: str
    line: tuple[Written, ...]
    rolls: tuple[Rolls, ...] = ()
    home: tuple[Written, ...] = ()
    home_rolls: tuple[Rolls, ...] = ()
    values: dict[str, bool | int | float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything the performer knows of the outside.

    Attributes:
        inputs, outputs: Ports, in the order of their numbers in the record.
        voices: How the line is sent.
        clock: How time arrives.
        pieces: The set, in order.
        kept: The lines that the set keeps, each under a name of its own.
        user_scales: name -> cents of each degree above the root, from 0.
        profiles: name -> compiled controls (see `replank.control.profiles`).
        middle_c: Octave number of note 60, 3 to 5.
        a4: Hertz of note 69.
        audition: on, cue or off.
        keyboard: transpose, root, write, catch or off.
        values: Parameters that the rig sets at the beginning.
    """

    inputs: tuple[Input, ...] = (Input("clock", "clock"), Input("knobs", "knobs"))
    outputs: tuple[Output, ...] = (Output(),)
    voices: tuple[Voice, ...] = (Voice(),)
    clock: Clock = Clock()
    pieces: tuple[Piece, ...] = ()
    kept: tuple[KeptLine, ...] = ()
    user_scales: dict[str, tuple[float, ...]] = field(default_factory=dict)
    profiles: dict[str, Any] = field(default_factory=dict)
    middle_c: int = 4
    a4: float = 440.0
    audition: str = "on"
    keyboard: str = "transpose"
    values: dict[str, bool | int | float | str] = field(default_factory=dict)


def values_of(piece: Piece | KeptLine | None, setup: Setup) -> dict[str, Any]:
    """Return every parameter as a piece begins: its own values, then those of the rig, then the defaults."""
    values = {**DEFAULTS, **setup.values}
    if isinstance(piece, KeptLine):
        values |= piece.values
    elif piece is not None:
        values |= {**piece.values, "hold": piece.hold, "seed": piece.seed or values["seed"]}
    return values


_NESTED: dict[str, type] = {
    "voltage": Voltage, "clock": Clock, "pulse": Trigger, "reset": Trigger,
    "voices": Voice, "inputs": Input, "outputs": Output, "pieces": Piece,
    "arc": Arc, "plan": PlanAct, "kept": KeptLine,
}  # fmt: skip
_LINES: dict[str, type[Written] | type[Rolls]] = {
    "line": Written, "home": Written, "rolls": Rolls, "home_rolls": Rolls,
}  # fmt: skip


def to_plain(value: Any) -> Any:
    """Return a setup as dicts, lists, strings and numbers."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {key: to_plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [to_plain(item) for item in value]
    return value


def from_plain(plain: dict[str, Any], kind: type = Setup) -> Any:
    """Rebuild what `to_plain` took apart; fields that are missing get defaults."""
    made: dict[str, Any] = {}
    for f in fields(kind):
        if f.name not in plain:
            continue
        value, nested = plain[f.name], _NESTED.get(f.name)
        if isinstance(value, dict) and nested is not None:
            made[f.name] = from_plain(value, nested)
        elif f.name in _LINES:
            made[f.name] = tuple(_LINES[f.name](*row) for row in value)
        elif isinstance(value, list):
            is_rows = nested is not None
            made[f.name] = tuple(from_plain(v, nested) if is_rows else _frozen(v) for v in value)  # type: ignore[arg-type]
        elif isinstance(value, dict) and f.name == "user_scales":
            made[f.name] = {name: tuple(cents) for name, cents in value.items()}
        else:
            made[f.name] = value
    return kind(**made)


def _frozen(value: Any) -> Any:
    return tuple(_frozen(v) for v in value) if isinstance(value, list) else value
