"""Promises 1 to 4 and the two properties of the performer, over arbitrary performances.

Each check is a function of a way to run a performance, so that a deliberately
broken build can be handed to the same check, which must reject it.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings

from replank.control.setup import Setup
from replank.performer import Performer, lookahead
from replank.performer.events import Act, Midi
from replank.performer.voices import Band
from replank.timing.playhead import cycle_steps
from tests.performer.kit import Stage, every_step, unbalanced
from tests.performer.sequences import Timed, performances

pytestmark = pytest.mark.timeout(900)  # a busy machine is slow; no result hangs on how slow

SLOW = settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

Stream = list[tuple[int, bytes]]


def run(setup: Setup, seed: int, events: list[Timed]) -> tuple[Performer, Stream]:
    p, now, out = Performer(setup, seed, 0), 0, []
    for wait, event in events:
        now += wait
        out += p.receive(event, now).messages
    return p, out


def played(events: list[Timed], stream: Stream) -> bool:
    return sum(data[0] & 0xF0 == 0x90 for _, data in stream) >= 8


class Share:
    """How many of the generated performances did sound."""

    def __init__(self) -> None:
        self.all = self.sounded = 0

    def count(self, sounded: bool) -> None:
        self.all += 1
        self.sounded += sounded


# -- promise 1: every note is released -----------------------------------------


def check_released(setup: Setup, seed: int, events: list[Timed]) -> bool:
    p, stream = run(setup, seed, events)
    stream += p.releases()
    assert unbalanced(stream) == []
    assert p.sounding() == []
    return played(events, stream)


def test_every_note_is_released() -> None:
    share = Share()

    @SLOW
    @given(performances())
    def property_(case: tuple[Setup, int, list[Timed]]) -> None:
        share.count(check_released(*case))

    property_()
    assert share.sounded >= share.all * 0.6, f"only {share.sounded} of {share.all} performances sounded"


def test_a_dropped_note_off_is_rejected(monkeypatch: pytest.MonkeyPatch) -> None:
    true_release = Band.release

    def forgetful(self: Band, p: Performer, i: int) -> None:
        if p.notes % 7 == 3:
            self.states[i].held = -1
        else:
            true_release(self, p, i)

    monkeypatch.setattr(Band, "release", forgetful)
    events: list[Timed] = [(0, Midi(0, b"\xfa")), *[(20_833_333, Midi(0, b"\xf8"))] * 400]
    with pytest.raises(AssertionError):
        check_released(Setup(), 7, events)


@SLOW
@given(performances(most=6))
def test_all_notes_end_by_themselves_when_everything_stops(case: tuple[Setup, int, list[Timed]]) -> None:
    """Nobody sends anything any more: no note may sound for ever."""
    setup, seed, events = case
    p, stream = run(setup, seed, events)
    if p.tuning:
        stream += p.receive(Act("tuning_note"), p.now).messages
    now = p.now
    for _ in range(40):
        now += 1_000_000_000
        stream += p.advance(now).messages
    assert p.sounding() == []
    assert unbalanced(stream) == []


# -- promise 2: in scale, in register ------------------------------------------


def check_in_key(stage: Stage, cycles: int) -> int:
    """Play and return how many notes were checked, each before transposition and voice offset."""
    count = 0
    for _ in range(cycles):
        stage.forget()
        stage.clocks(16 * 6)
        lens = stage.p.settings.lens
        for step in stage.steps():
            if step["note"] >= 0:
                assert lens.low <= step["note"] <= lens.high, step
                assert (step["note"] - lens.root) % 12 in lens.scale.offsets, step
                count += 1
    return count


@pytest.mark.parametrize("scale", ["minor pentatonic", "phrygian", "whole tone", "in (miyako-bushi)"])
def test_every_pitch_is_in_scale_and_register(scale: str) -> None:
    stage = Stage(scale=scale, mutation_chance=1.0, mutation_count=8, homing=0.0, leap=14, settle_new=0)
    stage.start()
    assert check_in_key(stage, 150) > 1000
    assert stage.p.melody.mutations > 500
    stage.set(root="F#", register_low=40, register_span=12)
    stage.bars(2)
    assert check_in_key(stage, 60) > 400


def test_a_register_that_is_ignored_is_rejected(monkeypatch: pytest.MonkeyPatch) -> None:
    stage = Stage(mutation_chance=1.0, mutation_count=8, homing=0.0, settle_new=0)
    stage.start()
    lens = type(stage.p.settings.lens)
    true_sound = lens.sound
    monkeypatch.setattr(lens, "sound", lambda self, step, *more: true_sound(self, step, *more) + 12)
    with pytest.raises(AssertionError):
        check_in_key(stage, 20)


# -- promise 3: recall is exact, and sounds in full ----------------------------


def cycle_of(stage: Stage) -> list[tuple[int, int, bool, str]]:
    """Play to the end of the cycle that begins next, and return what it sounded."""
    head = stage.p.transport.playhead
    while not head.peek()[1]:
        stage.clocks(1)
    while stage.p.transport.song_clock + 1 != stage.p.transport.next_step:
        stage.clocks(1)
    stage.forget()
    stage.clocks(cycle_steps(head.direction, head.length) * stage.p.settings.division)
    return [(s["index"], s["note"], s["accent"], s["link"]) for s in stage.steps()]


def check_recall(stage: Stage) -> None:
    kept = cycle_of(stage)
    stage.do("keep", "blue")
    stage.set(rest_chance=0.6, root="A", length=9, accent_chance=1.0)
    for _ in range(12):
        other = cycle_of(stage)
    assert other != kept
    stage.clocks(20)  # in the midst of a cycle, whose end must not touch what came back
    stage.do("recall", "blue", due="now")
    assert cycle_of(stage) == kept
    assert stage.p.melody.mutations > 3, "the line never moved: nothing was tested"


def wild(**more: object) -> Stage:
    stage = Stage(mutation_chance=1.0, mutation_count=6, homing=0.2, settle_new=0, **more)
    stage.start()
    return stage


@pytest.mark.parametrize("direction", ["forward", "reverse", "pendulum", "mirror"])
def test_recall_returns_exactly_what_was_heard(direction: str) -> None:
    check_recall(wild(direction=direction))


def test_a_recall_that_does_not_settle_is_rejected(monkeypatch: pytest.MonkeyPatch) -> None:
    stage = wild()
    monkeypatch.setattr(type(stage.p.melody), "settle", lambda self, cycles: None)
    with pytest.raises(AssertionError):
        check_recall(stage)


def test_keep_last_keeps_the_cycle_as_it_sounded() -> None:
    stage = wild()
    first = cycle_of(stage)
    stage.clocks(7)
    stage.do("keep_last", "moment")
    for _ in range(5):
        cycle_of(stage)
    stage.do("recall", "moment", due="now")
    assert cycle_of(stage) == first


# -- promise 4 and the two properties ------------------------------------------


def test_the_same_events_give_the_same_messages_however_time_is_cut() -> None:
    share = Share()

    @SLOW
    @given(performances())
    def property_(case: tuple[Setup, int, list[Timed]]) -> None:
        setup, seed, events = case
        _, whole = run(setup, seed, events)
        p, now, cut = Performer(setup, seed, 0), 0, []
        for wait, event in events:
            for part in (wait // 3, wait // 2):
                cut += p.advance(now + part).messages
            now += wait
            cut += p.receive(event, now).messages
        assert cut == whole
        share.count(played(events, whole))

    property_()
    assert share.sounded >= share.all * 0.6


def check_saving(
    setup: Setup, seed: int, events: list[Timed], restore: Callable[[dict[str, object]], Performer]
) -> bool:
    p, now, out = Performer(setup, seed, 0), 0, []
    q, again = Performer(setup, seed, 0), []
    for n, (wait, event) in enumerate(events):
        now += wait
        if n % 5 == 2:
            q = restore(q.save())
        got, want = q.receive(event, now), p.receive(event, now)
        assert got.messages == want.messages
        assert got.notices == want.notices
        out += want.messages
        again += got.messages
    assert q.save() == p.save()
    return played(events, out)


def test_saving_and_restoring_at_any_event_changes_nothing() -> None:
    share = Share()

    @SLOW
    @given(performances(most=8))
    def property_(case: tuple[Setup, int, list[Timed]]) -> None:
        share.count(check_saving(*case, Performer.restore))

    property_()
    assert share.sounded >= share.all * 0.6


def test_a_restore_that_forgets_the_tie_is_rejected() -> None:
    def forgetful(plain: dict[str, object]) -> Performer:
        made = Performer.restore(plain)
        made.transport.tie = 0
        return made

    setup = Setup(values={"slide_chance": 1.0, "rest_chance": 0.0})
    events: list[Timed] = [(0, Midi(0, b"\xfa")), *[(20_833_333, Midi(0, b"\xf8"))] * 200]
    with pytest.raises(AssertionError):
        check_saving(setup, 7, events, forgetful)


def test_a_flipped_input_changes_the_notes() -> None:
    events: list[Timed] = [(0, Midi(0, b"\xfa")), *[(20_833_333, Midi(0, b"\xf8"))] * 200]
    _, whole = run(Setup(), 7, events)
    events[100] = (20_833_333, Midi(0, b"\xfa"))
    assert run(Setup(), 7, events)[1] != whole


def test_dice_and_every_step_play_the_same_twice() -> None:
    stages = [Stage(reroll=0.5, **{**every_step(), "rest_chance": 0.5}) for _ in range(2)]
    for stage in stages:
        stage.start()
        stage.bars(8)
    assert stages[0].heard == stages[1].heard
    assert lookahead.is_silenced(stages[0].p) is False
