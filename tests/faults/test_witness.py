"""What a cycle given up took from stage or witness is not held against a daemon; what both heard is."""

import dataclasses

import pytest

pytest.importorskip("jack", reason="elsewhere: no JACK")

from tests.faults.measure import STEP, Evidence
from tests.faults.witness import CLOCK, START, judged

LINE = [60, 62, 64, 65]
EVERY = 100
CLOCKS = [1000 + EVERY * n for n in range(STEP * 24)]


def played(clocks: list[int]) -> list[tuple[int, bytes]]:
    """What a right line on these clocks sounds like."""
    heard = []
    for step, at in enumerate(clocks[::STEP]):
        note = LINE[step % len(LINE)]
        heard += [(at + 10, bytes((0x90, note, 100))), (at + 200, bytes((0x80, note, 0)))]
    return heard


def evidence(heard: list, counted: int) -> Evidence:
    at = CLOCKS[STEP * 8] - 1
    return Evidence({"out": heard}, at, at, CLOCKS, LINE, "locked", counted)


def witnessed(heard: list, clocks: list[int]) -> dict:
    return {"clock": [(990, START), *((at, CLOCK) for at in clocks)], "out": heard}


LESS = CLOCKS[:50] + CLOCKS[51:]
WHOLE, SHORT = played(CLOCKS), played(LESS)


def test_a_clock_that_nobody_heard_is_not_missed():
    assert judged(evidence(SHORT, len(LESS) - 1), witnessed(SHORT, LESS)) == []


def test_a_clock_that_only_the_witness_lacks_is_counted():
    assert judged(evidence(WHOLE, len(CLOCKS) - 1), witnessed(WHOLE, LESS)) == []


def test_a_release_that_only_the_stage_lacks_was_made():
    assert judged(evidence(WHOLE[:-1], len(CLOCKS) - 1), witnessed(WHOLE, CLOCKS)) == []


def test_what_both_heard_is_held_against_the_daemon():
    """Negative controls: a clock passed over, a note that hangs, a line that is out of phase."""
    assert judged(evidence(SHORT, len(LESS) - 1), witnessed(SHORT, CLOCKS)) != []
    assert judged(evidence(WHOLE, len(CLOCKS) - 2), witnessed(WHOLE, CLOCKS)) != []
    assert judged(evidence(WHOLE[:-1], len(CLOCKS) - 1), witnessed(WHOLE[:-1], CLOCKS)) != []
    # a cycle given up excuses the one clock it took, not another
    assert judged(evidence(SHORT, len(LESS) - 2), witnessed(SHORT, LESS)) != []


def test_the_evidence_is_left_as_it_was():
    given = evidence(WHOLE, len(CLOCKS) - 1)
    before = dataclasses.replace(given)
    judged(given, witnessed(WHOLE, LESS))
    assert given == before
