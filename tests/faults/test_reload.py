"""Rig, profile and set read again while the line plays: good files swap at a step, bad ones change nothing."""

import os
import signal
from pathlib import Path

import pytest

from replank.host.client import Denied
from tests.faults.measure import hanging, is_on
from tests.faults.stage import PATIENCE, PROFILE, RIG, Peer, complaints, survived

pytestmark = [pytest.mark.real, pytest.mark.timeout(600)]

DAMAGED = {
    "a value out of range": (RIG.replace("channel: 3", "channel: 33"), 10),
    "an unknown key": (RIG.replace("- name: out\n", "- nmae: out\n"), 6),
    "cut short": (RIG[: RIG.index("fellow") - 8], 10),
    "a tab": (RIG.replace("voices:\n", "voices:\n\t"), 9),
    "no text at all": ("\x00\x01\x02", 1),
}


def channels(heard) -> set[int]:
    return {(data[0] & 15) + 1 for _, data in heard if is_on(data)}


def reload(daemon) -> str:
    """Ask for it; return why it was refused, or nothing."""
    with daemon.client() as client:
        try:
            client.ask("reload")
        except Denied as error:
            return str(error)
    return ""


def test_valid_files_swap_and_the_line_plays_on(shared, trial):
    trial.begin()
    trial.fault()
    shared.rig.write_text(RIG.replace("channel: 3", "channel: 7"))
    try:
        assert reload(shared) == ""
        trial.well()
        after = [one for one in trial.second.received if one[0] > trial.settled]
        assert channels(after) == {7}
        assert 3 in channels(trial.second.received)
        survived(trial)
    finally:
        shared.rig.write_text(RIG)
        assert reload(shared) == ""


@pytest.mark.parametrize("name", DAMAGED)
def test_damaged_rig_is_refused_with_its_line(shared, trial, name):
    text, line = DAMAGED[name]
    trial.begin()
    trial.fault()
    shared.rig.write_text(text)
    try:
        with shared.client() as listening:
            listening.ask("subscribe", levels=["warn"], state=False)
            refused = reload(shared)
            assert f"{shared.rig}:{line}:" in refused, refused
            said = next(one for one in listening.lines() if one.get("notice") == "file")
            assert f"{shared.rig}:{line}:" in said["text"]
        trial.well()
        survived(trial)
        assert channels(trial.second.received) == {3}
    finally:
        shared.rig.write_text(RIG)


def test_damaged_profile_is_refused_on_a_signal(shared, trial):
    profile = Path(shared.folder) / "faults.yaml"
    trial.begin()
    trial.fault()
    try:
        with shared.client() as listening:
            listening.ask("subscribe", levels=["warn"], state=False)
            profile.write_text(PROFILE.replace("cc 30", "cc 300"))
            os.kill(shared.process.pid, signal.SIGHUP)
            said = next(one for one in listening.lines() if one.get("notice") == "file")
            assert f"{profile}:5:" in said["text"]
        trial.well()
        survived(trial)
    finally:
        profile.write_text(PROFILE)


def test_vanished_rig_is_refused(shared, trial):
    trial.begin()
    trial.fault()
    shared.rig.unlink()
    try:
        assert str(shared.rig) in reload(shared)
        trial.well()
        survived(trial)
    finally:
        shared.rig.write_text(RIG)


TAKES_ALL = """\
import dataclasses
import replank.host.requests as requests
true_load = requests.load_setup
def load(facts):
    try:
        return true_load(facts)
    except requests.BadStart:
        kept = facts["first"]
        return dataclasses.replace(kept, voices=kept.voices[:1])
import replank.host.app as app
true_first = app.load_setup
def first(facts):
    facts["first"] = true_first(facts)
    return facts["first"]
app.load_setup, requests.load_setup = first, load
"""


def test_reload_that_takes_a_bad_file_is_rejected(playing, stage):
    """Negative control: a host that takes what is left of a damaged rig."""
    daemon = playing(breaks={"replank.host": TAKES_ALL})
    trial = stage(daemon)
    trial.begin()
    trial.fault()
    daemon.rig.write_text(DAMAGED["a value out of range"][0])
    reload(daemon)
    trial.well(seconds=2.0)
    assert any("after the fault" in one for one in complaints(trial.end()))
    assert Peer.until(lambda: not hanging(trial.second.received), PATIENCE)
