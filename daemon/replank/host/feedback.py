"""What the boxes are shown: values, toggles and steps, sent back to them.

A pure decision: the host hands in the performer's view and the time, and
sends what comes out on a port of its own.  Each control is sent something
only when it should show something else, at most every `Profile.every_ms`, and
not while a hand moves it; a 5-pin cable is never sent more than it carries.
What a box sends back of this is recognised by `replank.control.echoes`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from replank.control.driving import shown_on, words_of
from replank.control.profiles import Control, Profile
from replank.control.setup import Input, Setup

WIRE_NS = 1_000_000
"""A message of three bytes takes 0.96 ms on a 5-pin cable (MIDI 1.0 Detailed Specification, p. 9), in ns."""
BURST = 48
"""Messages that one box is sent at once, at most."""
HAND_NS = 300_000_000
"""A control that a hand has moved is left alone for so long, in ns: a motor must not fight a finger."""


class _Light:
    """What one control shows."""

    __slots__ = ("control", "moved_at", "position", "sent", "sent_at")

    def __init__(self, control: Control) -> None:
        self.control = control
        self.sent, self.sent_at = -1, -(1 << 62)
        self.position, self.moved_at = -1.0, -(1 << 62)


class Feedback:
    """Decides what every box is sent.

    Args:
        profiles: Compiled profiles by name.
        inputs: As in `Setup.inputs`: a box is shown what its profile says.
    """

    def __init__(self, profiles: Mapping[str, Profile], inputs: tuple[Input, ...]) -> None:
        self._boxes = {port: profiles[one.profile] for port, one in enumerate(inputs) if one.profile in profiles}
        self._names = [one.name for one in inputs]
        self._lights = {
            port: [_Light(control) for control in profile.controls if control.feedback and _shows(control)]
            for port, profile in self._boxes.items()
        }
        self._busy_until = dict.fromkeys(self._boxes, -(1 << 62))
        self._due: int | None = None

    @classmethod
    def of(cls, setup: Setup) -> Feedback:
        """Return what decides for the boxes of a setup."""
        profiles = {name: Profile.from_plain(plain) for name, plain in setup.profiles.items()}
        return cls(profiles, setup.inputs)

    @property
    def ports(self) -> tuple[int, ...]:
        """The inputs whose boxes are shown anything."""
        return tuple(port for port, lights in self._lights.items() if lights)

    def reconnected(self, port: int) -> None:
        """Show the box of input `port` everything again."""
        for light in self._lights.get(port, ()):
            light.sent, light.sent_at, light.position = -1, -(1 << 62), -1.0

    def next_due(self) -> int | None:
        """Return the ns at which `changed` has something that it held back, or None."""
        return self._due

    def changed(self, view: Mapping[str, Any], now: int) -> list[tuple[int, bytes]]:
        """Return (index of the input, message) for what a box should show differently.

        Args:
            view: As `Performer.view` returns it; parameters, lists, line and
                controls are read.
            now: ns of the same clock at every call.
        """
        out: list[tuple[int, bytes]] = []
        self._due = None
        for port, lights in self._lights.items():
            every = int(self._boxes[port].every_ms * 1e6)
            busy = max(self._busy_until[port], now)
            for light in lights:
                shown = _wanted(light.control, view)
                if not self._is_news(port, light, shown, view, now):
                    continue
                due = max(light.sent_at + every, light.moved_at + HAND_NS)
                if due > now or busy > now + (BURST - 1) * WIRE_NS:
                    self._hold_back(max(due, now + WIRE_NS))
                    continue
                light.sent, light.sent_at = shown, now
                out.append((port, message(light.control, shown)))
                busy += WIRE_NS
            self._busy_until[port] = busy
        return out

    def _hold_back(self, due: int) -> None:
        self._due = due if self._due is None else min(self._due, due)

    def _is_news(self, port: int, light: _Light, shown: int, view: Mapping[str, Any], now: int) -> bool:
        """Tell whether a control must be sent `shown`; notes where a hand has put it."""
        control = light.control
        row = None
        if control.targets and not control.is_button and not control.relative:
            row = view.get("controls", {}).get(control.targets[0].parameter)
        if row and row["port"] == self._names[port] and row["control"] == control.label and row.get("taught", True):
            if light.position != row["position"]:
                if light.position >= 0:
                    light.moved_at = now
                light.position = row["position"]
            raw = int(row["position"] * control.top + 0.5)
            if (raw if control.top == 127 else raw >> 7) == shown:
                light.sent = shown  # it stands there by itself
                return False
        return shown != light.sent


def message(control: Control, shown: int) -> bytes:
    """Return the MIDI message that shows a value, 0 to 127."""
    source = control.feedback
    assert source is not None
    status = (0x90 if source.kind == "note" else 0xB0) | (max(source.channel, 1) - 1)
    return bytes((status, source.number, shown))


def _shows(control: Control) -> bool:
    return bool(control.targets or control.step)


def _wanted(control: Control, view: Mapping[str, Any]) -> int:
    if control.targets:
        target = control.targets[0]
        lists = {name: tuple(words) for name, words in view["lists"].items()}
        value = view["parameters"][target.parameter]
        return shown_on(target, value, words_of(target, lists), control.lit, control.unlit)
    line = view["line"]
    step = line["steps"][control.step - 1] if control.step <= line["length"] else {"heard": False, "accented": False}
    return control.step_light(step["heard"] + (step["heard"] and step["accented"]))
