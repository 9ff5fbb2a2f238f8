"""A player and its recorder without ports: what the player process does, at times that are given."""

import random
from dataclasses import replace
from pathlib import Path
from typing import Any

from replank import ENGINE
from replank.control.notices import Notice
from replank.control.setup import Output, Piece, Setup, Voice
from replank.host.shows.recorder import Recorder
from replank.line.steps import REST, Written
from replank.performer import Performer
from replank.performer.events import Assign, Event, Midi, Outcome, to_plain
from tests.performer.kit import AT_120

CLOCK: tuple[int, Event] = (AT_120, Midi(0, b"\xf8"))
START: tuple[int, Event] = (1_000_000, Midi(0, b"\xfa"))
BUSY: tuple[int, Event] = (0, Assign({"mutation_chance": 1.0, "homing": 0.0, "settle_new": 0, "rest_chance": 0.1}))
SETUP = Setup(
    outputs=(Output("out"), Output("second")),
    voices=(Voice("line", 0, 1, slide_cc=True), Voice("canon", 1, 3, transpose=12, canon_steps=2, delay_ms=7.0)),
    pieces=(Piece("First Light", {"ratchet_chance": 0.4, "swing": 58.0}, seed=11),
            Piece("Meridian", {"root": "A", "length": 7},
                  (Written(57, pinned=True), Written(60), Written(60, REST)))),
)  # fmt: skip


class ShowStage:
    """One performer, whose doings go to a recorder.

    Attributes:
        late: How far behind the player is with deadlines, ns at most.
        sent: (output, message) in order.
    """

    def __init__(self, recorder: Recorder | None, setup: Setup = SETUP, seed: int = 5, late: int = 300_000) -> None:
        self.recorder, self.random, self.late = recorder, random.Random(seed), late
        self.performer = Performer(setup, seed, 10**12)
        self.now = self.performer.now
        self.sent: list[tuple[int, bytes]] = []
        if recorder is not None:
            recorder.begin(self.performer.save())

    def happen(self, *steps: tuple[int, Event]) -> None:
        """Let things happen, each so many ns after the one before."""
        for step, what in steps:
            self.now += step
            while (due := self.performer.next_deadline()) is not None and due + self.late < self.now:
                self.keep(self.performer.advance(due + self.random.randrange(self.late + 1)))
            outcome = self.performer.receive(what, self.now)
            if self.recorder is not None:
                self.recorder.input(self.performer.now, to_plain(what))
            self.keep(outcome)

    def keep(self, outcome: Outcome) -> None:
        """Record what was sent and said."""
        self.sent += outcome.messages
        if self.recorder is not None:
            for output, data in outcome.messages:
                self.recorder.output(self.performer.now, output, data)
            for notice in outcome.notices:
                self.recorder.notice(notice)

    def checkpoint(self) -> None:
        """Keep the whole state."""
        assert self.recorder is not None
        self.recorder.checkpoint(self.performer.now, self.performer.save())

    def gap(self, dropped: int) -> None:
        """Say that things were lost on the way."""
        assert self.recorder is not None
        self.recorder.notice(Notice("gap", self.performer.now, {"dropped": dropped, "text": f"{dropped} lost"}))

    def end(self, is_released_first: bool = False) -> None:
        """End in order, as the player does: with releases, the last state kept before them or behind them."""
        assert self.recorder is not None
        if not is_released_first:
            self.checkpoint()
        for output, data in self.performer.releases():
            self.recorder.output(self.performer.now, output, data)
        if is_released_first:
            self.checkpoint()
        assert self.recorder.close()


def record(path: Path, *acts: list[tuple[int, Any]], setup: Setup = SETUP, seed: int = 5) -> ShowStage:
    """Record a show in order, with a checkpoint between two acts."""
    stage = ShowStage(Recorder(path, engine=ENGINE), setup, seed)
    for number, steps in enumerate(acts):
        if number:
            stage.checkpoint()
        stage.happen(*steps)
    stage.end()
    return stage


def with_values(**values: Any) -> Setup:
    """Return the setup with parameters set from the beginning."""
    return replace(SETUP, values=values)
