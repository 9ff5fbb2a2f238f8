"""The parameters as the performer uses them: worked out once per change, not per step."""

from __future__ import annotations

from typing import Any

from replank.control import tension
from replank.control.parameters import KINDS
from replank.control.setup import Setup
from replank.line.generate import Shape
from replank.line.kinds import Chances
from replank.line.lenses import Lens, lens_for
from replank.line.metre import exchange_weights, place_classes
from replank.line.pitch import class_number
from replank.line.scales import get_scale
from replank.line.steps import Step
from replank.timing.divisions import bar_clocks, beat_clocks, division_clocks

_PULSES = 6, 96, 24
"""Without a meter a step weighs as a sixteenth in four quarters, clocks."""


class Settings:
    """What follows from the parameters' values, `tension` included.

    Attributes:
        lens: Register and scale.
        chances: What mutation needs.
        shape: By what a line is drawn.
        division: Clocks of a step.
        every: (unit, count) of `mutate_every`: ("cycle", 1), ("phrase", 1), ("bar", n), ("step", n).
        hand_degrees: `transpose_degrees` as hands have set it; `degrees` has what tension adds.
        gap: Retrigger gap in ns.
        Others are the parameters of the same names, shortened.
    """

    __slots__ = (
        "accent", "accent_velocity", "breath", "centre", "chances", "degrees", "direction", "division", "every",
        "fine_tune", "gap", "gate", "hand_degrees", "hold", "leap", "length", "lens", "meter", "mutation_chance",
        "mute", "phrase", "ratchet", "ratchet_count", "reroll", "rest", "restart_every", "semitones", "shape", "slide",
        "spread", "sustain", "swing", "tempo_ns", "visit_home",
    )  # fmt: skip

    def __init__(self, values: dict[str, Any], setup: Setup) -> None:
        hand_degrees: int = values["transpose_degrees"]
        if moved := tension.sounding(values):
            values = {**values, **moved}
        get = values.__getitem__
        scale = get_scale(get("scale"), setup.user_scales)
        self.lens: Lens = lens_for(class_number(get("root")), scale, get("register_low"), get("register_span"))
        self.leap: int = get("leap")
        self.rest: float = get("rest_chance")
        self.accent: float = get("accent_chance")
        weights = tuple(get(f"weight_{kind}") for kind in KINDS)
        self.mutation_chance: float = get("mutation_chance")
        self.length: int = get("length")
        self.direction: str = get("direction")
        self.meter: str = get("meter")
        self.division = division_clocks(get("division"), self.meter)
        if setup.clock.mode == "pulses":
            places = place_classes(*_PULSES)
        else:
            places = place_classes(self.division, bar_clocks(self.meter), beat_clocks(self.meter))
        self.chances = Chances(
            get("mutation_count"), weights, self.leap, get("homing"), self.rest, self.accent,
            get("fit"), get("motif"), get("anchor"), exchange_weights(get("metric"), places),
        )  # fmt: skip
        self.shape = Shape(self.leap, get("scheme"), self.length, get("metric"), places)
        self.restart_every: int = get("restart_every")
        self.degrees: int = get("transpose_degrees")
        self.hand_degrees = hand_degrees
        self.semitones: int = get("transpose")
        self.reroll: float = get("reroll")
        self.accent_velocity: int = get("accent_velocity")
        self.centre: int = get("velocity_centre")
        self.spread: float = get("velocity_spread")
        self.slide: float = get("slide_chance")
        self.ratchet: float = get("ratchet_chance")
        self.ratchet_count: int = get("ratchet_count")
        self.gate: float = get("gate")
        self.sustain: float = get("sustain")
        self.phrase: int = get("phrase")
        self.breath: int = get("breath")
        self.visit_home: int = get("visit_home")
        self.gap = int(get("retrigger_gap") * 1_000_000)
        self.swing: float = get("swing")
        self.hold: bool = get("hold")
        self.mute: bool = get("mute")
        self.fine_tune: float = get("fine_tune")
        # 60e9 ns a minute over 24 clocks a quarter note
        self.tempo_ns = int(2_500_000_000 / get("tempo"))
        self.every = _every(get("mutate_every"))

    def velocity(self, roll: float, accent: bool) -> int:
        """Return the velocity of a roll, 1 to 127."""
        value = self.centre + self.spread * (2.0 * roll - 1.0) * 63.0
        if accent:
            value += self.accent_velocity
        return 1 if value < 1 else 127 if value > 127 else int(value + 0.5)

    def velocity_of(self, step: Step, accent: bool) -> int:
        """Return a step's velocity, 1 to 127: forced, or by its roll; an accent adds to either."""
        if not step.forced_velocity:
            return self.velocity(step.velocity, accent)
        return min(127, step.forced_velocity + (self.accent_velocity if accent else 0))


def _every(text: str) -> tuple[str, int]:
    if text in ("cycle", "phrase"):
        return text, 1
    number = int("".join(c for c in text if c.isdigit()))
    return ("bar" if "bar" in text else "step"), number
