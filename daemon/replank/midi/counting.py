"""What a prepared piece does, counted by playing it on a virtual clock: how long it stays itself, how much is heard.

What arcs, plans, tension, phrases and visits home make of a line no closed form
says; playing an evening says it exactly for that evening's seed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from replank.control.notices import Notice
from replank.control.setup import Setup
from replank.line.heard import is_accented, is_heard
from replank.line.measures import Sounding, audible_changes, is_audible
from replank.line.mutation import may_change
from replank.line.steps import Step
from replank.midi.offline import Take
from replank.midi.rehearsing import MINUTE, NEAR, Part, rehearse
from replank.performer import Performer, lookahead
from replank.performer.settings import Settings


class Touch(NamedTuple):
    """When a step's pitch was first touched: so much after the beginning."""

    cycles: float
    bars: float
    minutes: float


class Counted(NamedTuple):
    """What one evening of a piece did.

    Attributes:
        itself: For each mark that was reached, the share of the played steps that sounded as the piece began.
        changes: Turns of mutation that could be heard.
        minutes: How long it was played.
        first: Minutes until the first change that could be heard; None where there was none.
        able: Steps that could change when it began.
        touches: Of these, those whose pitch was touched, in order.
    """

    itself: tuple[float, ...]
    changes: int
    minutes: float
    first: float | None
    able: int
    touches: tuple[Touch, ...]


class Counter:
    """Looks on while a piece is played.

    A step is itself where it sounds as the step of the same place with which
    the piece began would sound now: the same note, rest and accent, the
    velocity nearly so.  So what a lens does to the whole line (key,
    transposition, tension) takes nothing from it, and a visit home brings it back.

    Args:
        marks: Minutes after which the share that is itself is taken, rising.
    """

    def __init__(self, marks: Sequence[float]) -> None:
        self._marks = list(marks)
        self._shares: list[float] = []
        self._itself: dict[int, bool] = {}
        self._began: list[Step] = []
        self._before: list[Step] = []
        self._touches: dict[int, Touch] = {}
        self._changes, self._first, self._seen, self._advances, self._piece = 0, -1, 0, -1, 0
        self._able: set[int] = set()

    def begins(self, performer: Performer, take: Take) -> None:
        """Remember the form with which the piece begins."""
        p = performer
        self._take, self._piece, self._performer = take, p.piece, p
        self._began, self._before = list(p.melody.steps), list(p.melody.steps)
        self._able = {i for i in range(p.settings.length) if may_change(self._began[i])}
        self._cycle, self._start = p.melody.cycle, -1

    def looks(self, performer: Performer, now: int) -> None:
        """Count what a clock has brought."""
        p = performer
        if self._start < 0:
            self._start = now
        if p.piece != self._piece:
            return  # its plan has gone on to the next piece
        while self._marks and now - self._start >= self._marks[0] * MINUTE - NEAR:
            self._mark(p)
        if p.transport.playhead.advances != self._advances:
            self._advances, index = p.transport.playhead.advances, p.transport.playhead.index
            step = lookahead.here(p, index).step if p.settings.visit_home else p.melody.steps[index]
            self._itself[index] = is_same(self._began[index], step, p.settings)
        if len(self._take.notices) > self._seen:
            fresh = self._take.notices[self._seen :]
            self._seen = len(self._take.notices)
            turns = list(_turns(fresh))
            if turns:
                self._count(p, turns, now)
            self._before = list(p.melody.steps)

    def _count(self, p: Performer, turns: list[set[int]], now: int) -> None:
        before, after, s = self._before, p.melody.steps, p.settings
        heard = audible_changes([[(sounding(before[i], s), sounding(after[i], s)) for i in turn] for turn in turns])
        if heard and not self._changes:
            self._first = now
        self._changes += heard
        minutes = (now - self._start) / MINUTE
        bars = p.transport.bars
        clock = max(p.transport.song_clock, 0)
        touch = Touch(p.melody.cycle - self._cycle, clock / bars.bar_length, minutes)
        for turn in turns:
            for index in turn & self._able:
                if before[index].pitch != after[index].pitch:
                    self._touches.setdefault(index, touch)

    def _mark(self, p: Performer) -> None:
        self._marks.pop(0)
        heard = [same for index, same in self._itself.items() if index < p.settings.length]
        self._shares.append(len([1 for same in heard if same]) / max(1, len(heard)))

    def counted(self, end: int) -> Counted:
        """Return what was counted until `end`, ns."""
        if self._performer.piece == self._piece:
            while self._marks and end - self._start >= self._marks[0] * MINUTE - NEAR:
                self._mark(self._performer)
        first = (self._first - self._start) / MINUTE if self._changes else None
        touches = tuple(sorted(self._touches.values()))
        minutes = (end - self._start) / MINUTE
        return Counted(tuple(self._shares), self._changes, minutes, first, len(self._able), touches)


def count_piece(
    setup: Setup, seed: int, piece: int, minutes: float, marks: Sequence[float], pinned: int = 0
) -> Counted:  # fmt: skip
    """Play a piece, or the line of no set, and return what was counted.

    Args:
        setup: Rig and set.
        seed: Of the show; a piece with a seed has its own chance.
        piece: By its number, from 1; 0 without a set.
        minutes: How long.
        marks: As `Counter`.
        pinned: Steps that are pinned before it begins, from step 1.

    Raises:
        Endless: It is too long.
        ValueError: The piece does not fit the rig.
    """
    counter = Counter(marks)
    take = rehearse(setup, seed, [Part(piece, minutes, pinned)], counter)
    return counter.counted(take.end)


def half_touched(evenings: Sequence[Counted]) -> Touch | None:
    """Return when half of the steps of all the evenings together had been touched; None where never."""
    able = sum(evening.able for evening in evenings)
    touches = sorted(touch for evening in evenings for touch in evening.touches)
    half = (able + 1) // 2
    return touches[half - 1] if 0 < half <= len(touches) else None


def sounding(step: Step, s: Settings) -> Sounding:
    """Return what a step sounds as under the settings, its pass and its place in a phrase aside."""
    if not is_heard(step, s.rest):
        return Sounding(None)
    accented = is_accented(step, s.accent)
    return Sounding(s.lens.sound(step, s.degrees, s.semitones), accented, s.velocity_of(step, accented))


def is_same(began: Step, now: Step, s: Settings) -> bool:
    """Tell whether two steps sound alike under the settings."""
    return began is now or began == now or not is_audible(sounding(began, s), sounding(now, s))


def _turns(notices: Sequence[Notice]) -> Iterator[set[int]]:
    """Yield the steps, from 0, of each turn of mutation: those that follow a step with it."""
    turns: list[set[int]] = []
    for notice in notices:
        if notice.kind != "mutation":
            continue
        index, partner = notice.data["index"] - 1, notice.data["partner"] - 1
        own = {index} if partner < 0 else {index, partner}
        for turn in [turn for turn in turns if turn & own]:
            own |= turn
            turns.remove(turn)
        turns.append(own)
    yield from turns
