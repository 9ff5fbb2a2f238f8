"""What scripts/steady makes of its minutes."""

import pytest

pytest.importorskip("scipy")

from scripts.benchparts.steady import Steady, on_channel, table

QUIET = {"replaced": 0, "differences": 0, "failures": 0}


def hour(daemon: int, echo: int, memory: list[float], **facts: int) -> Steady:
    return Steady(
        clocks=432_000, lost={"daemon": daemon, "echo": echo}, memory={"player": memory}, facts={**QUIET, **facts}
    )


def test_an_hour_in_which_nothing_was_wrong():
    # memory that grows while caches fill, and then no more
    found = hour(12, 10, [9.0, 9.5, 10.0, 10.5, 10.9, *[11.0] * 55])
    assert found.wrong() == []
    assert "| daemon | 432000 | 12 | 2.8 (" in table(found)


@pytest.mark.parametrize(
    ("found", "word"),
    [
        (hour(90, 10, [11.0] * 60), "lost 90"),
        (hour(10, 10, [11.0 + 0.05 * minute for minute in range(60)]), "grew"),
        (hour(10, 10, [11.0] * 60, replaced=1), "replaced 1"),
        (hour(10, 10, [11.0] * 60, differences=3), "differences 3"),
    ],
)
def test_an_hour_in_which_something_was_wrong(found, word):
    """Negative controls: each makes the exit code 1."""
    assert word in " ".join(found.wrong())


def test_the_echo_answers_on_a_channel_of_its_own():
    # MIDI 1.0 Detailed Specification, table 1: the low four bits of a status byte are the channel
    assert on_channel("803c40 b01000 903e64\n904064\n", 1) == "813c40 b11000 913e64\n914064\n"
