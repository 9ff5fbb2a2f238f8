"""The parameter table: every parameter, declared once.

Profiles, files, socket, dashboard, command line and documentation read this
table.  A value is always plain data (bool, int, float or str), in the unit
that the table names; `parse` reads what a person types, `check` what a file
or a client sends, and `place` what a knob's position means.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from replank.control.numbers import plain_number
from replank.control.old_names import renamed
from replank.line.generate import SCHEMES as SCHEMES
from replank.line.kinds import KINDS as KINDS
from replank.line.pitch import CLASS_NAMES, class_number, note_name, note_number
from replank.line.scales import scale_name
from replank.timing.divisions import bar_clocks, division_clocks

Value = bool | int | float | str

DIRECTIONS = ("forward", "reverse", "pendulum", "mirror", "random")
DIVISIONS = ("1/32", "1/16t", "1/16", "1/8t", "1/16d", "1/8", "1/4t", "1/8d", "1/4", "1/2", "1bar")
"""The divisions that a knob walks where a piece names no short list."""
SCALES = (
    "minor pentatonic", "dorian", "aeolian", "phrygian", "ionian", "major pentatonic", "whole tone",
)  # fmt: skip
"""The scales that a knob walks where a piece names no short list."""
METERS = ("4/4", "3/4", "5/4", "7/8", "6/8")
EVERY = ("cycle", "1bar", "2bars", "4bars", "8bars", "16bars", "phrase")


@dataclass(frozen=True, slots=True)
class Parameter:
    """One row of the table.

    Attributes:
        name: Its name everywhere, in files, on the socket, on screen.
        kind: float, int, bool, note, root, scale, division, meter, every, choice.
        low, high: Inclusive range of numbers (also of notes).
        default: Value with no file at all.
        unit: Printed behind the value: "", "semitones", "%", "ms", "BPM" ...
        due: When a change takes effect: now, step, cycle, bar, boundary.
        kept: snapshot, piece, rig or none: what stores it.
        help: One sentence for people.
        choices: The values that a list may have; what a knob walks by default.
    """

    name: str
    kind: str
    low: float
    high: float
    default: Value
    unit: str
    due: str
    kept: str
    help: str
    choices: tuple[str, ...] = ()

    @property
    def is_list(self) -> bool:
        """True where a knob walks a list of values, not a range."""
        return self.kind in ("choice", "root", "scale", "division", "meter", "every", "bool")

    @property
    def is_continuous(self) -> bool:
        """True where a ramp or an arc may move it in between."""
        return self.kind in ("float", "int", "note")


def _f(name: str, low: float, high: float, default: float, unit: str, due: str, kept: str, text: str) -> Parameter:
    return Parameter(name, "float", low, high, default, unit, due, kept, text)


def _i(name: str, low: int, high: int, default: int, unit: str, due: str, kept: str, text: str) -> Parameter:
    return Parameter(name, "int", low, high, default, unit, due, kept, text)


def _c(name: str, kind: str, default: str, due: str, kept: str, text: str, choices: tuple[str, ...]) -> Parameter:
    return Parameter(name, kind, 0, 0, default, "", due, kept, text, choices)


def _b(name: str, text: str) -> Parameter:
    return Parameter(name, "bool", 0, 1, False, "", "now", "none", text, ("off", "on"))


_WEIGHTS = dict(zip(KINDS, (3, 4, 1, 0.3, 1, 1, 1), strict=True))

_ROWS = (
    _i("length", 1, 64, 16, "steps", "step", "snapshot", "How many of the 64 steps are played."),
    _c("division", "division", "1/16", "boundary", "piece", "How long a step lasts, in whole clocks.", DIVISIONS),
    _c("direction", "choice", "forward", "step", "snapshot", "The order in which steps are played.", DIRECTIONS),
    _c("meter", "meter", "4/4", "bar", "piece", "Beats in a bar, counted from Start.", METERS),
    _i("restart_every", 0, 64, 0, "bars", "bar", "snapshot", "The line returns to step 1 every so many bars; 0 never."),
    _c("root", "root", "D", "bar", "snapshot", "The root of the scale.", CLASS_NAMES),
    _c("scale", "scale", "minor pentatonic", "bar", "snapshot", "The tones that the line may use.", SCALES),
    Parameter("register_low", "note", 0, 115, 48, "", "now", "snapshot", "The lowest pitch of the line."),
    _i("register_span", 12, 60, 19, "semitones", "now", "snapshot", "The span in which pitches are drawn and sound."),
    _i("transpose", -24, 24, 0, "semitones", "step", "snapshot", "Moves everything by semitones."),
    _i("transpose_degrees", -14, 14, 0, "degrees", "step", "snapshot", "Moves everything along the scale."),
    _f("rest_chance", 0, 1, 0.2, "", "step", "snapshot", "Steps whose rest roll is below it are silent."),
    _f("reroll", 0, 1, 0.0, "", "step", "snapshot", "Chance that a step throws a fresh rest roll for this pass."),
    _f("accent_chance", 0, 1, 0.2, "", "step", "snapshot", "Steps whose accent roll is below it are accented."),
    _i("accent_velocity", 0, 60, 24, "", "step", "snapshot", "What an accent adds to the note's velocity."),
    _i("velocity_centre", 1, 127, 88, "", "step", "snapshot", "The middle of the velocities."),
    _f("velocity_spread", 0, 1, 0.3, "", "step", "snapshot", "How far velocities lie from the middle."),
    _f("slide_chance", 0, 1, 0.05, "", "step", "snapshot", "Steps whose link roll is below it slide to the next."),
    _f("ratchet_chance", 0, 1, 0.0, "", "step", "snapshot", "Steps at the high end of the link roll strike again: a ratchet."),
    _i("ratchet_count", 2, 4, 2, "strikes", "step", "snapshot", "Strikes in a step with a ratchet by chance."),
    _f("gate", 0.05, 1, 0.6, "of a step", "step", "snapshot", "How long a note sounds."),
    _f("retrigger_gap", 1, 30, 5.0, "ms", "step", "rig", "Silence before a repeated pitch."),
    _f("swing", 50, 75, 50.0, "%", "step", "snapshot", "Where the second of two steps falls; 50 is straight."),
    _f("sustain", 0, 1, 0.5, "", "step", "snapshot", "Share of notes that hold through the rests after them."),
    _i("phrase", 0, 16, 0, "bars", "bar", "piece", "Bars of a phrase, which ends with a close and a breath; 0 none."),
    _i("breath", 0, 8, 1, "beats", "bar", "piece", "Silence at the end of a phrase."),
    _i("visit_home", 0, 64, 0, "phrases", "bar", "piece", "Every so many phrases one sounds as home; 0 never."),
    _f("tension", 0, 1, 0.5, "", "step", "snapshot", "Moves density, pitch, velocity, accents, mutation, gate; 0.5 nothing."),
    _c("scheme", "choice", "aaba", "now", "snapshot", "Which cells return in a line that is drawn, 16 steps or more.",
       SCHEMES),
    _f("metric", 0, 1, 0.5, "", "cycle", "snapshot", "How much strong places of the meter keep their notes."),
    _f("motif", 0, 1, 0.5, "", "cycle", "snapshot", "Chance that the twins of a step move along with it."),
    _f("anchor", 0, 1, 0.8, "", "cycle", "snapshot", "Chance that step 1 is left alone while it sounds the root."),
    _f("fit", 0, 1, 1.0, "", "cycle", "snapshot", "How much its neighbours choose a new tone."),
    _f("mutation_chance", 0, 1, 0.5, "", "cycle", "snapshot", "Chance of mutations at the end of a cycle."),
    _i("mutation_count", 1, 16, 1, "steps", "cycle", "snapshot", "Steps that mutate when mutations happen."),
    _c("mutate_every", "every", "cycle", "cycle", "snapshot", "When mutations may happen: cycle, phrase, Nbars, Nsteps.", EVERY),
    *(
        _f(f"weight_{kind}", 0, 10, float(weight), "", "cycle", "piece", f"Weight of the mutation kind {kind}.")
        for kind, weight in _WEIGHTS.items()
    ),
    _i("leap", 1, 14, 3, "degrees", "cycle", "snapshot", "The largest move from a note to its replacement."),
    _f("homing", 0, 1, 0.5, "", "cycle", "snapshot", "Chance that a mutation restores a step to its home."),
    _i("settle", 0, 16, 1, "cycles", "cycle", "piece", "Cycles heard in full after a recall, undo, back, go home."),
    _i("settle_new", 0, 16, 4, "cycles", "cycle", "piece", "Cycles heard in full after a new line: redraw, piece."),
    _b("hold", "Stops all mutation."),
    _b("mute", "Strikes no notes; the line goes on unseen by mutation."),
    _f("fine_tune", -100, 100, 0.0, "cents", "now", "rig", "Fine tuning of every output that may bend."),
    _f("tempo", 20, 400, 96.0, "BPM", "now", "piece", "Tempo of the internal clock, in quarter notes."),
    Parameter("seed", "seed", 0, 2**63 - 1, 0, "", "now", "piece", "Seed of all chance; 0 is a new one each show."),
)  # fmt: skip

PARAMETERS: dict[str, Parameter] = {row.name: row for row in _ROWS}
"""Every parameter by name, in the order in which people read them."""

DEFAULTS: dict[str, Value] = {row.name: row.default for row in _ROWS}
SNAPSHOT_NAMES = tuple(row.name for row in _ROWS if row.kept == "snapshot")
PIECE_NAMES = tuple(row.name for row in _ROWS if row.kept in ("snapshot", "piece"))

_EVERY = re.compile(r"(\d{1,2}) ?(bars?|steps?)")
_ON, _OFF = ("on", "true", "yes", "1"), ("off", "false", "no", "0")


def nearest(word: str, known: object) -> str:
    """Return `` (nearest: X)`` for the known word closest to `word`, or nothing; of an old name its present one."""
    words = [str(k) for k in known]  # type: ignore[attr-defined]
    if now := renamed(word, words):
        return f" (now called {now})"
    found = get_close_matches(word, words, n=1, cutoff=0.6)
    return f" (nearest: {found[0]})" if found else ""


def find(name: str) -> Parameter:
    """Return the parameter of a name.

    Raises:
        ValueError: No such parameter; the message names the nearest one.
    """
    row = PARAMETERS.get(name)
    if row is None:
        raise ValueError(f"there is no parameter {name!r}{nearest(name, PARAMETERS)}")
    return row


def parse(name: str, text: str, middle_c: int = 4, scales: Iterable[str] = ()) -> Value:
    """Read a value as a person types it, e.g. ``parse("root", "d")`` is ``"D"``.

    Raises:
        ValueError: One sentence: what is wrong and what would be right.
    """
    row, word = find(name), text.strip()
    if word.startswith("+") and row.kind in ("float", "int"):
        raise ValueError(
            f"{name}={word} can be read in two ways: {name}={word[1:]} sets it, {name}+={word[1:]} moves it"
        )
    if row.kind == "float":
        percent = word.endswith("%") and (row.high == 1 or row.unit == "%")
        value = _typed(name, word.removesuffix("%") if percent else word)
        return check(name, value / 100.0 if percent and row.high == 1 else value, scales)
    if row.kind in ("int", "seed"):
        return check(name, _typed(name, word, whole=True), scales)
    if row.kind == "bool":
        if word.lower() in _ON + _OFF:
            return word.lower() in _ON
        raise ValueError(f"{name}: {text!r} is neither on nor off")
    if row.kind == "note":
        return check(name, note_number(word, middle_c), scales)
    return check(name, word, scales)


def _typed(name: str, text: str, whole: bool = False) -> float:
    try:
        return plain_number(text, whole)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def check(name: str, value: object, scales: Iterable[str] = ()) -> Value:
    """Return `value` in its one spelling and type, or refuse it.

    Args:
        name: The parameter.
        value: Plain data as a file or a client sent it.
        scales: Further scale names that the rig or piece declares.

    Raises:
        ValueError: Wrong type, out of range, not in the list.
    """
    row = find(name)
    if row.kind == "bool":
        if isinstance(value, bool):
            return value
        raise ValueError(f"{name}: {value!r} is neither on nor off")
    if row.kind in ("float", "int", "note", "seed"):
        return _number(row, value)
    if not isinstance(value, str):
        raise ValueError(f"{name}: {value!r} is not a word")
    try:
        return _word(row, value, scales)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def _number(row: Parameter, value: object) -> Value:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value:
        raise ValueError(f"{row.name}: {value!r} is not a number")
    if row.kind != "float" and value != int(value):
        raise ValueError(f"{row.name}: {value!r} is not a whole number")
    if not row.low <= value <= row.high:
        unit = f" {row.unit}" if row.unit else ""
        low, high, written = (f"{n}" if row.kind == "seed" else f"{n:g}" for n in (row.low, row.high, value))
        raise ValueError(f"{row.name}: {written} is outside {low} to {high}{unit}")
    return float(value) if row.kind == "float" else int(value)


def _word(row: Parameter, value: str, scales: Iterable[str]) -> str:
    word = value.strip()
    if row.kind == "root":
        return CLASS_NAMES[class_number(word)]
    if row.kind == "scale":
        return scale_name(word, scales)
    if row.kind == "division":
        division_clocks(word)
        return word.lower()
    if row.kind == "meter":
        bar_clocks(word)
        return word
    if row.kind == "every":
        return _every(word.lower())
    if word.lower() in row.choices:
        return word.lower()
    raise ValueError(f"{value!r} is not one of {', '.join(row.choices)}{nearest(word, row.choices)}")


def _every(word: str) -> str:
    if word in ("cycle", "phrase"):
        return word
    found = _EVERY.fullmatch(word)
    if found is None or not 1 <= int(found[1]) <= (16 if found[2][0] == "b" else 64):
        raise ValueError(f"{word!r} is not cycle, phrase, 1bar to 16bars, or 1step to 64steps")
    unit = found[2].rstrip("s")
    return f"{int(found[1])}{unit}" + ("s" if int(found[1]) > 1 else "")


def show(name: str, value: Value, middle_c: int = 4) -> str:
    """Return a value as people read it, without its unit: ``on``, ``C3``, ``0.5``."""
    row = find(name)
    if row.kind == "bool":
        return "on" if value else "off"
    if row.kind == "note":
        return note_name(int(value), middle_c)
    if row.kind == "float":
        return f"{float(value):.3f}".rstrip("0").rstrip(".")
    return str(value)


_ALLOWED = {"scale": "a scale", "seed": "a whole number", "every": "cycle, phrase, 1bar to 16bars, 1step to 64steps",
            "division": "1/32 to 8bars, or clocks: 7c", "meter": "n/d", "root": "C to B"}  # fmt: skip


def allowed(name: str) -> str:
    """Return the values that a parameter may have, in words."""
    row = PARAMETERS[name]
    if row.kind == "note":
        return f"{show(name, int(row.low))} to {show(name, int(row.high))}"
    if row.kind in ("int", "float"):
        return f"{row.low:g} to {row.high:g} {row.unit}".rstrip()
    return _ALLOWED.get(row.kind) or ", ".join(row.choices)


def place(name: str, position: float, choices: tuple[str, ...] = (), low: float | None = None,
          high: float | None = None) -> Value:  # fmt: skip
    """Return the value at a control's position.

    Args:
        name: The parameter.
        position: 0 (fully left) to 1 (fully right).
        choices: The short list that a piece or set names, for lists.
        low, high: A narrower range for numbers, either way round.
    """
    row = find(name)
    if row.kind == "bool":
        return position >= 0.5
    if row.is_list:
        words = choices or row.choices
        return words[min(int(position * len(words)), len(words) - 1)]
    bottom = row.low if low is None else low
    top = row.high if high is None else high
    value = bottom + (top - bottom) * position
    return value if row.kind == "float" else int(value + 0.5 if value >= 0 else -int(0.5 - value))


def position(name: str, value: Value, choices: tuple[str, ...] = (), low: float | None = None,
             high: float | None = None) -> float:  # fmt: skip
    """Return the control position, 0 to 1, at which a parameter has a value."""
    row = find(name)
    if row.kind == "bool":
        return 1.0 if value else 0.0
    if row.is_list:
        words = choices or row.choices
        return (words.index(str(value)) + 0.5) / len(words) if value in words else 0.0
    bottom = row.low if low is None else low
    top = row.high if high is None else high
    if top == bottom:
        return 0.0
    return min(1.0, max(0.0, (float(value) - bottom) / (top - bottom)))
