"""Holes in the clock that are shorter than half a second, over real ports."""

from __future__ import annotations

from typing import Any

import pytest

from tests.faults.holes import tried
from tests.faults.stage import Trial, seeded

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

CREDITS_NOTHING = """\
from replank.timing import trying
trying.out_of_place = lambda *given: None
"""
"""Judge of player and host alike."""


@pytest.mark.parametrize("kind", ["lost", "crackle"])  # a cable that moves holds up a server and its senders
def test_the_count_is_right_after_a_hole(shared: Any, trial: Trial, kind: str) -> None:
    found = tried(trial, 5, seeded(), (kind,))
    assert found.wrong_and_locked() == []
    assert len(found.wrong()) <= 2, found.holes  # a server that is held up stands still together with the sender


def test_a_judge_that_credits_nothing_is_rejected(playing: Any, stage: Any) -> None:
    """Negative control."""
    broken = playing(breaks={"replank.host": CREDITS_NOTHING, "replank.player": CREDITS_NOTHING})
    found = tried(stage(broken), 2, seeded(), ("lost",))
    assert len(found.wrong_and_locked()) == 2, found.holes
