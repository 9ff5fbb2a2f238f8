"""What of an offline performance is heard, cycle by cycle: notes, where they begin, how long they sound."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import replace
from typing import NamedTuple

from replank.control.parameters import Value
from replank.control.setup import Setup
from replank.midi.offline import Take, play_cycles
from replank.timing.divisions import PPQN, division_clocks


class Cycle(NamedTuple):
    """One cycle as the first voice sounds it.

    Attributes:
        notes: MIDI note numbers in the order in which they are struck, one a step; what is tied on is not struck.
        onsets: When each begins, in beats from Start.
        lengths: How long each sounds, in steps.
        places: For each step played, in order: when it begins, in beats from Start, and whether a note is struck there.
    """

    notes: list[int]
    onsets: list[float]
    lengths: list[float]
    places: list[tuple[float, bool]]


def cycles_of(take: Take, division: str = "1/16") -> list[Cycle]:
    """Return the cycles of a take, read from the messages of its first output and channel alone.

    Where a step is struck several times the first strike is its note, and the
    last release its end.
    """
    start = take.clock[0]
    clock = (take.end - start) / take.clocks
    step = clock * division_clocks(division)
    cycles: dict[int, Cycle] = {}
    begins, where = [], []
    for notice in take.notices:
        if notice.kind == "step":
            cycle = cycles.setdefault(notice.data["cycle"], Cycle([], [], [], []))
            begins.append(notice.now)
            where.append((cycle, len(cycle.places)))
            cycle.places.append(((notice.now - start) / clock / PPQN, False))
    sounding: dict[int, tuple[Cycle, int, int]] = {}
    struck: dict[int, int] = {}
    for now, output, message in take.messages:
        if output or message[0] not in (0x80, 0x90):
            continue
        if message[0] == 0x90 and message[2]:
            at = bisect_right(begins, now) - 1
            cycle, place = where[at]
            if at not in struck:
                struck[at] = len(cycle.notes)
                beat = cycle.places[place][0]
                cycle.places[place] = (beat, True)
                cycle.notes.append(message[1])
                cycle.onsets.append(beat)
                cycle.lengths.append(0.0)
            sounding[message[1]] = (cycle, struck[at], begins[at])
        elif message[1] in sounding:
            cycle, note, begun = sounding.pop(message[1])
            cycle.lengths[note] = (now - begun) / step
    return [cycles[number] for number in sorted(cycles)]


def heard_cycles(
    seed: int, cycles: int, setup: Setup | None = None, tempo: float = 96.0, **values: Value
) -> list[Cycle]:
    """Play offline and return what is heard.

    Args:
        seed: Seed of all chance.
        cycles: How many to play; 240 of the default length at 96 BPM are ten minutes.
        setup: Rig, first values, and the piece to play as its first one.
        tempo: Quarter notes a minute.
        **values: Parameters that differ from the setup's.
    """
    setup = setup or Setup()
    setup = replace(setup, values={**setup.values, **values})
    begins = {**setup.values, **(setup.pieces[0].values if setup.pieces else {})}
    return cycles_of(play_cycles(setup, seed, cycles, tempo), str(begins.get("division", "1/16")))
