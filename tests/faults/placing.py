"""Whether a line is in its place after its clock has failed, from what independent ears heard.  Nothing of the project.

Times are JACK frames.  A line whose steps have notes that all differ tells at
each note which step it is; when that step was due is known from what the
clock's sender meant (`tests.faults.sender`).  Where a server does not wait for
its clients an ear may lack a note or hear one twice, so there are two ears: a
step was struck if either heard it, and struck wrongly only if both did.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

from tests.faults.measure import STEP

EARLY, LATE = 0.25, 0.5
"""Clocks by which a note may come before or after its clock: a note is on its clock, not on one beside it."""
SAME = 200
"""Frames within which two ears hear the same note."""
Notes = list[tuple[int, int]]
"""(frame, note) of each note-on."""


@dataclass
class Said:
    """What the daemon said of itself.

    Attributes:
        asked, answered: How many clocks were due by then.
        word: What the count is worth.
        song_clock: The count; None before a Start.
        trouble: What it says of the clock.
    """

    asked: int
    answered: int
    word: str
    song_clock: int | None
    trouble: str = ""


@dataclass
class Fault:
    """What was done, in numbers of the sender's clocks.

    Attributes:
        kind: In words.
        start: The clock of the Start before it.
        begin, end: The first clock that it touched, and the first behind it.
        settled, last: From which to before which the line has to be in place.
        said: What the daemon said at the end of it.
        may_be_unsure: Nobody can know the right place: it has to be right only where it says *locked*.
    """

    kind: str
    start: int
    begin: int
    end: int
    settled: int
    last: int
    said: Said
    may_be_unsure: bool = False


@dataclass
class Found:
    """What came of a fault.

    Attributes:
        kind: In words.
        word: What the daemon says at the end.
        until: Clocks behind the fault until the line was right for good.
        missed, misplaced: (step, or clocks off its place) in the settled part.
        twice: Steps that were struck twice.
        moved: How often the line was elsewhere for two notes or more.
        locked_wrong: How often it said *locked* while the line, or its own count, was wrong.
        may_be_unsure: As the fault has it.
    """

    kind: str
    word: str
    until: int = 0
    missed: list[int] = field(default_factory=list)
    misplaced: list[float] = field(default_factory=list)
    twice: list[int] = field(default_factory=list)
    moved: int = 0
    locked_wrong: list[str] = field(default_factory=list)
    may_be_unsure: bool = False

    @property
    def placed(self) -> bool:
        return not self.missed and not self.misplaced

    def complaints(self) -> list[str]:
        """Return what is wrong, a sentence each."""
        found = []
        if not self.placed and not (self.may_be_unsure and self.word != "locked"):
            found.append(f"{self.kind}: missed steps {self.missed[:4]}, clocks off {self.misplaced[:4]}, {self.word}")
        if self.twice:
            found.append(f"{self.kind}: steps {self.twice[:4]} were struck twice")
        if self.locked_wrong:
            found.append(f"{self.kind}: locked while wrong: {self.locked_wrong[0]}, {len(self.locked_wrong)} times")
        return found


def both(ears: list[Notes]) -> Notes:
    """Return what every ear heard, by the first one's frames."""
    found = ears[0]
    for other in ears[1:]:
        left = sorted(other)
        found = [one for one in found if _has(left, one)]
    return found


def either(ears: list[Notes]) -> Notes:
    """Return what any ear heard, each once."""
    found = sorted(ears[0])
    for other in ears[1:]:
        found = sorted([*found, *(one for one in other if not _has(found, one))])
    return found


def _has(notes: Notes, one: tuple[int, int]) -> bool:
    at = bisect_left(notes, (one[0] - SAME, -1))
    while at < len(notes) and notes[at][0] <= one[0] + SAME:
        if notes[at][1] == one[1]:
            return True
        at += 1
    return False


def step_of(clocks: list[int], line: list[int], frame: int, note: int) -> tuple[int, float] | None:
    """Return which step a note is and how many clocks behind its place it came; None where the line has no such note.

    Args:
        clocks: Frames of the clocks from Start on.
        line: Notes of the line's steps, all different.
        frame: When the note came; `note`: which it is.
    """
    if note not in line:
        return None
    place = _place(clocks, frame)
    first = line.index(note)
    turn = round((place / STEP - first) / len(line))
    number = max(0, first + turn * len(line))
    return number, place - number * STEP


def _place(clocks: list[int], frame: int) -> float:
    """Return a frame as a number of clocks."""
    at = max(0, min(bisect_right(clocks, frame) - 1, len(clocks) - 2))
    return at + (frame - clocks[at]) / (clocks[at + 1] - clocks[at])


def judge(fault: Fault, frames: list[int], ears: list[Notes], line: list[int], said: list[Said]) -> Found:
    """Return what came of a fault.

    Args:
        fault: What was done.
        frames: When each clock was meant to leave.
        ears: What each ear heard.
        line: Notes of the line's steps, all different.
        said: What the daemon said meanwhile, in order.
    """
    clocks = frames[fault.start : fault.last + 1]
    begin, end = fault.begin - fault.start, fault.end - fault.start
    settled, last = fault.settled - fault.start, fault.last - fault.start
    rows = [[one for one in ear if clocks[0] <= one[0] < clocks[last]] for ear in ears]
    found = Found(fault.kind, fault.said.word, may_be_unsure=fault.may_be_unsure)

    struck: set[int] = set()
    for frame, note in either(rows):
        step = step_of(clocks, line, frame, note)
        if step is not None and -EARLY <= step[1] < LATE:
            struck.add(step[0])
    wrong_until = end
    for number in range(-(-begin // STEP), last // STEP):
        if number not in struck and number * STEP >= begin:
            if number * STEP >= settled:
                found.missed.append(number)
            if number * STEP >= end:
                wrong_until = number * STEP + 1

    seen: set[int] = set()
    before: tuple[float, bool] | None = None  # the last note: its place, if it was off it
    for frame, note in both(rows):
        step = step_of(clocks, line, frame, note)
        place = _place(clocks, frame)
        if place < begin - LATE:
            continue
        number, off = step if step is not None else (-1, float("inf"))
        if number in seen and number >= 0:
            found.twice.append(number)
        seen.add(number)
        if -EARLY <= off < LATE or place < end + LATE:  # at the first clock a step of the hole may sound
            before = None
            continue
        wrong_until = max(wrong_until, int(place) + 1)
        if place >= settled:
            found.misplaced.append(round(off, 2))
        is_locked = _says_locked(said, place + fault.start)
        if before is not None:  # a single one is a late step, two are a line that is elsewhere
            found.moved += not before[1]
            if is_locked:
                found.locked_wrong.append(f"note {note} at clock {place:.1f} was {off:+.1f} clocks off")
        before = (place, before is not None)
    found.until = wrong_until - end
    found.locked_wrong += _wrong_counts(fault, said)
    return found


def _says_locked(said: list[Said], place: float) -> bool:
    """Tell whether it said *locked* both before and after a place."""
    at = bisect_right(said, place, key=lambda one: one.answered)
    before, after = said[:at], [one for one in said[at : at + 5] if one.asked > place + 1]
    return bool(before and after) and before[-1].word == after[0].word == "locked"


def _wrong_counts(fault: Fault, said: list[Said]) -> list[str]:
    """Return where it said *locked* and a count that cannot be: an answer may be old, never new."""
    offs = [
        one.song_clock + 1 + fault.start - one.answered
        for one in said
        if one.word == "locked" and one.song_clock is not None and fault.settled <= one.asked < fault.last
    ]
    if offs and max(offs) > 0:
        return [f"it counts {max(offs)} clocks more than were due"]
    if len(offs) >= 8 and max(offs) < -1:
        return [f"it counts {-max(offs)} clocks fewer than were due"]
    return []
