"""Pieces for minutes on a virtual clock: bar lines, tempos, and the same music as on stage."""

from dataclasses import replace

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.control.notices import Notice
from replank.control.setup import Piece, Setup
from replank.midi import rehearsing
from replank.midi.files import hanging, write_score
from replank.midi.offline import LEAD_IN, Endless, EvenClock, Take, play_cycles
from replank.midi.rehearsing import Part, TempoClock, rehearse
from replank.midi.scoring import score_of
from replank.midi.tempo import CLOCK_TICKS

PIECES = (
    Piece("First Light", {"length": 12, "mutation_chance": 1.0, "settle_new": 0}),
    Piece("Meridian", {"tempo": 120.0, "meter": "3/4", "root": "A", "scale": "aeolian", "settle_new": 0}),
    Piece("Occultation", {"tempo": 60.0, "length": 7, "settle_new": 0, "mutation_chance": 1.0}, seed=1609),
)
SET = Setup(pieces=PIECES)


def said(take: Take, kind: str) -> list[Notice]:
    return [notice for notice in take.notices if notice.kind == kind]


def struck(take: Take, begin: int = 0, end: int = 2**62) -> list[tuple[int, bytes]]:
    return [(now - begin, data) for now, _, data in take.messages if begin <= now < end and data[0] & 0xF0 == 0x90]


def sent(take: Take) -> list[tuple[int, bytes]]:
    return [(now, message) for now, _, message in take.messages]


@given(st.floats(20, 400), st.lists(st.integers(0, 5000), max_size=5))
def test_a_clock_of_one_tempo_is_an_even_clock(tempo, numbers):
    even, clock = EvenClock(tempo), TempoClock(tempo)
    assert [clock[n] for n in (-LEAD_IN, -1, 0, *numbers)] == [even[n] for n in (-LEAD_IN, -1, 0, *numbers)]


@given(st.lists(st.tuples(st.integers(1, 500), st.floats(20, 400)), max_size=6))
def test_every_interval_is_that_of_its_tempo(changes):
    """60 s / (24 * tempo) between two clocks (MIDI 1.0 Detailed Specification, p. 30: 24 clocks a quarter note)."""
    clock, number, tempos = TempoClock(96.0), 0, {}
    for clocks, tempo in changes:
        number += clocks
        clock.change(number, tempo)
        tempos[number] = tempo
    tempo = 96.0
    for n in range(-LEAD_IN, number + 50):
        tempo = tempos.get(n, tempo)
        assert clock[n + 1] - clock[n] == pytest.approx(60e9 / 24 / tempo, abs=1 + 1e-6 * 60e9 / 24 / tempo)
    assert dict(clock.tempos(number + 50))[0] == 96.0


def test_each_piece_begins_at_the_bar_line_at_which_the_one_before_is_over():
    take = rehearse(SET, 7, [Part(1, 0.5), Part(2, 0.26), Part(3, 0.1)])
    # 0.5 min at 96 BPM are 12 bars of 2.5 s; 0.26 min at 120 BPM in 3/4 are 10.4 bars of 1.5 s, so 11;
    # 0.1 min at 60 BPM in 4/4 (the default meter) are 1.5 bars of 4 s, so 2 (arithmetic)
    assert [(one.data["number"], one.now - take.clock[0]) for one in said(take, "piece")] == [
        (2, pytest.approx(30.0e9, abs=2)), (3, pytest.approx(46.5e9, abs=2)),
    ]  # fmt: skip
    assert take.seconds == pytest.approx(54.5, abs=1e-6)
    assert take.clock.tempos(take.clocks) == [(0, 96.0), (12 * 96, 120.0), (12 * 96 + 11 * 72, 60.0)]
    assert not hanging(sent(take))
    assert said(take, "refused") == []


def test_a_file_plays_each_message_when_it_was_sent(tmp_path):
    """Against mido's own reading of tempo maps."""
    take = rehearse(SET, 7, [Part(1, 0.2), Part(2, 0.2), Part(3, 0.2)])
    ticks = take.ticks()
    assert all(ticks.tick(take.clock[n]) == CLOCK_TICKS * n for n in range(take.clocks + 1))
    begins = {"root": "D", "scale": "dorian", "meter": "4/4"}
    score = score_of(take.messages, take.notices, SET, begins, ticks, take.tempos())
    score.end = ticks.tick(take.end)
    write_score(tmp_path / "x.mid", score)
    at, times = 0.0, []
    for message in mido.MidiFile(tmp_path / "x.mid"):
        at += message.time
        if message.type == "note_on" and message.velocity:
            times.append(at)
    assert times == pytest.approx([(now - take.clock[0]) / 1e9 for now, _ in struck(take)], abs=2e-3)
    assert at == pytest.approx(take.seconds, abs=2e-3)
    assert [meter for _, meter in score.meters] == ["4/4", "3/4", "4/4"]
    assert [key for _, key in score.keys] == ["C", "Am"]  # a pentatonic scale has no signature of its own


def test_a_piece_by_itself_is_what_it_is_in_the_evening():
    whole = rehearse(SET, 7, [Part(1, 0.25), Part(2, 0.5), Part(3, 0.5)])
    for number in (2, 3):
        begun = next(one.now for one in said(whole, "piece") if one.data["number"] == number)
        alone = rehearse(SET, 7, [Part(number, 0.5)])
        there = struck(whole, begun, begun + 25_000_000_000)
        here = struck(alone, alone.clock[0], alone.clock[0] + 25_000_000_000)
        assert [data for _, data in there] == [data for _, data in here]
        assert [now for now, _ in there] == pytest.approx([now for now, _ in here], abs=3)
    # negative control: another seed of the show is another line, but not of the piece that has its own
    for number, is_same in ((2, False), (3, True)):
        notes = [[data for _, data in struck(rehearse(SET, seed, [Part(number, 0.3)]))] for seed in (7, 8)]
        assert (notes[0] == notes[1]) is is_same


def test_without_a_set_minutes_are_whole_bars_of_the_line():
    take = rehearse(Setup(values={"tempo": 120.0}), 4, [Part(0, 0.3)])
    assert take.clocks == 9 * 96  # 18 s at 120 BPM
    assert struck(take) == struck(play_cycles(Setup(values={"tempo": 120.0}), 4, 9, 120.0))


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 3), st.floats(0.05, 0.3)), min_size=1, max_size=4), st.integers(1, 2**60))
def test_any_order_ends_in_silence_and_in_time(order, seed):
    parts = [Part(*one) for at, one in enumerate(order) if not at or one[0] != order[at - 1][0]]
    take = rehearse(SET, seed, parts)
    assert not hanging(sent(take))
    least = sum(part.minutes for part in parts) * 60
    assert least - 0.01 <= take.seconds <= least + 4.0 * len(parts)  # the longest bar is 4 s


def test_what_is_too_long_or_does_not_fit(monkeypatch):
    monkeypatch.setattr(rehearsing, "LONGEST", 500)
    with pytest.raises(Endless, match="more than 500 clocks"):
        rehearse(SET, 1, [Part(1, 5.0)])
    wrong = Piece("wrong", {"meter": "1/32", "division": "1/2"})
    for first in (Part(2, 0.05), Part(1, 0.05)):
        setup = replace(SET, pieces=(PIECES[0], wrong))
        with pytest.raises(ValueError, match=r"piece 2 cannot be brought in: .*48 clocks"):
            rehearse(setup, 1, [first, Part(2, 0.05)])
