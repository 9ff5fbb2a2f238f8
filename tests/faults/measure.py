"""What an independent peer's record says about a fault.  Nothing of the project is imported here.

All times are JACK frames of the peer's own server.  A clock at frame
``clocks[n]`` is song clock n; a step is six clocks (sixteenths at 24 clocks to
the quarter note: MIDI 1.0 Detailed Specification, p. 30).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

STEP = 6
Heard = list[tuple[int, bytes]]


def is_on(data: bytes) -> bool:
    return len(data) == 3 and data[0] & 0xF0 == 0x90 and data[2] > 0


def is_off(data: bytes) -> bool:
    return len(data) == 3 and (data[0] & 0xF0 == 0x80 or (data[0] & 0xF0 == 0x90 and data[2] == 0))


def ons(heard: Heard) -> list[tuple[int, int]]:
    """(frame, note) of each note-on."""
    return [(frame, data[1]) for frame, data in heard if is_on(data)]


def hanging(heard: Heard) -> set[tuple[int, int]]:
    """(channel, note) that a receiver still sounds; CC 123 and CC 120 end a channel's notes (MIDI 1.0, p. 25)."""
    held: set[tuple[int, int]] = set()
    for _, data in heard:
        if is_on(data):
            held.add((data[0] & 15, data[1]))
        elif is_off(data):
            held.discard((data[0] & 15, data[1]))
        elif len(data) == 3 and data[0] & 0xF0 == 0xB0 and data[1] in (120, 123):
            held = {key for key in held if key[0] != data[0] & 15}
    return held


def released_after(heard: Heard, at: int) -> int | None:
    """Frames from `at` until everything that sounded then was released; None: never; 0: nothing sounded."""
    held = hanging([one for one in heard if one[0] <= at])
    for frame, data in heard:
        if frame <= at or not held:
            continue
        if is_off(data):
            held.discard((data[0] & 15, data[1]))
        elif len(data) == 3 and data[0] & 0xF0 == 0xB0 and data[1] in (120, 123):
            held = {key for key in held if key[0] != data[0] & 15}
        if not held:
            return frame - at
    return None if held else 0


def steps_due(clocks: list[int], begin: int, end: int) -> list[int]:
    """Numbers of the steps whose clock left at a frame from `begin` to before `end`."""
    return [n // STEP for n, frame in enumerate(clocks) if n % STEP == 0 and begin <= frame < end]


def lost_steps(clocks: list[int], heard: Heard, line: list[int] | None, due: list[int]) -> list[int]:
    """The steps of `due` whose note was not struck, or later than half a step.

    A struck note counts for one step only.  Without a `line` any note will do.
    """
    struck = ons(heard)
    lost, used = [], 0
    for number in due:
        at = clocks[number * STEP]
        half = _half_step(clocks, number)
        while used < len(struck) and struck[used][0] < at:
            used += 1
        in_time = used < len(struck) and struck[used][0] <= at + half
        if in_time and (line is None or struck[used][1] == line[number % len(line)]):
            used += 1
        else:
            lost.append(number)
    return lost


def _half_step(clocks: list[int], number: int) -> int:
    first = number * STEP
    last = min(first + STEP // 2, len(clocks) - 1)
    if last > first:
        return (clocks[last] - clocks[first]) * STEP // 2 // (last - first)
    return (clocks[first] - clocks[first - 1]) * STEP // 2 if first else 0


LATE = 8
"""Steps that a note may be late where a stall of the machine holds several up, which then come together."""


def out_of_phase(
    clocks: list[int], heard: Heard, line: list[int], since: int, step: int = STEP
) -> list[tuple[int, int, int]]:
    """(frame, note, note expected there) of each note struck after `since` that the clock does not explain.

    A note is explained by the step of its clock; a late one by an earlier step
    than that, but most have to be in time, so that a line that is a step
    behind is not taken for a slow machine.
    """
    wrong, late, count = [], [], 0
    for frame, note in ons(heard):
        if frame <= since:
            continue
        count += 1
        number = (bisect_right(clocks, frame) - 1) // step
        expected = line[number % len(line)] if number >= 0 else -1
        if note == expected:
            continue
        behind = [line[n % len(line)] for n in range(max(0, number - LATE), number)]
        (late if note in behind else wrong).append((frame, note, expected))
    return wrong if len(late) * 2 <= count else sorted([*wrong, *late])


@dataclass
class Evidence:
    """Everything that a verdict needs.

    Attributes:
        heard: What each destination received.
        at: Frame of the fault; `settled`: frame from which the line has to be right again.
        clocks: Frames of the clocks since Start.
        line: Notes of the line's steps, all of which sound.
        phase: What the daemon declares.
        counted: Song clock that the daemon shows once the clock rests.
        kept: (name, before, after) of what must have stayed.
        step: Clocks of a step.
        cuts: How many messages each destination had at the fault and at the settling; by frames where missing.
    """

    heard: dict[str, Heard]
    at: int
    settled: int
    clocks: list[int]
    line: list[int]
    phase: str
    counted: int | None
    kept: list[tuple[str, object, object]] = field(default_factory=list)
    step: int = STEP
    cuts: dict[str, tuple[int, int]] = field(default_factory=dict)


def complaints(evidence: Evidence, least: int = 4) -> list[str]:
    """Return what is wrong, a sentence each; nothing when the fault was survived."""
    found = []
    for name, heard in evidence.heard.items():
        fault, settled = evidence.cuts.get(name) or (
            sum(frame < evidence.at for frame, _ in heard), sum(frame <= evidence.settled for frame, _ in heard)
        )  # fmt: skip
        before, after = len(ons(heard[:fault])), len(ons(heard[settled:]))
        if before < least:
            found.append(f"{name} heard {before} notes before the fault, not {least}")
        if after < least:
            found.append(f"{name} heard {after} notes after the fault, not {least}")
        if hanging(heard):
            found.append(f"{name} still sounds {sorted(hanging(heard))}")
        if evidence.phase == "locked":
            wrong = out_of_phase(evidence.clocks, heard, evidence.line, evidence.settled, evidence.step)
            if wrong:
                found.append(f"{name} is out of phase though it says locked: {wrong[:3]}, {len(wrong)} notes")
    if evidence.phase == "locked" and evidence.counted != len(evidence.clocks) - 1:
        found.append(f"the daemon counts clock {evidence.counted}, {len(evidence.clocks) - 1} was sent")
    if evidence.phase not in ("locked", "counted", "estimated", "unknown"):
        found.append(f"the phase is {evidence.phase!r}")
    found += [f"{name} was {before!r} and is {after!r}" for name, before, after in evidence.kept if before != after]
    return found
