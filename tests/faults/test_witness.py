"""What a cycle given up took from stage or witness is not held against a daemon; what both heard is."""

import dataclasses
from types import SimpleNamespace

import pytest

pytest.importorskip("jack", reason="elsewhere: no JACK")

from tests.faults import soaking
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


def after_a_kill(monkeypatch, sent: int, witnessed: int, counted: int) -> tuple[soaking.Kills, list[bytes]]:
    """What a soak makes of three counts of one clock, and what its stage sends then."""
    monkeypatch.setattr(soaking, "MADE_GOOD", 0.0)
    started: list[bytes] = []
    trial = SimpleNamespace(
        counted=lambda: counted,
        count_off=lambda count: count() - sent,
        witness=SimpleNamespace(count=lambda: witnessed),
        clock=SimpleNamespace(send=started.append),
        daemon=SimpleNamespace(transport=lambda: {"phase": "locked"}),
    )
    kills = soaking.Kills()
    soaking.be_sure(trial, kills, 1, "player", lambda text: None)
    return kills, started


def test_each_kill_of_a_soak_begins_with_one_count(monkeypatch):
    """Else two kills, after each of which one ear is right, would together leave the daemon's count between both."""
    assert after_a_kill(monkeypatch, 100, 100, 100)[1] == []
    for witnessed, counted in ((99, 100), (99, 99)):
        kills, started = after_a_kill(monkeypatch, 100, witnessed, counted)
        assert (kills.wrong_counts, kills.lost_by_stage, started) == ([], 1, [START])


@pytest.mark.parametrize(("witnessed", "counted"), [(100, 99), (99, 98), (99, 101), (98, 99)])
def test_a_count_that_no_ear_explains_is_wrong(monkeypatch, witnessed, counted):
    """Negative control."""
    kills, started = after_a_kill(monkeypatch, 100, witnessed, counted)
    assert len(kills.wrong_counts) == 1
    assert started == [START]
