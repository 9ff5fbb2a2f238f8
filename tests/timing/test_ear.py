"""The host's ear beside the record: what it heard and the record lacks, by stamps."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest

from replank.timing.ear import Ear

MS = 1_000_000


class ByCounts(Ear):
    """Compares how many both have heard, as they are known at one moment."""

    def lacking(self, interval: int) -> list[int]:
        missing = len(self._heard) - len(self._recorded)
        found = list(self._heard)[-missing:] if missing > 0 else []
        self.forget()
        return found


def check_ear(
    make: Callable[[], Ear], seed: int, interval: int, jitter: float, late: float, clocks: int = 20_000
) -> tuple[int, int]:
    """Let a player miss some clocks, and the ear others; return how many the ear found, of how many.

    Args:
        make: Of the ear.
        seed: Of losses and jitter.
        interval: Of the clock, ns.
        jitter: Standard deviation between both stamps of one clock, ns.
        late: The record may be late by so much at most, ns.
        clocks: How many are sent.
    """
    r = Random(seed)
    sent = [10**9 + i * interval for i in range(clocks)]
    lost = {i for i in range(clocks) if r.random() < 0.002}
    unheard = {i for i in range(clocks) if r.random() < 0.002}
    heard = [(max(0, t + r.gauss(0, jitter)), i) for i, t in enumerate(sent) if i not in unheard]
    recorded = [(max(0, t + r.gauss(0, jitter)), i) for i, t in enumerate(sent) if i not in lost]
    ear, found = make(), []
    h = k = 0
    now = sent[0]
    while now < sent[-1] + 2 * late:
        now += int(250 * MS * r.random())
        until = now - late * r.random()
        while h < len(heard) and heard[h][0] <= now:
            ear.heard(int(heard[h][0]))
            h += 1
        while k < len(recorded) and recorded[k][0] <= until:
            ear.recorded(int(recorded[k][0]))
            k += 1
        found += ear.lacking(interval)
    where = {int(t): i for t, i in heard}
    told = [where[stamp] for stamp in found]
    assert len(told) == len(set(told)), "told twice"
    assert set(told) <= lost, "told of clocks that the record holds"
    return len(told), len(lost - unheard - {0})


@pytest.mark.parametrize(("bpm", "share"), [(60, 0.05), (120, 0.02), (120, 0.05), (174, 0.05), (300, 0.05)])
@pytest.mark.parametrize("late_ms", [5, 500])
def test_every_loss_is_found_and_nothing_else(bpm: int, share: float, late_ms: int):
    interval = 60_000 * MS // 24 // bpm
    found, of = check_ear(Ear, bpm + late_ms, interval, min(share * interval, 0.7 * MS), late_ms * MS)
    assert found == of


def test_an_ear_that_compares_counts_is_rejected():
    with pytest.raises(AssertionError, match="that the record holds"):
        check_ear(ByCounts, 1, 20_833_333, 0.1 * MS, 300 * MS)


def test_a_clock_that_is_late_in_the_record_is_none_that_it_lacks():
    ear = Ear()
    for i in range(10):
        ear.heard(1000 * MS + i * 20 * MS)
        ear.recorded(1000 * MS + i * 20 * MS + (12 * MS if i == 5 else 0))
    assert ear.lacking(20 * MS) == []


def test_what_one_of_both_heard_before_the_other_began_is_no_loss():
    ear = Ear()
    for i in range(10):
        ear.heard(1000 * MS + i * 20 * MS)
    for i in range(6, 10):
        ear.recorded(1000 * MS + i * 20 * MS)
    assert ear.lacking(20 * MS) == []


def test_nothing_is_certain_without_a_tempo_or_a_later_clock():
    ear = Ear()
    for i in (0, 1, 2):
        ear.heard(1000 * MS + i * 20 * MS)
    ear.recorded(1000 * MS)
    ear.recorded(1000 * MS + 20 * MS)
    assert ear.lacking(0) == []
    assert ear.lacking(20 * MS) == []
    ear.heard(1000 * MS + 60 * MS)
    ear.recorded(1000 * MS + 60 * MS)
    assert ear.lacking(20 * MS) == [1000 * MS + 40 * MS]
    assert ear.lacking(20 * MS) == []
