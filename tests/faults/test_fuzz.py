"""Short forms of scripts/fuzz and of the simulated soak, and builds that they reject."""

import pytest

from replank.performer import Performer
from replank.performer.voices import Band
from tests.faults import fuzzing, soaking


def test_messages():
    figures = fuzzing.fuzz_midi(40_000, 11)
    assert figures["notes"] > 500 and figures["malformed"] > 1000


def test_lines_and_files():
    assert fuzzing.fuzz_socket(3000, 11)["accepted"] > 50
    assert fuzzing.fuzz_files(60, 11)["refused"] > 10


def test_forgotten_release_is_rejected(monkeypatch):
    true_release = Band.release

    def forgetful(self, p, i):
        if p.notes % 50 == 3:
            p.messages.append((0, bytes((0x90, 126, 1))))  # struck, and nobody remembers it
        true_release(self, p, i)

    monkeypatch.setattr(Band, "release", forgetful)
    with pytest.raises(fuzzing.Fault, match="still sounds"):
        fuzzing.fuzz_midi(40_000, 11)


class Fragile(Performer):
    def receive(self, event, now):
        if getattr(event, "data", b"")[:1] == b"\xc0":
            raise IndexError("a program that is not there")
        return super().receive(event, now)


def test_crash_is_rejected_and_told():
    with pytest.raises(fuzzing.Fault, match=r"seed 11/0, message c0.*IndexError"):
        fuzzing.fuzz_midi(40_000, 11, Fragile)


def test_simulated_minutes():
    figures = soaking.simulate(0.05, 3, lambda text: None)
    assert figures["notes"] > 800


def test_simulated_line_that_leaves_its_register_is_rejected(monkeypatch):
    made = Performer.__init__

    def wild(self, *args):
        made(self, *args)
        self.values["transpose"] = 7
        self.changed()

    monkeypatch.setattr(Performer, "__init__", wild)
    with pytest.raises(AssertionError, match="out of scale or register"):
        soaking.simulate(0.05, 3, lambda text: None)


def test_verdict_of_a_soak():
    good = {"same": True, "inputs": 9, "notes": 5, "gaps": 1, "first": [], "differences": 0}
    bad = {**good, "same": False, "differences": 3}
    kills = soaking.Kills(gaps=[90.0, 120.0], releases=[20.0], lost=[0, 1], hosts=3, lost_by_host=1)
    assert soaking.verdict(kills, good, bad) == []
    wrong = soaking.Kills(never_released=1, never_replaced=1, wrong_counts=["-4 clocks"], faults=["x"])
    assert len(soaking.verdict(wrong, bad, good)) == 5
    assert soaking.verdict(kills, {}, {}) == ["no set was played to its end"]
    assert any("within 100 ms | 1 of 2" in line for line in soaking.table(soaking.Kills(releases=[9.0, 101.0]), {}, {}))
    assert any("at most one lost step | 2 of 2" in line for line in soaking.table(kills, good, bad))
    assert any("of the host, after which a step was lost | 1 of 3" in line for line in soaking.table(kills, good, bad))
