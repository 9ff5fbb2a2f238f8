"""What a knob box's controls do: the compiled form of a profile.

A profile file is read and checked by `replank.control.compiling`; what comes
out is plain, complete data, so that it can travel in `Setup.profiles`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from replank.control.setup import to_plain as setup_to_plain

ABSOLUTE = ("cc", "cc14", "nrpn", "rpn", "bend", "pressure")
"""Kinds of message that carry a position."""
KINDS = (*ABSOLUTE, "note", "program")
RELATIVE = ("twos-complement", "offset-64", "sign-magnitude", "sign-magnitude-reversed")
"""Encodings of relative encoders; `reversed`: bit 6 set means to the right.

No MIDI document defines them; the table is that of an open microcontroller
library's documentation (its relative controller sender), checked by arithmetic.
"""
TAKEOVER = ("jump", "pickup", "scaled")
MOST_TARGETS = 8
"""Parameters that one control may drive."""


class Source(NamedTuple):
    """The message that a control sends.

    Attributes:
        kind: One of `KINDS`.
        number: Controller or note 0 to 127, the MSB's controller for cc14,
            14-bit parameter number for nrpn and rpn, program 0 to 127 as on
            the wire; -1 for bend, pressure and "any program".
        channel: 1 to 16; 0 any.
    """

    kind: str
    number: int = -1
    channel: int = 0

    @property
    def written(self) -> str:
        """How a file writes it, without the channel: ``cc 16/48``, ``note 36``."""
        if self.kind == "cc14":
            return f"cc {self.number}/{self.number + 32}"
        if self.kind in ("nrpn", "rpn"):
            return f"{self.kind} {self.number >> 7}/{self.number & 127}"
        return self.kind if self.number < 0 else f"{self.kind} {self.number}"

    @property
    def words(self) -> str:
        """The same for people, with the channel where one is meant."""
        return self.written + (f" channel {self.channel}" if self.channel else "")


@dataclass(frozen=True, slots=True)
class Target:
    """One parameter that a control drives.

    Attributes:
        parameter: Name in the parameter table.
        how: move (follow the position), toggle, hold (on while held) or choose.
        low, high: Value at the left and at the right end, either way round;
            for lists 0 to 1, or 1 to 0 where the list runs the other way.
        curve: Name in `replank.control.curves.CURVES`.
        values: Short list of this control; empty: that of the piece or table.
        takeover: jump, pickup or scaled.
        raw: True where the number on the wire is the value itself.
        detents: Clicks of an encoder over the whole range.
    """

    parameter: str
    how: str = "move"
    low: float = 0.0
    high: float = 1.0
    curve: str = "linear"
    values: tuple[str, ...] = ()
    takeover: str = "jump"
    raw: bool = False
    detents: float = 100.0


@dataclass(frozen=True, slots=True)
class Control:
    """One control of a box.

    Attributes:
        label: For people, as on the box.
        source: What it sends.
        relative: One of `RELATIVE`, empty for a position or a button.
        acceleration: A fast turn counts up to 1 + this many times, 0 to 15.
        bits: 7 or 14, of nrpn and rpn.
        targets: Parameters, up to eight.
        turn: Written action with ``*`` for the amount of a turn; empty none.
        amount: What one click is worth in `turn`.
        press, on_release: Written actions of a button; ``*`` is the program + 1.
        latching: True where the box itself turns the button on and off, so
            that each message is a press.
        feedback: What is sent back to the box; None: nothing.
        lit, unlit: Values sent for on and off, 0 to 127.
        lit_accent: Value sent for a step that sounds with an accent; -1 as `lit`.
        step: The step of the line that it edits, 1 to 64; 0 none.
        row: Row in the drawing, from 0.
    """

    label: str
    source: Source
    relative: str = ""
    acceleration: float = 0.0
    bits: int = 14
    targets: tuple[Target, ...] = ()
    turn: str = ""
    amount: float = 1.0
    press: str = ""
    on_release: str = ""
    latching: bool = False
    feedback: Source | None = None
    lit: int = 127
    unlit: int = 0
    lit_accent: int = -1
    step: int = 0
    row: int = 0

    @property
    def is_button(self) -> bool:
        """True where a press matters, not a position."""
        pressed = any(target.how != "move" for target in self.targets)
        return bool(self.press or self.on_release or pressed)

    @property
    def top(self) -> int:
        """The largest number that it sends: 127 or 16383."""
        kind = self.source.kind
        if kind in ("cc14", "bend") or (kind in ("nrpn", "rpn") and self.bits == 14):
            return 16383
        return 127

    def step_light(self, state: int) -> int:
        """Return the value sent for a step's state: 0 silent, 1 it sounds, 2 it sounds with an accent."""
        return self.unlit if state <= 0 else self.lit if state == 1 or self.lit_accent < 0 else self.lit_accent

    @property
    def functions(self) -> tuple[str, ...]:
        """What it does: parameter names and written actions."""
        acts = tuple(word for word in (self.turn, self.press, self.on_release) if word)
        return tuple(target.parameter for target in self.targets) + acts


@dataclass(frozen=True, slots=True)
class Profile:
    """A box.

    Attributes:
        title: For people.
        about: One or two sentences for people.
        controls: In the order in which the file names them.
        sends_back: True guards against a box that sends its feedback back.
        every_ms: A control is sent feedback at most this often.
        rows: Titles of the drawing's rows.
    """

    title: str = "untitled box"
    about: str = ""
    controls: tuple[Control, ...] = ()
    sends_back: bool = True
    every_ms: float = 20.0
    rows: tuple[str, ...] = ()

    def to_plain(self) -> dict[str, Any]:
        """Return it as dicts, lists, strings and numbers."""
        plain: dict[str, Any] = setup_to_plain(self)
        return plain

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Profile:
        """Rebuild what `to_plain` took apart; fields that are missing get defaults."""
        made = _known(cls, plain)
        made["controls"] = tuple(_control(row) for row in plain.get("controls", ()))
        made["rows"] = tuple(plain.get("rows", ()))
        return cls(**made)


def _known(kind: type, plain: dict[str, Any]) -> dict[str, Any]:
    return {f.name: plain[f.name] for f in fields(kind) if f.name in plain}


def _control(plain: dict[str, Any]) -> Control:
    made = _known(Control, plain)
    made["source"] = Source(*plain["source"])
    made["feedback"] = Source(*plain["feedback"]) if plain.get("feedback") else None
    made["targets"] = tuple(
        Target(**{**_known(Target, row), "values": tuple(row.get("values", ()))}) for row in plain.get("targets", ())
    )
    return Control(**made)
