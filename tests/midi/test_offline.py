"""The performer on a virtual clock."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.control.parameters import DIRECTIONS
from replank.control.setup import Clock, Input, Setup, Voice
from replank.midi import offline
from replank.midi.files import hanging
from replank.midi.offline import LEAD_IN, Endless, EvenClock, Take, for_clock, play_cycles
from replank.performer import Performer
from replank.performer.events import Midi
from replank.timing.order import cycle_steps


def setup_of(**values) -> Setup:
    return Setup(values=values)


def steps(take: Take) -> list[tuple]:
    return [tuple(notice.data.values()) for notice in take.notices if notice.kind == "step"]


def sent(take: Take) -> list[tuple[int, bytes]]:
    return [(now, message) for now, _, message in take.messages]


def check_whole(play, cycles: int, **values) -> None:
    take = play(setup_of(**values), 7, cycles, 96.0)
    in_cycle = cycle_steps(values.get("direction", "forward"), values.get("length", 16))
    assert len(steps(take)) == cycles * in_cycle, "not whole cycles"
    assert take.clocks == cycles * in_cycle * 6
    assert take.cycles == cycles
    assert not hanging(sent(take))
    assert take.messages[-1][0] <= take.end == EvenClock(96.0)[take.clocks]
    assert (take.notices[-1].now, take.notices[-1].data["state"]) == (take.end, "stopped")


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize(("cycles", "length"), [(1, 1), (1, 16), (2, 7), (9, 5)])
def test_whole_cycles_are_played(direction: str, cycles: int, length: int):
    check_whole(play_cycles, cycles, direction=direction, length=length)


def test_a_take_that_keeps_the_note_too_many_is_rejected(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(offline.Take, "cut", lambda take, marks: None)
    with pytest.raises(AssertionError, match="not whole cycles"):
        check_whole(play_cycles, 3)


@settings(max_examples=20, deadline=None)
@given(
    st.integers(0, 2**60), st.integers(1, 6), st.integers(1, 16), st.floats(50, 75),
    st.floats(0, 1), st.integers(20, 400), st.sampled_from(DIRECTIONS),
)  # fmt: skip
def test_playing_the_last_cycle_again_changes_nothing(
    seed: int, cycles: int, length: int, swing: float, ratchet: float, tempo: int, direction: str
):
    """Against one run without a restart, which goes on beyond the end."""
    setup = setup_of(length=length, swing=swing, ratchet_chance=ratchet, mutation_chance=1.0, settle_new=0,
                     direction=direction)  # fmt: skip
    take = play_cycles(setup, seed, cycles, float(tempo))
    setup, port = for_clock(setup)
    performer, straight = Performer(setup, seed), Take(take.clock)
    for number in range(-LEAD_IN, take.clocks):
        if number == 0:
            straight.add(take.clock[-1], performer.receive(Midi(port, b"\xfa"), take.clock[-1]))
        while (due := performer.next_deadline()) is not None and due < take.clock[number]:
            straight.add(due, performer.advance(due))
        straight.add(take.clock[number], performer.receive(Midi(port, b"\xf8"), take.clock[number]))
    while (due := performer.next_deadline()) is not None and due < take.end:
        straight.add(due, performer.advance(due))
    assert straight.messages == [m for m in take.messages if m[0] < take.end]
    assert [n for n in take.notices if n.now < take.end] == straight.notices


def test_the_same_seed_gives_the_same_take_and_another_another():
    one, same, other = (play_cycles(setup_of(mutation_chance=1.0), seed, 20, 120.0) for seed in (4, 4, 5))
    assert one.messages == same.messages
    assert one.messages != other.messages


def test_the_first_note_knows_the_tempo():
    take = play_cycles(setup_of(gate=0.5, length=4, slide_chance=0.0, rest_chance=0.0), 1, 1, 120.0)
    notes = [(now, m) for now, m in sent(take) if m[0] & 0xE0 == 0x80]
    assert notes[0][0] == take.clock[0]
    assert notes[1][0] - notes[0][0] == pytest.approx(62_500_000, abs=10)


def test_a_rig_of_pulses_or_without_a_clock_is_rendered_too():
    pulses = Setup(clock=Clock(mode="pulses", source="internal", without_start="play"))
    assert for_clock(pulses)[0].clock == replace(pulses.clock, mode="midi", source="external", without_start="wait")
    deaf = Setup(inputs=(Input("knobs", "knobs"),))
    assert for_clock(deaf)[1] == 1
    for setup in (pulses, deaf):
        assert len(steps(play_cycles(setup, 1, 2, 96.0))) == 32


def test_several_voices_end_without_a_note():
    voices = (Voice("one"), Voice("two", channel=2, canon_steps=3, delay_ms=30.0, gate_scale=2.0))
    take = play_cycles(Setup(voices=voices, values={"slide_chance": 1.0}), 1, 3, 200.0)
    assert not hanging(sent(take))
    assert {m[0] & 0x0F for _, m in sent(take)} == {0, 1}


def test_cycles_that_are_too_long(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(offline, "LONGEST", 500)
    with pytest.raises(Endless, match="100 cycles are more than 500 clocks"):
        play_cycles(setup_of(), 1, 100, 96.0)


@pytest.mark.parametrize("tempo", [20.0, 96.0, 97.3, 400.0])
def test_every_message_on_a_clock_has_its_exact_tick(tempo: float):
    take = play_cycles(setup_of(), 1, 8, tempo)
    ticks = take.ticks()
    assert [ticks.tick(take.clock[n]) for n in range(take.clocks + 1)] == [40 * n for n in range(take.clocks + 1)]
