"""The check itself: it accepts what was survived, and rejects each way of not surviving."""

import dataclasses

import pytest

from tests.faults.measure import STEP, Evidence, Heard, complaints, hanging, lost_steps, released_after, steps_due

LINE = [60, 62, 65, 67]
INTERVAL = 1000
COUNT = 240
CLOCKS = [n * INTERVAL for n in range(COUNT)]
FAULT, SETTLED = 80_000, 100_000


def on(frame: int, note: int) -> tuple[int, bytes]:
    return frame, bytes((0x90, note, 80))


def off(frame: int, note: int) -> tuple[int, bytes]:
    return frame, bytes((0x80, note, 64))


def played(shift: int = 0, missing: range = range(0), late: int = 50) -> Heard:
    """A line as it is heard: each note a little late, released within its step."""
    heard: Heard = []
    for step in range(COUNT // STEP):
        if step not in missing:
            at = step * STEP * INTERVAL + late
            heard += [on(at, LINE[(step + shift) % 4]), off(at + 3000, LINE[(step + shift) % 4])]
    return heard


def evidence(heard: Heard, **changes: object) -> Evidence:
    made = Evidence({"synth": heard}, FAULT, SETTLED, CLOCKS, LINE, "locked", COUNT - 1, [("length", 4, 4)])
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def test_what_was_survived_is_accepted():
    assert complaints(evidence(played())) == []
    assert complaints(evidence(played(missing=range(13, 16)))) == []
    assert complaints(evidence(played(shift=1), phase="unknown", counted=3)) == []


def test_a_stall_of_the_machine_is_no_fault():
    heard = played()
    stalled = [(max(frame, 150_000) if 130_000 < frame < 160_000 else frame, data) for frame, data in heard]
    assert stalled != heard
    assert complaints(evidence(stalled)) == []


BAD = {
    "a player that is not replaced": (evidence(played(missing=range(13, 99))), "after the fault"),
    "a line that never began": (evidence(played(missing=range(0, 13))), "before the fault"),
    "a note that hangs": (evidence([*played(), on(230_000, 67)]), "still sounds"),
    "a line one step off that says locked": (evidence(played()[:26] + played(shift=1)[26:]), "out of phase"),
    "a line one step behind that says locked": (evidence(played()[:26] + played(shift=-1)[26:]), "out of phase"),
    "a line that is not the line": (evidence([*played(), on(230_000, 99), off(230_500, 99)]), "out of phase"),
    "a count that is one off": (evidence(played(), counted=COUNT - 2), "counts clock"),
    "a phase that is not told": (evidence(played(), phase="none"), "the phase is"),
    "another line": (evidence(played(), kept=[("line", [1], [2])]), "line was"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_was_not_survived_is_rejected(name):
    bad, words = BAD[name]
    assert any(words in one for one in complaints(bad)), complaints(bad)


def test_lost_steps():
    due = steps_due(CLOCKS, 0, 10**9)
    assert lost_steps(CLOCKS, played(), LINE, due) == []
    assert lost_steps(CLOCKS, played(missing=range(13, 15)), LINE, due) == [13, 14]
    assert lost_steps(CLOCKS, played(late=2999), LINE, due) == []
    assert lost_steps(CLOCKS, played(late=3001), LINE, due) == due
    assert lost_steps(CLOCKS, played(shift=1), LINE, due) == due
    assert steps_due(CLOCKS, 6000, 18_000) == [1, 2]


def test_release_time():
    heard = [on(10, 60), on(20, 62), off(50, 60), off(90, 62)]
    assert released_after(heard, 30) == 60
    assert released_after(heard, 95) == 0
    assert released_after(heard[:3], 30) is None
    assert released_after([*heard[:3], (70, b"\xb0\x7b\x00")], 30) == 40
    assert hanging(heard[:3]) == {(0, 62)}
