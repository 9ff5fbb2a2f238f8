"""`replank status` says what moves and what comes, from a state as the performer gives it."""

from replank.cli.status import sentences
from replank.control.setup import Setup
from replank.performer import Performer
from tests.dashboard import evening, recording


def test_phrase_what_moves_what_comes_and_what_tension_makes_of_it():
    lines = list(sentences(evening.perform()["state"]))
    for line in (
        "First Light 0:51 of 8:00, bar 26",
        "phrase 7, bar 2 of 4, visits home",
        "moving: homing 0.6 → 0.2 · 8 bars left; tension 0.842 · arc to 1 at 1:00; "
        "transpose_degrees 6 · arc to 0 at 64 bars",
        "next: recall early in 4 bars; planned: recall:early in 2 bars; planned: rest_chance=0.4 in 15 bars; "
        "planned: go_home in 23 bars; and 1 more planned",
    ):
        assert line in lines
    under = next(line for line in lines if line.startswith("tension 0.842: "))
    # MUSIC 2b's offsets at 2 x 0.842 - 1 = 0.684 of their whole: -0.4 x 0.684 on 0.3, +20 x 0.684 on 88
    assert "rest_chance 0.3 → sounds 0.027" in under and "velocity_centre 88 → sounds 102" in under
    assert "sustain" not in under


def test_where_nothing_moves_nothing_is_said_of_it():
    state = {**recording.Night().state(), "performer": Performer(Setup(), 7).view()}
    lines = list(sentences(state))
    assert not [line for line in lines if line.startswith(("phrase", "moving", "next", "tension"))]
