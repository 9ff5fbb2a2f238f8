"""What boxes are shown, and boxes that send it back."""

from __future__ import annotations

import itertools

import pytest

from replank.control.hands import Hands
from replank.control.profiles import Profile
from replank.host.feedback import BURST, Feedback
from tests.control.stage import MS, Stage, box, sets


class Loop(Stage):
    """A stage with a box in it: it is shown everything, and may send it back.

    Args:
        echoes: True: the box returns each message that it is shown.
        delay_ms: From a change to the feedback, and again to the echo.
    """

    def __init__(
        self, profile: Profile, *, echoes: bool, delay_ms: int = 20, kind: type[Hands] = Hands, **values
    ) -> None:
        super().__init__(profile, kind=kind, **values)
        self.feedback = Feedback({"box": profile}, self.inputs)
        self.echoes, self.delay = echoes, delay_ms
        self.heard, self.accented = [True] * 64, [False] * 64
        self.shown: list[tuple[int, bytes]] = []
        self.back: list[tuple[int, bytes]] = []
        self.hands.begin(self.now, self.values, self.lists)
        self.tell_steps()

    def view(self) -> dict:
        steps = [{"heard": h, "accented": a} for h, a in zip(self.heard, self.accented, strict=True)]
        return {
            "parameters": self.values, "lists": self.lists, "controls": self.hands.view(),
            "line": {"length": self.values["length"], "steps": steps},
        }  # fmt: skip

    def run(self, ms: int) -> None:
        """Let time go by; the host looks every `delay_ms`."""
        for _ in range(ms):
            self.wait(1)
            for at, data in [row for row in self.back if row[0] <= self.now]:
                self.back.remove((at, data))
                self.send(*data, after_ms=0)
            if self.now // MS % self.delay == 0:
                for _, data in self.feedback.changed(self.view(), self.now):
                    self.shown.append((self.now, data))
                    if self.echoes:
                        self.back.append((self.now + self.delay * MS, data))

    def take(self, intents, at):
        for intent in intents:
            if intent.kind == "act" and intent.name.startswith("flip:"):
                self.press(int(intent.name.split(":")[1]))
        return super().take(intents, at)

    def tell_steps(self) -> None:
        states = [h * (1 + a) for h, a in zip(self.heard, self.accented, strict=True)]
        self.hands.steps_heard(states, self.now)

    def accent(self, step: int) -> None:
        self.accented[step - 1] = not self.accented[step - 1]
        self.tell_steps()

    def press(self, step: int) -> None:
        self.heard[step - 1] = not self.heard[step - 1]
        self.tell_steps()


class Trusting(Hands):
    """Broken: takes every echo for a hand."""

    def __init__(self, profiles, inputs) -> None:
        super().__init__(profiles, inputs)
        self._guards.keys = set()


KNOB = {"sends": "cc 16", "moves": "homing", "feedback": "same"}
FADER = {**KNOB, "takeover": "jump"}
BUTTON = {"sends": "note 36", "toggles": "mute", "feedback": "same"}
RING = {"sends": "cc 20", "relative": "twos-complement", "moves": "gate", "feedback": "same"}
STEPS = [{"pushes": "note 48", "count": 16, "feedback": "same", "lit": 70, "lit_accent": 127}]


def oscillates(kind: type[Hands], delay_ms: int) -> list[str]:
    """Return what does not come to rest, or not where it was put, on a box that echoes everything."""
    wrong = []
    loop = Loop(box(FADER, BUTTON, RING, steps=STEPS), echoes=True, delay_ms=delay_ms, kind=kind, mute=False)
    loop.run(2100)
    # by hand
    loop.cc(16, 20, 60, 100)
    loop.send(0x90, 36, 127)
    loop.send(0x80, 36, 0)
    loop.send(0x90, 50, 127)
    loop.send(0x80, 50, 0)
    loop.run(1500)
    if loop.values["mute"] is not True:
        wrong.append("mute by hand")
    if loop.heard[2]:
        wrong.append("step by hand")
    # from elsewhere: a ramp, a client, a mutation
    for value in range(100):
        loop.set("homing", value / 100)
        loop.run(5)
    loop.set("mute", False)
    loop.set("gate", 0.5)
    loop.press(9)
    loop.accent(4)
    loop.run(1500)
    if loop.values["homing"] != 0.99:
        wrong.append("ramp")
    if loop.values["mute"] is not False:
        wrong.append("mute by a client")
    if loop.values["gate"] != 0.5:
        wrong.append("ring")
    if loop.heard[8]:
        wrong.append("mutated step")
    if not loop.heard[3]:
        wrong.append("accented step")
    count = len(loop.shown)
    loop.run(1500)
    if len(loop.shown) != count:
        wrong.append("never rests")
    return wrong


@pytest.mark.parametrize("delay_ms", [1, 5, 20, 50])
def test_a_box_that_echoes_its_feedback_does_not_oscillate(delay_ms):
    assert oscillates(Hands, delay_ms) == []


def test_hands_that_trust_echoes_are_found_out():
    assert oscillates(Trusting, 20)


def test_a_hand_on_a_box_without_echo_is_never_taken_for_one():
    loop = Loop(box(FADER, BUTTON, steps=STEPS), echoes=False)
    loop.run(2100)
    for value in (10, 60, 10, 60, 61, 60, 10, 64, 10):
        loop.cc(16, value, after_ms=30)
        loop.run(20)
    assert loop.values["homing"] == pytest.approx(10 / 127)
    for expected in (True, False, True):
        loop.send(0x90, 36, 127)
        loop.send(0x80, 36, 0)
        loop.run(400)
        assert loop.values["mute"] is expected


def test_a_box_that_comes_back_is_shown_everything_and_its_echoes_press_nothing():
    loop = Loop(box(FADER, BUTTON, RING, steps=STEPS), echoes=True, mute=True)
    loop.run(2100)
    shown = len(loop.shown)
    loop.feedback.reconnected(0)
    loop.hands.forget_positions(0, loop.now)
    before = dict(loop.values), list(loop.heard)
    loop.run(800)
    assert len(loop.shown) == 2 * shown == 2 * 19
    assert (loop.values, loop.heard) == before


def test_values_toggles_and_steps_are_shown_as_controllers_and_notes():
    profile = box(
        {"sends": "cc 16/48", "channel": 3, "moves": "homing", "feedback": "same"},
        {"sends": "note 36", "toggles": "hold", "feedback": "same", "lit": 100, "unlit": 1},
        {"sends": "note 37", "chooses": "scale", "values": ["dorian"], "feedback": "cc 90"},
        steps=[{"pushes": "note 48", "count": 2, "feedback": "same"}],
    )
    loop = Loop(profile, echoes=False, homing=1.0, scale="dorian")
    loop.heard[1] = False
    sent = [data for _, data in loop.feedback.changed(loop.view(), loop.now)]
    assert sent == [
        bytes((0xB2, 16, 127)), bytes((0x90, 36, 1)), bytes((0xB0, 90, 127)),
        bytes((0x90, 48, 127)), bytes((0x90, 49, 0)),
    ]  # fmt: skip
    assert loop.feedback.changed(loop.view(), loop.now + 1000 * MS) == []
    loop.values["scale"], loop.values["length"] = "ionian", 1
    assert [d for _, d in loop.feedback.changed(loop.view(), loop.now + 2000 * MS)] == [bytes((0xB0, 90, 0))]


def test_an_accented_step_is_brighter_where_the_profile_says_so():
    steps = [{"pushes": "note 48", "count": 3, "feedback": "same", "lit": 70, "lit_accent": 127, "unlit": 1}]
    loop = Loop(box(steps=steps), echoes=False)
    loop.heard, loop.accented = [True, True, False] * 21 + [True], [False, True, True] * 21 + [False]
    assert [data for _, data in loop.feedback.changed(loop.view(), loop.now)] == [
        bytes((0x90, 48, 70)), bytes((0x90, 49, 127)), bytes((0x90, 50, 1)),
    ]  # fmt: skip
    plain = Loop(box(steps=[{"pushes": "note 48", "count": 2, "feedback": "same", "lit": 90}]), echoes=False)
    plain.accented[1] = True
    assert [data[2] for _, data in plain.feedback.changed(plain.view(), plain.now)] == [90, 90]


def test_feedback_is_limited_in_rate_and_the_last_value_arrives():
    loop = Loop(box(KNOB, feedback={"send": "same", "every_ms": 50}), echoes=False, delay_ms=1)
    for value in range(1000):
        loop.values["homing"] = value / 1000
        loop.run(1)
    loop.run(60)
    times = [at for at, _ in loop.shown]
    assert all(b - a >= 50 * MS for a, b in itertools.pairwise(times))
    assert loop.shown[-1][1][2] == 127 and 15 <= len(times) <= 22


def test_a_cable_is_never_sent_more_than_it_carries():
    # a message of three bytes takes 0.96 ms (MIDI 1.0 Detailed Specification, p. 9)
    profile = box(steps=[{"pushes": "note 0", "count": 64, "feedback": "same"}], feedback={"every_ms": 1})
    loop = Loop(profile, echoes=False, length=64)
    first = loop.feedback.changed(loop.view(), loop.now)
    assert len(first) == BURST
    assert loop.feedback.next_due() is not None
    sent = len(first)
    for ms in range(1, 1001):
        loop.heard = [not one for one in loop.heard]
        sent += len(loop.feedback.changed(loop.view(), loop.now + ms * MS))
    assert BURST + 900 <= sent <= BURST + 1001


def test_a_motor_does_not_fight_a_finger():
    loop = Loop(box({**KNOB, "takeover": "scaled"}), echoes=False, homing=0.9)
    loop.run(2100)
    loop.shown.clear()
    for value in range(20, 60):
        loop.cc(16, value)
        loop.run(10)
    assert loop.shown == []
    loop.run(400)
    assert len(loop.shown) == 1


def test_what_a_control_shows_by_itself_is_not_sent():
    loop = Loop(box(FADER), echoes=False)
    loop.run(2100)
    loop.shown.clear()
    loop.cc(16, 10, 20, 30)
    loop.run(1000)
    assert loop.shown == [] and sets([one for _, one in loop.said])
