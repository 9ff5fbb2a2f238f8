"""The state of one control of one box."""

from __future__ import annotations

from typing import Any

from replank.control.driving import Drive
from replank.control.profiles import Control
from replank.control.takeover import Flutter

NEVER = -(1 << 62)
"""A time before all others, in ns."""


class Knob:
    """One control of one box, and the parameters under it.

    Attributes:
        control: What the profile says; `top` and `is_button` are its.
        is_position: True where it is neither button nor encoder: its number says where it is.
        drives: Its targets and where they stand.
        raw: The number that it last sent; -1 not heard since it was connected.
        moved_at: When, in ns.
        part: Clicks gathered towards a whole one of a `turn` action.
        is_down: True while a button is pressed.
        told: Parameter -> what was last said of it (the way to turn, or that
            an end stopped it), so that it is said once.
    """

    __slots__ = (
        "_flutters", "control", "drives", "flutter", "is_button", "is_down", "is_position", "moved_at", "part", "raw",
        "told", "top",
    )  # fmt: skip

    def __init__(self, control: Control) -> None:
        self.control = control
        self.top, self.is_button = control.top, control.is_button
        self.drives = [Drive(target, control) for target in control.targets]
        kind = control.source.kind
        self.is_position = not (control.relative or self.is_button or kind in ("note", "program"))
        self._flutters = kind in ("cc", "pressure") and not any(target.raw for target in control.targets)
        self.flutter: Flutter | None = None
        self.raw, self.moved_at, self.part, self.is_down = -1, NEVER, 0.0, False
        self.told: dict[str, str] = {}

    def forget(self) -> None:
        """Take it as not heard yet."""
        self.raw, self.flutter, self.part, self.is_down = -1, None, 0.0, False
        self.told.clear()
        for drive in self.drives:
            drive.known = None

    @property
    def coarse(self) -> int:
        """The number that it last sent, in 7 bits."""
        return self.raw if self.top == 127 else self.raw >> 7

    def is_flutter(self, raw: int, now: int) -> bool:
        """Tell whether a number is the flutter of a 7-bit control that rests."""
        if not self._flutters:
            return False
        if self.flutter is None:
            self.flutter = Flutter(raw, now)
            return False
        return not self.flutter.is_movement(raw, now)

    def way(self, drive: Drive) -> str:
        """Return the way to turn to take over one of its parameters: left, right, or nothing."""
        if self.raw < 0 or self.control.relative:
            return ""
        return drive.catch.way(drive.unit(self.raw))

    def save(self) -> dict[str, Any]:
        """Return it as plain data."""
        flutter = self.flutter
        return {
            "control": self._written(),
            "raw": self.raw,
            "moved_at": self.moved_at,
            "part": self.part,
            "is_down": self.is_down,
            "told": dict(self.told),
            "flutter": None if flutter is None else [flutter.raw, flutter.way, flutter.moved_at],
            "drives": [drive.save() for drive in self.drives],
        }

    def load(self, plain: dict[str, Any]) -> bool:
        """Take over what `save` returned of the same control; of another nothing, and return False."""
        if plain["control"] != self._written():
            return False
        self.raw, self.moved_at, self.part = plain["raw"], plain["moved_at"], plain["part"]
        self.is_down, self.told, self.flutter = plain["is_down"], dict(plain["told"]), None
        if plain["flutter"] is not None:
            raw, way, moved_at = plain["flutter"]
            self.flutter = Flutter(raw, moved_at)
            self.flutter.way = way
        for drive, row in zip(self.drives, plain["drives"], strict=True):
            drive.load(row)
        return True

    def _written(self) -> str:
        """Return what makes it the same control in another profile."""
        return f"{self.control.source.words} {self.control.relative} {' '.join(self.control.functions)}"
