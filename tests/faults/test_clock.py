"""What a stage's clock does: it stops, jumps, races and floods; the phase is right, or said not to be."""

import dataclasses

import pytest

from tests.faults.stage import PATIENCE, STOP, Peer, complaints, plug, survived

pytestmark = [pytest.mark.real, pytest.mark.timeout(600)]


def running(trial) -> dict:
    return trial.daemon.transport()


def test_drop_out_is_estimated_or_said_to_be_unknown(shared, trial):
    trial.begin()
    trial.fault()
    trial.clock.stop_clocks()
    assert Peer.until(lambda: not running(trial)["clock_present"], PATIENCE)
    assert not trial.first.hanging() and not trial.second.hanging()
    trial.clock.run(first=())
    trial.well()
    evidence = trial.end()
    assert evidence.phase in ("estimated", "unknown"), evidence.phase
    assert complaints(evidence) == []


@pytest.mark.parametrize(("slow", "fast"), [(20, 400), (400, 20)])
def test_tempo_jump(shared, trial, slow, fast):
    """The count is right after the jump, whatever the word: what is twenty times slower looks like a hole first."""
    shared.say("division=3c")
    try:
        trial.begin(bpm=slow, least=4)
        trial.fault()
        trial.clock.run(bpm=fast, first=())
        trial.hear(8)
        evidence = trial.end()
        assert evidence.phase != "unknown"
        sure = dataclasses.replace(evidence, step=3, phase="locked")
        assert complaints(sure, least=3) == []
    finally:
        trial.clock.rest()
        trial.clock.send(STOP)
        shared.say("division=6c")


@pytest.mark.alone
def test_clock_storm_is_counted_or_said(shared, trial):
    """4,000 clocks a second for half a second amid the line: it stays alive, and right where it says locked."""
    trial.begin()
    trial.fault()
    before = len(trial.clock.clock_frames)
    trial.clock.run(bpm=10_000, first=())
    assert Peer.until(lambda: len(trial.clock.clock_frames) > before + 2000, PATIENCE)
    trial.clock.run(first=())
    trial.well()
    lost = shared.state()["host"]["player"].get("queue_dropped", 0)
    evidence = trial.end()
    found = complaints(evidence)
    assert found == [] or lost, found


@pytest.mark.alone
def test_panic_amid_everything(shared, trial):
    """A panic over the socket with a flood of nonsense on the clock's port; the line goes on."""
    trial.begin()
    trial.fault()
    trial.clock.storm([b"\xb0\x07\x40"] * 3000, 3000)
    shared.say("panic")
    assert Peer.until(lambda: any(data[:2] == b"\xb0\x7b" for _, data in trial.first.received), PATIENCE)
    assert Peer.until(lambda: any(data[:2] == b"\xb2\x7b" for _, data in trial.second.received), PATIENCE)
    assert Peer.until(lambda: not trial.clock._queue, PATIENCE)
    trial.well()
    survived(trial)


def test_panic_with_a_dead_clock(shared, trial):
    """The clock's cable is out in a note that nothing ends: panic ends it."""
    trial.begin()
    trial.clock.client.disconnect(f"{trial.clock.name}:send", shared.port["clock"])
    trial.first.received.clear()
    shared.say("panic")
    assert Peer.until(lambda: any(data[:2] == b"\xb0\x7b" for _, data in trial.first.received), PATIENCE)
    plug(trial.clock, clock=shared.port["clock"])
    trial.clock.rest()
    trial.clock.send(STOP)
    assert not trial.first.hanging()
