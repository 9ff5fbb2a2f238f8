"""From step to sound: order in a batch, gates, links, ratchets, swing, voices."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from replank.control.setup import Output, Setup, Voice
from replank.line.steps import LINK_NONE, LINK_SLIDE, LINK_TIE, REST, SOUND
from tests.performer.kit import AT_120, MS, Stage, every_step, pulses_setup, unbalanced

STEP = 6 * AT_120


def stage_of(pitches: list[int], setup: Setup | None = None, **values: object) -> Stage:
    """A line of given pitches, chromatic, each sounding."""
    base = {**every_step(), "scale": "chromatic", "register_low": 36, "register_span": 48, "length": len(pitches)}
    stage = Stage(setup, **{**base, **values})
    mark(stage, **{f"pitch_{n + 1}": pitch for n, pitch in enumerate(pitches)})
    return stage


def mark(stage: Stage, **marks: object) -> None:
    """Set fields of steps: pitch_1=60, linked_2=LINK_SLIDE ..."""
    m = stage.p.melody
    for key, value in marks.items():
        field, _, number = key.rpartition("_")
        i = int(number) - 1
        m.steps[i] = m.home[i] = m.steps[i]._replace(**{field: value})


def play(stage: Stage, steps: int) -> None:
    stage.set(mute=True)
    stage.start()
    stage.clocks(12)  # so that the tempo is known
    stage.set(mute=False)
    stage.start()
    stage.forget()
    stage.clocks(steps * 6)


def batch(stage: Stage, number: int) -> list[bytes]:
    """The messages that left together with the step of that number, from 1."""
    time = sorted({now for now, _, data in stage.heard if data[0] & 0xF0 == 0x90})[number - 1]
    return [data for now, _, data in stage.heard if now == time]


def test_a_step_leaves_in_one_batch_release_accent_velocity_note() -> None:
    """Common practice for MIDI-to-CV: controllers stand before the gate rises."""
    stage = stage_of([60, 62, 64, 65], gate=1.0, accent_chance=1.0)
    play(stage, 4)
    kinds = [data[0] & 0xF0 if data[0] & 0xF0 != 0xB0 else data[1] for data in batch(stage, 3)]
    assert kinds in ([0x80, 21, 0x90], [0x80, 20, 21, 0x90])
    assert [data[1] for data in batch(stage, 3) if data[0] & 0xF0 in (0x80, 0x90)] == [62, 64]


def test_on_a_din_cable_every_step_has_the_same_bytes() -> None:
    """MIDI 1.0, p. 9: a three-byte message lasts 960 us, so one more displaces the note by as much."""
    stage = Stage(Setup(outputs=(Output(din=True),)), rest_chance=0.0, slide_chance=0.0, hold=True)
    stage.start()
    stage.clocks(7)
    stage.forget()
    stage.clocks(200)
    for now in {now for now, _, data in stage.heard if data[0] & 0xF0 == 0x90}:
        mine = [data for when, _, data in stage.heard if when == now]
        assert [(d[0] & 0xF0, d[1] if d[0] & 0xF0 == 0xB0 else 0) for d in mine] == [
            (0x80, 0), (0xB0, 20), (0xB0, 21), (0x90, 0),
        ]  # fmt: skip


def test_elsewhere_an_unchanged_controller_is_left_out() -> None:
    stage = stage_of([60, 62], accent_chance=0.0)
    play(stage, 8)
    accents = [now for now, _, data in stage.heard if data[:2] == bytes((0xB0, 20))]
    assert len(accents) <= 4 + 1, "only on the first step of each cycle"


def test_controllers_are_sent_again_on_the_first_step_of_each_cycle() -> None:
    stage = stage_of([60] * 4, accent_chance=0.0)
    play(stage, 12)
    firsts = [now for now, _, data in stage.heard if data[:2] == bytes((0xB0, 20))]
    assert len(firsts) == 3


def test_accent_goes_back_with_the_next_unaccented_or_resting_step() -> None:
    stage = stage_of([60, 62, 64], accent_chance=0.0)
    mark(stage, accented_1=SOUND, rhythm_2=REST)
    play(stage, 3)
    values = [data[2] for _, _, data in stage.heard if data[:2] == bytes((0xB0, 20))]
    assert values == [127, 0]
    velocity = next(data[2] for _, _, data in stage.heard if data[0] == 0x90)
    assert velocity == min(127, stage.p.settings.velocity(stage.p.melody.steps[0].velocity, False) + 24)


def test_the_velocity_controller_carries_the_roll_over_its_range() -> None:
    stage = stage_of([60, 62])
    mark(stage, velocity_1=0.0, velocity_2=0.9999)
    play(stage, 2)
    assert [data[2] for _, _, data in stage.heard if data[:2] == bytes((0xB0, 21))] == [0, 127]


@pytest.mark.parametrize("gate", [0.05, 0.3, 0.6, 0.9])
def test_the_gate_is_a_fraction_of_the_step(gate: float) -> None:
    stage = stage_of([60, 62, 64, 65], gate=gate)
    play(stage, 4)
    on, off = stage.ons()[1][0], next(now for now, note in stage.offs() if note == 62)
    assert off - on == pytest.approx(gate * STEP, rel=0.001)


def test_a_full_gate_is_released_by_the_next_step_and_not_before() -> None:
    stage = stage_of([60, 62], gate=1.0)
    play(stage, 4)
    assert [now for now, _ in stage.offs()][:2] == [now for now, _ in stage.ons()][1:3]


def test_a_repeated_pitch_has_its_gap() -> None:
    stage = stage_of([60, 60], gate=1.0, retrigger_gap=5.0)
    play(stage, 4)
    gap = stage.ons()[1][0] - stage.offs()[0][0]
    assert gap == pytest.approx(5 * MS, abs=0.02 * MS)


def test_the_first_note_without_a_known_tempo_lasts_100_ms() -> None:
    stage = stage_of([60, 62])
    stage.start()
    stage.clocks(12)
    assert stage.offs()[0][0] - stage.ons()[0][0] == 100 * MS


@pytest.mark.parametrize("din", [True, False])
def test_controllers_go_ahead_of_their_step_where_the_rig_says_so(din: bool) -> None:
    """So that on a DIN cable the note stands behind its release alone: 0.96 ms instead of 2.88 ms (MIDI 1.0, p. 9)."""
    stage = stage_of([60, 62, 64, 65], Setup(outputs=(Output(din=din, cc_early=True),)), accent_chance=0.5)
    play(stage, 24)
    strikes = sorted({now for now, _, d in stage.heard if d[0] == 0x90})[1:]
    for now in strikes:
        assert [d[0] & 0xF0 for when, _, d in stage.heard if when == now] in ([0x80, 0x90], [0x90])
    controllers = {now for now, _, d in stage.heard if d[0] == 0xB0 and now > strikes[0]}
    assert controllers
    leads = [min(s for s in strikes if s > now) - now for now in controllers if now < strikes[-1]]
    assert leads == pytest.approx([5 * MS] * len(leads), abs=10)
    plain = stage_of([60, 62, 64, 65], Setup(outputs=(Output(din=din),)), accent_chance=0.5)
    play(plain, 24)
    assert told_with_notes(plain) == told_with_notes(stage), "each note has the controllers that it has without"


@pytest.mark.parametrize("waits", [(250, 250, 100, 400, 250, 60, 300), (250, 250, 250, 90, 90, 90, 250)])
def test_controllers_that_a_strike_has_overtaken_are_not_sent_behind_it(waits: tuple[int, ...]) -> None:
    setup = pulses_setup()
    setup = replace(setup, outputs=(Output(din=True, cc_early=True),))
    stage = stage_of([60, 62, 64, 65], setup, accent_chance=0.5)
    for wait in waits:
        stage.pulse(wait * MS)
    strikes = [now for now, _ in stage.ons()]
    for before, after in itertools.pairwise(strikes):
        batches = {now for now, _, d in stage.heard if d[0] == 0xB0 and d[1] == 20 and before < now <= after}
        assert len(batches) <= 1  # those of the coming step, once


def told_with_notes(stage: Stage) -> list[tuple[int, dict[int, int]]]:
    """What a receiver knows of accent and velocity when each note comes."""
    known: dict[int, int] = {}
    found = []
    for _, _, d in stage.heard:
        if d[0] == 0xB0:
            known[d[1]] = d[2]
        elif d[0] == 0x90:
            found.append((d[1], dict(known)))
    return found


# -- links ---------------------------------------------------------------------


def test_a_slide_overlaps_into_the_next_step() -> None:
    """MIDI 1.0, p. 22: on 1, on 2, off 1 changes the pitch without another attack on a mono receiver."""
    stage = stage_of([60, 62, 64])
    mark(stage, linked_1=LINK_SLIDE)
    play(stage, 3)
    assert [(d[0] & 0xF0, d[1]) for d in batch(stage, 2) if d[0] & 0xF0 != 0xB0] == [(0x90, 62), (0x80, 60)]


def test_a_slide_into_a_rest_ends_normally() -> None:
    stage = stage_of([60, 62, 64], gate=0.5)
    mark(stage, linked_1=LINK_SLIDE, rhythm_2=REST)
    play(stage, 2)
    assert stage.offs()[0][0] - stage.ons()[0][0] == pytest.approx(0.5 * STEP, rel=0.001)


def test_a_slide_to_the_same_pitch_is_a_hold() -> None:
    stage = stage_of([60, 60, 64], gate=0.5)
    mark(stage, linked_1=LINK_SLIDE)
    play(stage, 3)
    assert [note for _, note in stage.ons()] == [60, 64]
    assert stage.offs()[0][0] - stage.ons()[0][0] == pytest.approx(1.5 * STEP, rel=0.001)


def test_holds_chain_and_a_rest_ends_them() -> None:
    stage = stage_of([60, 62, 64, 65, 67], gate=0.5)
    mark(stage, linked_1=LINK_TIE, linked_2=LINK_TIE, linked_3=LINK_TIE, rhythm_4=REST)
    play(stage, 5)
    assert [note for _, note in stage.ons()] == [60, 67]
    assert stage.offs()[0][0] - stage.ons()[0][0] == pytest.approx(2.5 * STEP, rel=0.001)


def test_a_hold_may_slide_on() -> None:
    stage = stage_of([60, 62, 64, 65])
    mark(stage, linked_1=LINK_TIE, linked_2=LINK_SLIDE)
    play(stage, 4)
    assert [(d[0] & 0xF0, d[1]) for d in batch(stage, 2) if d[0] & 0xF0 != 0xB0] == [(0x90, 64), (0x80, 60)]


def test_the_slide_chance_thins_the_links_and_turned_back_restores_them() -> None:
    stage = stage_of([60] * 16, slide_chance=1.0)
    full = [s["linked"] for s in stage.p.view()["line"]["steps"][:16]]
    stage.set(slide_chance=0.0)
    assert {s["linked"] for s in stage.p.view()["line"]["steps"][:16]} == {"none"}
    stage.set(slide_chance=1.0)
    assert [s["linked"] for s in stage.p.view()["line"]["steps"][:16]] == full


# -- ratchets, passes, swing ---------------------------------------------------


@pytest.mark.parametrize("count", [2, 3])
def test_ratchets_fall_on_whole_clocks_where_the_division_allows(count: int) -> None:
    stage = stage_of([60, 62], accent_chance=1.0)
    mark(stage, ratchet_1=count, linked_1=LINK_NONE)
    play(stage, 2)
    mine = [now for now, note in stage.ons() if note == 60]
    assert [(b - a) for a, b in itertools.pairwise(mine)] == [6 // count * AT_120] * (count - 1)


def test_ratchets_that_do_not_divide_the_step_use_the_last_interval() -> None:
    stage = stage_of([60, 62])
    mark(stage, ratchet_1=4)
    play(stage, 2)
    mine = [now for now, note in stage.ons() if note == 60]
    assert len(mine) == 4
    assert mine[3] - mine[0] == pytest.approx(0.75 * STEP, rel=0.001)


def test_the_accent_is_on_the_first_strike() -> None:
    stage = stage_of([60, 62], accent_chance=0.0)
    mark(stage, ratchet_1=3, accented_1=SOUND)
    play(stage, 1)
    velocities = [d[2] for _, _, d in stage.heard if d[0] == 0x90]
    assert velocities[0] - velocities[1] == 24 or velocities[0] == 127
    assert velocities[1] == velocities[2]


def test_ratchets_by_chance_sit_at_the_high_end_of_the_link_roll() -> None:
    stage = stage_of([60, 62], ratchet_chance=0.1, ratchet_count=3)
    mark(stage, link_1=0.95, link_2=0.5)
    play(stage, 2)
    assert [note for _, note in stage.ons()] == [60, 60, 60, 62]


def test_a_pass_sounds_on_its_pass_only() -> None:
    stage = stage_of([60, 62])
    mark(stage, pass_number_2=2, pass_of_2=3)
    stage.start()
    stage.clocks(6 * 2 * 6)
    notes = [[s["note"] for s in stage.steps()[n : n + 2]] for n in range(0, 12, 2)]
    assert [pair[1] for pair in notes] == [-1, 62, -1, -1, 62, -1]


def test_swing_follows_the_songs_grid_not_the_step_number() -> None:
    """With 7 steps the delayed one alternates from cycle to cycle: the line does not limp."""
    stage = stage_of([60, 62, 64, 65, 67, 69, 71], swing=66.0, division="1/8")
    stage.start()
    stage.clocks(24)
    stage.start()
    start = stage.now
    stage.forget()
    stage.clocks(12 * 14)
    late = [(now - start - AT_120) % (24 * AT_120) for now, _ in stage.ons()]
    expected = [0, (12 + 12 * 0.32) * AT_120]
    assert late == pytest.approx([expected[n % 2] for n in range(14)], abs=0.02 * MS)


def test_whole_clocks_of_swing_need_no_timer() -> None:
    stage = stage_of([60, 62], swing=75.0, division="1/8")
    stage.start()
    stage.clocks(48)
    times = {now for now, _ in stage.ons()}
    assert all(now % AT_120 == 0 for now in times)


def test_there_is_no_swing_with_pulses() -> None:
    stage = stage_of([60, 62], pulses_setup(), swing=75.0)
    for _ in range(8):
        stage.pulse(250 * MS)
    assert [now for now, _ in stage.ons()] == [n * 250 * MS for n in range(1, 9)]


def test_loose_throws_dice_for_one_pass_and_leaves_the_roll_alone() -> None:
    stage = stage_of([60] * 16, rest_chance=0.5, reroll=1.0)
    rolls = [step.rest for step in stage.p.melody.steps]
    stage.start()
    stage.bars(6)
    rhythms = [tuple(s["note"] >= 0 for s in stage.steps()[n : n + 16]) for n in range(0, 96, 16)]
    assert len(set(rhythms)) >= 5
    assert [step.rest for step in stage.p.melody.steps] == rolls
    stage.set(reroll=0.0)
    stage.forget()
    stage.bars(3)
    rhythms = [tuple(s["note"] >= 0 for s in stage.steps()[n : n + 16]) for n in range(0, 48, 16)]
    assert len(set(rhythms)) == 1


# -- voices --------------------------------------------------------------------


def two(**second: object) -> Setup:
    return Setup(
        outputs=(Output(), Output("second")), voices=(Voice(), replace(Voice(name="second", output=1), **second))
    )


def notes_on(stage: Stage, output: int) -> list[tuple[int, int]]:
    return [(now, d[1]) for now, o, d in stage.heard if o == output and d[0] & 0xF0 == 0x90 and d[2]]


def test_a_canon_voice_follows_so_many_steps_later_and_degrees_higher() -> None:
    stage = stage_of([60, 62, 64, 65], two(canon_steps=2, degrees=2), scale="ionian", root="C")
    play(stage, 8)
    first, second = notes_on(stage, 0), notes_on(stage, 1)
    up = {60: 64, 62: 65, 64: 67, 65: 69}
    later = [(now, note) for now, note in second if now > first[1][0]]
    assert [note for _, note in later[:4]] == [up[note] for _, note in first[:4]]
    assert later[0][0] == first[2][0]


def test_a_delayed_voice_speaks_later() -> None:
    stage = stage_of([60, 62], two(delay_ms=30.0))
    play(stage, 2)
    assert [b - a for (a, _), (b, _) in zip(notes_on(stage, 0), notes_on(stage, 1), strict=True)] == [30 * MS] * 2


@pytest.mark.parametrize(("out_of_range", "sent"), [("fold", 50), ("clamp", 55), ("rest", None)])
def test_what_a_voice_cannot_reach_is_announced_never_silently_wrong(out_of_range: str, sent: int | None) -> None:
    stage = stage_of([62], two(low=44, high=55, out_of_range=out_of_range))
    play(stage, 1)
    assert [note for _, note in notes_on(stage, 1)] == ([] if sent is None else [sent])
    assert stage.said("out_of_range")[0]["note"] == "D4"


def test_an_accent_can_be_a_trigger_note_and_a_pulse() -> None:
    stage = stage_of([60, 62], two(accent_note=36, accent_channel=10, accent_note_ms=10.0, accent_pulse_ms=20.0))
    mark(stage, accented_1=SOUND)
    play(stage, 1)
    hits = [(now, d) for now, o, d in stage.heard if o == 1]
    on = next(now for now, d in hits if d[:2] == bytes((0x99, 36)))
    off = next(now for now, d in hits if d[:2] == bytes((0x89, 36)))
    down = next(now for now, d in hits if d == bytes((0xB0, 20, 0)) and now > on)
    assert (off - on, down - on) == (10 * MS, 20 * MS)


def test_portamento_is_switched_for_slides_only() -> None:
    """CC 65 is the portamento switch, CC 5 its time (MIDI 1.0, T-3)."""
    stage = stage_of([60, 62, 64], two(slide_cc=True, slide_time=40))
    mark(stage, linked_1=LINK_SLIDE)
    play(stage, 3)
    mine = [tuple(d[1:]) for _, o, d in stage.heard if o == 1 and d[0] == 0xB0 and d[1] in (5, 65)]
    assert mine == [(65, 0), (5, 40), (65, 127), (65, 0)]


def test_bend_carries_fine_tuning_and_returns_to_the_centre() -> None:
    stage = stage_of([60, 62], two(bend_range=2), fine_tune=50.0)
    play(stage, 2)
    bends = [d for _, o, d in stage.heard if o == 1 and d[0] == 0xE0]
    assert bends[0] == bytes((0xE0, 0x00, 0x50))  # 50 cents at 2 semitones: 8192 + 2048
    stage.set(fine_tune=0.0)
    stage.clocks(6)
    assert [d for _, o, d in stage.heard if o == 1 and d[0] == 0xE0][-1] == bytes((0xE0, 0x00, 0x40))


def test_two_voices_on_one_channel_keep_one_note_off_for_each_note_on() -> None:
    setup = Setup(voices=(Voice(), Voice("same", delay_ms=40.0), Voice("canon", canon_steps=1)))
    stage = stage_of([60, 60, 62, 60], setup, gate=0.9)
    play(stage, 40)
    stage.heard += [(0, o, d) for o, d in stage.p.releases()]
    assert unbalanced([(o, d) for _, o, d in stage.heard]) == []
    assert len(stage.ons()) > 100
