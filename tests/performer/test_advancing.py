"""Voices that speak before their step: as far as it can be foretold, and else on time."""

from __future__ import annotations

import random
from typing import Any

import pytest

from replank.control.setup import Clock, Output, Setup, Voice
from replank.performer import advancing
from replank.performer.events import Midi
from tests.performer.kit import MS, Stage, unbalanced

LEAD = 20 * MS
BOTH = (Voice("line"), Voice("slow to answer", output=1, channel=2, delay_ms=-20.0))
LIVELY: dict[str, Any] = {"mutation_chance": 1.0, "settle_new": 0, "mutation_count": 3}
"""What makes a step hard to foretell: it mutates at each cycle's end."""


def stage(voices: tuple[Voice, ...] = BOTH, **values: Any) -> Stage:
    clock = values.pop("clock", Clock())
    outputs = (Output(), Output("second", din=values.pop("din", False)))
    return Stage(Setup(outputs=outputs, voices=voices, clock=clock), **values)


def strikes(made: Stage, output: int, since: int = 0) -> list[tuple[int, int, int]]:
    """(time, note, velocity) of each note-on of an output."""
    return [
        (now, data[1], data[2])
        for now, out, data in made.heard
        if out == output and data[0] & 0xF0 == 0x90 and data[2] and now >= since
    ]


def leads(made: Stage, since: int) -> set[int]:
    """Return by how much, in us, the second voice's strikes came ahead of the same strikes of the first."""
    first, second = strikes(made, 0, since), strikes(made, 1, since - LEAD)
    second = second[: len(first)]
    assert [row[1:] for row in first] == [row[1:] for row in second]  # the same notes, as loud
    return {(a[0] - b[0] + 500) // 1000 for a, b in zip(first, second, strict=True)}


def settled(made: Stage, bars: int = 8) -> int:
    """Play so long that the clock is steady, and on; return since when."""
    made.start()
    made.bars(1)
    since = made.now + LEAD
    made.bars(bars)
    return since


@pytest.mark.parametrize(
    "values",
    [
        {},
        LIVELY,
        {**LIVELY, "reroll": 0.7, "restart_every": 1, "length": 7},
        {**LIVELY, "direction": "random", "swing": 54.0},
        {**LIVELY, "swing": 66.0, "division": "1/8"},
        {**LIVELY, "mutate_every": "3steps", "slide_chance": 0.5, "gate": 1.0},
        {"slide_chance": 1.0, "gate": 0.05, "rest_chance": 0.4},
    ],
    ids=["plain", "mutating", "restarting", "random and swung", "swung far", "sliding", "linked"],
)
def test_each_step_comes_early_by_what_the_rig_says(values: dict[str, Any]) -> None:
    made = stage(**values)
    assert leads(made, settled(made)) == {20_000}
    assert made.said("mutation") or values.get("mutation_chance") is None
    made.midi(0xFC)
    assert unbalanced([(output, data) for _, output, data in made.heard]) == []


def test_gates_are_as_long_as_on_time() -> None:
    made = stage(gate=0.4, sustain=0.0)
    since = settled(made, 2)
    for output in (0, 1):
        ons = [(now, data[1]) for now, out, data in made.heard if out == output and data[0] & 0xF0 == 0x90 and data[2]]
        offs = [(now, data[1]) for now, out, data in made.heard if out == output and data[0] & 0xF0 == 0x80]
        lengths = {next(o for o, n in offs if n == note and o > at) - at for at, note in ons if at >= since}
        assert {round(one / MS) for one in lengths} == {50}  # 0.4 of 125 ms


def test_repeats_come_early_too_and_a_canon_its_own_step() -> None:
    voices = (Voice("line"), Voice("early", output=1, delay_ms=-20.0), Voice("canon", output=1, channel=2,
              delay_ms=-20.0, canon_steps=3))  # fmt: skip
    made = stage(voices, ratchet_chance=1.0, ratchet_count=2, rest_chance=0.0, slide_chance=0.0, accent_chance=0.5)
    since = settled(made, 2)
    line = [(now, data[1]) for now, out, data in made.heard if out == 0 and data[0] == 0x90 and data[2]]
    early = [(now, data[1]) for now, out, data in made.heard if out == 1 and data[0] == 0x90 and data[2]]
    canon = [(now, data[1]) for now, out, data in made.heard if out == 1 and data[0] == 0x91 and data[2]]
    step = 6 * made.interval
    wanted = [(now - LEAD, note) for now, note in line if now >= since]
    near = [(now // MS, note) for now, note in early if now >= since - LEAD]
    assert [(now // MS, note) for now, note in wanted] == near[: len(wanted)]
    later = {(now // MS, note) for now, note in canon}
    told = [((now + 3 * step - LEAD) // MS, note) for now, note in line if now >= since and now + 3 * step < made.now]
    assert all(any(abs(at - now) <= 1 and note == n for at, n in later) for now, note in told)


def test_with_pulses_a_voice_is_never_early() -> None:
    made = stage(clock=Clock(mode="pulses"), rest_chance=0.0)
    for _ in range(40):
        made.pulse()
    assert leads(made, 5000 * MS) == {0}


def test_an_uneven_clock_is_not_foretold() -> None:
    made, dice = stage(rest_chance=0.0), random.Random(3)
    made.start()
    for _ in range(400):
        made.interval = int(20.8 * MS * dice.uniform(0.4, 1.6))
        made.clocks(1)
    assert leads(made, made.now // 2) == {0}


def test_the_first_steps_after_start_are_on_time() -> None:
    made = stage(rest_chance=0.0)
    made.start()
    made.clocks(20)
    assert leads(made, 0) == {0}


def test_a_step_that_is_shorter_than_the_advance_is_on_time() -> None:
    voices = (Voice("line"), Voice("early", output=1, channel=2, delay_ms=-45.0))
    made = stage(voices, division="2c", rest_chance=0.0)
    assert leads(made, settled(made, 1)) == {0}


WAITING = ["redraw@cycle", "recall:dark@bar", "rotate:5", "rotate:7", "ramp:register_low:70:2"]


def after(word: str) -> Stage:
    """Do something that changes the line at its next boundary, and play on for two bars."""
    made = stage(rest_chance=0.0, hold=True)
    settled(made, 1)
    made.do("keep", "dark")
    made.do("redraw", due="now")
    made.clocks(60)
    made.forget()
    name, _, due = word.partition("@")
    made.do(name.split(":")[0], *name.split(":")[1:], due=due)
    made.clocks(192)
    return made


@pytest.mark.parametrize("word", WAITING)
def test_a_step_that_something_due_may_change_is_on_time(word: str) -> None:
    made = after(word)
    first, second = strikes(made, 0), strikes(made, 1)
    assert len(first) > 20
    # what the second voice plays is always what the first one plays: nothing was foretold wrongly
    assert [row[1] for row in second[: len(first)]] == [row[1] for row in first]


def test_a_build_that_foretells_what_is_not_certain_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: what is due is not asked."""
    monkeypatch.setattr(advancing, "_may_change", lambda p, begins: False)
    wrong = 0
    for word in WAITING:
        made = after(word)
        first, second = strikes(made, 0), strikes(made, 1)
        wrong += [row[1] for row in second[: len(first)]] != [row[1] for row in first]
    assert wrong >= 2


@pytest.mark.parametrize("last", ["stop", "mute", "cut", "panic", "lost", "position", "reset"])
def test_whatever_happens_in_between_no_note_hangs(last: str) -> None:
    for wait in range(1, 125, 6):
        made = stage(rest_chance=0.1, slide_chance=0.3)
        settled(made, 1)
        made.clocks(6)
        made.until(made.now + wait * MS // 6)
        if last == "stop":
            made.midi(0xFC)
        elif last == "position":
            made.midi(0xF2, 3, 0)
        elif last != "lost":
            made.do(last)
        if last in ("position", "reset"):
            made.clocks(97)
            made.midi(0xFC)
        made.until(made.now + 5_000 * MS)
        assert unbalanced([(output, data) for _, output, data in made.heard]) == []
        assert made.p.sounding() == []


def test_saved_amid_an_advance_it_goes_on_the_same() -> None:
    made = stage(**LIVELY)
    settled(made, 1)
    made.set(rest_chance=0.0)
    made.clocks(6)
    made.until(made.now + 10 * MS)  # the early voice has spoken, the step has not come
    assert any(state.spoken for state in made.p.band.states)
    other = Stage(performer=type(made.p).restore(made.p.save()))
    other.now = made.now
    made.forget()
    for one in (made, other):
        one.clocks(200)
    assert made.heard == other.heard


def test_an_event_never_goes_back_in_time() -> None:
    made = stage()
    settled(made, 1)
    assert [now for now, _, _ in made.heard] == sorted(now for now, _, _ in made.heard)
    made.give(Midi(0, b"\xfc"))
