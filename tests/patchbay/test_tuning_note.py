"""The note held for tuning and for the sound check: loudness, one voice, correction, release."""

from __future__ import annotations

import pytest

from replank.control.setup import Output, Setup, Voice
from replank.performer import Performer
from replank.performer.events import Act, Midi

SETUP = Setup(
    outputs=(Output("out"), Output("second")),
    voices=(Voice("line", bend_range=2, tuning=((36, -12.5), (84, -12.5))), Voice("bass", output=1, channel=3)),
)


@pytest.fixture
def performer() -> Performer:
    return Performer(SETUP, 5)


def hold(performer: Performer, *args: str) -> list[tuple[int, str]]:
    outcome = performer.receive(Act("tuning_note", args), performer.now + 1_000_000)
    assert not [notice for notice in outcome.notices if notice.kind == "refused"]
    return [(output, data.hex(" ")) for output, data in outcome.messages if data[0] & 0xF0 in (0x80, 0x90, 0xE0)]


def test_all_voices_with_their_correction(performer: Performer) -> None:
    # -12.5 cents at a range of 2: 8192 - 512 = 7680 = 00 3c
    assert hold(performer, "48") == [(0, "e0 00 3c"), (0, "90 30 40"), (1, "92 30 40")]
    assert performer.sounding() == [(0, 1, 48), (1, 3, 48)]
    assert performer.view()["tuning"] == [48]
    assert hold(performer, "48") == [(0, "80 30 40"), (1, "82 30 40")]


def test_one_voice_as_quiet_as_asked(performer: Performer) -> None:
    assert hold(performer, "D3", "20", "bass") == [(1, "92 32 14")]
    assert hold(performer, "62", "20", "2") == [(1, "82 32 40"), (1, "92 3e 14")]
    assert performer.sounding() == [(1, 3, 62)]
    assert hold(performer) == [(1, "82 3e 40")]
    assert performer.sounding() == []


def test_start_releases_it_and_a_copy_remembers_it(performer: Performer) -> None:
    hold(performer, "60", "30", "line")
    copy = Performer.restore(performer.save())
    for one in (performer, copy):
        outcome = one.receive(Midi(0, b"\xfa"), performer.now + 1_000_000)
        assert (0, b"\x80\x3c\x40") in outcome.messages
        assert one.sounding() == []


@pytest.mark.parametrize("args", [("60", "0"), ("60", "128"), ("60", "20", "lute"), ("60", "20", "3"), ("128",)])
def test_nonsense_is_refused_and_nothing_sounds(performer: Performer, args: tuple[str, ...]) -> None:
    outcome = performer.receive(Act("tuning_note", args), performer.now + 1_000_000)
    assert [notice.kind for notice in outcome.notices] == ["refused"]
    assert performer.sounding() == []
