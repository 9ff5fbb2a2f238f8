"""How a judge of the clock does on clocks whose truth is known."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from replank.timing.judge import ClockJudge

from .clocks import Case


class Line:
    """A line that a judge moves.

    Its position is the judge's count: a performer's own waits while it is ahead of that.

    Args:
        judge: New, or as it was saved.

    Attributes:
        pos: Song clock of the last clock; -1 before the first.
        running: Between Start or Continue and Stop.
    """

    def __init__(self, judge: ClockJudge) -> None:
        self.judge = judge
        self.now, self.pos, self.running = 0, -1, False

    @property
    def word(self) -> str:
        """Return what the judge says of the position."""
        return self.judge.word

    def start(self) -> None:
        self.judge.start(self.now)
        self.pos, self.running = -1, True

    def stop(self) -> None:
        self.judge.stop(self.now)
        self.running = False

    def cont(self) -> None:
        self._move(lambda: self.judge.go_on(self.now))
        self.running = True

    def songpos(self, clock: int) -> None:
        self.judge.place(self.now)
        self.pos = clock - 1

    def clock(self, now: int) -> None:
        self.now = now
        self._move(lambda: self.judge.clock(now))
        if self.judge.looks:
            self.judge.look()

    def evidence(self, stamps: list[int]) -> None:
        self._move(lambda: self.judge.heard(stamps))

    def _move(self, act: Callable[[], Any]) -> None:
        before = self.judge.number
        act()
        if self.running:
            self.pos += self.judge.number - before


def line(grain: int) -> Line:
    """Return a new line, whose clock's stamps are rounded to `grain` ns."""
    return Line(ClockJudge(grain))


Step = Callable[[Any], Any]


@dataclass
class Result:
    """What came of one case.

    Attributes:
        right: At the end.
        locked: The word at the end is locked.
        until: Clocks received from the fault on until right for good.
        struck, missed: Sixteenths struck where there was none, and not struck.
        longest: Clocks in a row that were wrong while it said locked.
        moved: Clocks after which the position was wrong.
    """

    right: bool
    locked: bool
    until: int
    struck: int
    missed: int
    longest: int
    moved: int


def feed(line: Any, case: Case, step: Step = lambda line: line) -> Iterable[tuple[int, str, int, int, Any]]:
    """Feed a case; yield (time, kind, truth, position before, line) after each event.

    Args:
        line: A `Line`, or what goes for one.
        case: The clock.
        step: What to do with the line before each event; it returns the line to go on with.
    """
    told = list(case.ear)
    for now, kind, truth in case.events:
        line = step(line)
        while told and told[0][0] <= now:
            line.evidence(told.pop(0)[1])
        before = line.pos
        if kind == "F8":
            line.clock(now)
        elif kind == "F2":
            line.songpos(truth)
        else:
            {"FA": line.start, "FB": line.cont, "FC": line.stop}[kind]()
        yield now, kind, truth, before, line


def run(line: Any, case: Case, step: Step = lambda line: line) -> Result:
    """Return what comes of a case."""
    count = first = last_bad = wrong = missed = longest = streak = moved = 0
    struck: set[int] = set()
    ok, word = True, ""
    for now, kind, truth, before, used in feed(line, case, step):
        if kind != "F8":
            if kind == "FA":
                struck.clear()
            continue
        count += 1
        place, word = used.pos, used.word
        ok = place == truth
        if now >= case.fault_at:
            first = first or count
            if not ok:
                last_bad = count
        streak = 0 if ok or word != "locked" else streak + 1
        longest = max(longest, streak)
        moved += not ok
        if used.running:
            strikes = place != before and place % 6 == 0 and place not in struck
            if strikes:
                struck.add(place)
            wrong += strikes and truth % 6 != 0
            missed += truth % 6 == 0 and not strikes and place != truth
    until = max(0, last_bad - first + 1) if last_bad else 0
    return Result(ok, word == "locked", until, wrong, missed, longest, moved)
