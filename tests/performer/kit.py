"""A stage for the pure performer: a clock that is under the test's thumb, and what came out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from replank.control.notices import Notice
from replank.control.setup import Clock, Setup
from replank.performer import Performer
from replank.performer.events import Act, Assign, Event, Midi, Outcome

AT_120 = 20_833_333
"""Nanoseconds of a MIDI clock at 120 BPM (60e9 / (24 x 120))."""
MS = 1_000_000


class Stage:
    """Drives one performer and keeps everything that it said.

    Attributes:
        heard: (time ns, output, message) in order.
        notices: Every notice, in order.
    """

    def __init__(self, setup: Setup | None = None, seed: int = 7, performer: Performer | None = None, **values: Any):
        setup = setup or Setup()
        self.p = performer or Performer(replace(setup, values={**setup.values, **values}), seed, 0)
        self.now = 0
        self.interval = AT_120
        self.heard: list[tuple[int, int, bytes]] = []
        self.notices: list[Notice] = []

    def take(self, outcome: Outcome) -> Outcome:
        self.heard += [(self.p.now, output, data) for output, data in outcome.messages]
        self.notices += outcome.notices
        return outcome

    def until(self, when: int) -> None:
        """Let deadlines fire one by one, so that each message has its own time."""
        while (due := self.p.next_deadline()) is not None and due <= when:
            self.take(self.p.advance(due))
        self.now = max(self.now, when)

    def give(self, event: Event) -> Outcome:
        self.until(self.now)
        return self.take(self.p.receive(event, self.now))

    def midi(self, *data: int, port: int = 0) -> Outcome:
        return self.give(Midi(port, bytes(data)))

    def do(self, name: str, *args: str, due: str = "") -> Outcome:
        return self.give(Act(name, args, due))

    def set(self, **values: Any) -> Outcome:
        return self.give(Assign(values))

    def start(self) -> None:
        self.midi(0xFA)

    def clocks(self, count: int = 1) -> None:
        for _ in range(count):
            self.until(self.now + self.interval)
            self.midi(0xF8)

    def bars(self, count: int) -> None:
        self.clocks(96 * count)

    def pulse(self, after: int = 250 * MS) -> None:
        self.until(self.now + after)
        self.midi(0x90, 60, 100)

    def said(self, kind: str) -> list[dict[str, Any]]:
        return [notice.data for notice in self.notices if notice.kind == kind]

    def steps(self) -> list[dict[str, Any]]:
        return self.said("step")

    def ons(self) -> list[tuple[int, int]]:
        """(time, note) of each note-on."""
        return [(now, data[1]) for now, _, data in self.heard if data[0] & 0xF0 == 0x90 and data[2]]

    def offs(self) -> list[tuple[int, int]]:
        return [(now, data[1]) for now, _, data in self.heard if data[0] & 0xF0 == 0x80]

    def forget(self) -> None:
        self.heard, self.notices = [], []


def pulses_setup(**clock: Any) -> Setup:
    return Setup(clock=Clock(mode="pulses", **clock))


def every_step() -> dict[str, Any]:
    """Values under which each step sounds, evenly, and nothing mutates."""
    return {"rest_chance": 0.0, "slide_chance": 0.0, "hold": True}


def unbalanced(messages: list[tuple[int, bytes]]) -> list[str]:
    """Return what is wrong with a stream of messages, as a receiver with one note per key would find it.

    Source: MIDI 1.0 Detailed Specification 4.2.1, A-4: one note-off for each
    note-on; a redundant note-off is harmless.
    """
    sounding: dict[tuple[int, int, int], int] = {}
    wrong = []
    for output, data in messages:
        key = (output, data[0] & 0x0F, data[1] if len(data) > 1 else 0)
        if data[0] & 0xF0 == 0x90 and data[2]:
            if key in sounding:
                wrong.append(f"{key} struck while it sounds")
            sounding[key] = 1
        elif data[0] & 0xF0 == 0x80:
            sounding.pop(key, None)
    return wrong + [f"{key} hangs" for key in sounding]
