"""Guards the controls whose feedback uses the very message that they send against their echoes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from replank.control.asking import Values
from replank.control.driving import Lists, shown_on, words_of
from replank.control.echoes import RETURN_NS, WINDOW_NS, Echoes, is_shown_in_place, lights
from replank.control.knobs import Knob
from replank.control.parameters import Value
from replank.control.profiles import Profile

Key = tuple[int, int]
"""Port and index of the control."""


class Guards:
    """Knows what each guarded control is shown, and so what may come back.

    Attributes:
        keys: The guarded controls.
        watches_steps: True where one of them shows a step.
    """

    def __init__(self, knobs: Mapping[Key, Knob], profiles: Mapping[int, Profile]) -> None:
        self._knobs = knobs
        # parameter or "step N" -> controls that are shown it by the message that they send
        self._by_name: dict[str, list[Key]] = {}
        for key, knob in knobs.items():
            if profiles[key[0]].sends_back and is_shown_in_place(knob.control):
                for name in lights(knob.control):
                    self._by_name.setdefault(name, []).append(key)
        self.keys = {key for keys in self._by_name.values() for key in keys}
        self.watches_steps = any(name.startswith("step ") for name in self._by_name)
        self._echoes = Echoes()
        self._heard: list[int] = []

    def is_echo(self, key: Key, coarse: int, now: int) -> bool:
        """Tell whether a guarded control's number (in 7 bits) is what it was shown; it is expected no more."""
        return self._echoes.is_echo(key, coarse, now)

    def is_in_step(self, key: Key, value: Value, lists: Lists) -> bool:
        """Tell whether a guarded control is where its first parameter is shown: an echo, or a hand that meets it."""
        return self._knobs[key].coarse == self._shown(self._knobs[key], value, lists)

    def value_moved(self, name: str, value: Value, now: int, lists: Lists) -> None:
        """Expect what boxes will be shown of a parameter."""
        for key in self._by_name.get(name, ()):
            knob = self._knobs[key]
            shown = self._shown(knob, value, lists)
            if knob.is_button or knob.control.relative or knob.coarse != shown:
                self._echoes.expect(key, shown, now)

    def steps_heard(self, heard: Sequence[int], now: int) -> None:
        """Expect what boxes will be shown of steps, from step 1 on: 0 silent, 1 sounding, 2 with an accent."""
        window = WINDOW_NS if self._heard else RETURN_NS  # at first all steps are shown
        for place, state in enumerate(heard):
            if place < len(self._heard) and self._heard[place] == state:
                continue
            for key in self._by_name.get(f"step {place + 1}", ()):
                control = self._knobs[key].control
                self._echoes.expect(key, control.step_light(state), now, window)
        self._heard = [int(one) for one in heard]

    def all_shown(self, port: int, now: int, values: Values, lists: Lists) -> None:
        """Expect everything of a box that will be shown everything."""
        for key in sorted(key for key in self.keys if key[0] == port):
            knob = self._knobs[key]
            control = knob.control
            if control.targets:
                name = control.targets[0].parameter
                if name in values:
                    self._echoes.expect(key, self._shown(knob, values[name], lists), now, RETURN_NS)
            elif self._heard:
                state = self._heard[control.step - 1] if control.step <= len(self._heard) else 0
                self._echoes.expect(key, control.step_light(state), now, RETURN_NS)

    def _shown(self, knob: Knob, value: Value, lists: Lists) -> int:
        target = knob.control.targets[0]
        return shown_on(target, value, words_of(target, lists), knob.control.lit, knob.control.unlit)

    def save(self) -> dict[str, Any]:
        """Return what is expected and which steps sound, as plain data."""
        return {**self._echoes.save(), "heard": list(self._heard)}

    def load(self, plain: dict[str, Any], ports: dict[int, int]) -> None:
        """Take over what `save` returned; `ports` says which port each has become."""
        self._echoes.load(plain, ports)
        self._heard = list(plain["heard"])
