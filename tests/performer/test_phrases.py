"""The end of a phrase: a close on root or fifth, a breath; and home on a visit.

That phrases end on a long note of the tonic or the dominant before a silence is common practice; the figures of
published melodies are in tests/reference/test_melodies.py.
"""

from __future__ import annotations

from typing import Any

import pytest

from replank.line.steps import LINK_NAMES, Step
from replank.performer import lookahead
from replank.timing.phrases import BREATH, CLOSE, OPEN, Phrase
from tests.performer.kit import AT_120, MS, Stage, pulses_setup

BEATS = {"4/4": 24, "3/4": 24, "7/8": 12}
"""MIDI clocks of a beat, the meter's lower note value (24 to the quarter note)."""
PHRASES = 8


def played(**values: Any) -> Stage:
    stage = Stage(settle_new=0, **values)
    bars = stage.p.transport.bars
    stage.start()
    stage.clocks(PHRASES * values["phrase"] * bars.bar_length + 1)
    stage.until(stage.now + 3000 * MS)
    return stage


def ends(stage: Stage) -> list[tuple[int, int, int]]:
    """(last note of a phrase, its length, silence behind it) in ns, phrase after phrase, from the messages alone."""
    p = stage.p
    length = p.settings.phrase * p.transport.bars.bar_length * AT_120
    first = AT_120
    ons, offs = stage.ons(), stage.offs()
    found = []
    for number in range(PHRASES):
        since, until = first + number * length, first + (number + 1) * length
        at, note = [one for one in ons if since <= one[0] < until][-1]
        off = next(when for when, other in offs if other == note and when > at)
        found.append((note, off - at, until - off))
    return found


@pytest.mark.parametrize("meter", list(BEATS))
@pytest.mark.parametrize("length", [16, 7, 12])
@pytest.mark.parametrize("division", ["1/16", "1/8d", "1/4", "1bar"])
@pytest.mark.parametrize("rest_chance", [0.2, 0.4])
def test_every_phrase_ends_on_root_or_fifth_and_breathes(
    meter: str, length: int, division: str, rest_chance: float
) -> None:
    for seed in (3, 4):
        stage = Stage(seed=seed)
        stage = played(
            meter=meter, length=length, division=division, rest_chance=rest_chance, phrase=4, breath=1,
            mutation_chance=1.0, seed=seed,
        )  # fmt: skip
        beat = BEATS[meter] * AT_120
        for number, (note, sounds, silence) in enumerate(ends(stage), 1):
            assert note % 12 == (2 if number % 2 == 0 else 9), (number, note)  # D and A: root and fifth of the default
            assert silence >= beat - MS
            step = stage.p.settings.division
            if step <= BEATS[meter] and BEATS[meter] % step == 0:
                assert sounds == pytest.approx(beat, abs=MS), number
            else:
                assert sounds > 0


def test_without_a_fifth_each_phrase_ends_on_the_root() -> None:
    # The whole-tone scale has no tone seven semitones above its root.
    stage = played(scale="whole tone", phrase=2, breath=1)
    assert {note % 12 for note, _, _ in ends(stage)} == {2}


def test_a_close_is_the_key_s_own_root_also_when_all_is_moved_along_the_scale() -> None:
    stage = played(scale="dorian", transpose_degrees=3, transpose=1, phrase=2, breath=1)
    assert [note % 12 for note, _, _ in ends(stage)] == [10, 3] * (PHRASES // 2)  # A and D, a semitone up


def test_free_and_pinned_steps_keep_their_pitch_and_forced_rests_stay_silent() -> None:
    closing = 9  # beat 3 of each bar, where a breath of one beat follows
    for act, note in ((("note", str(closing), "61"), 61), (("pin", str(closing), "on"), None)):
        stage = Stage(phrase=1, breath=1, hold=True)
        own = stage.p.settings.lens.base(stage.p.melody.steps[closing - 1])
        stage.do(*act)
        stage.start()
        stage.bars(4)
        heard = [d["note"] for d in stage.steps() if d["index"] == closing]
        assert heard == [note or own] * 4
    stage = Stage(phrase=1, breath=1, hold=True)
    stage.do("rest", str(closing), "rest")
    stage.start()
    stage.bars(4)
    assert [d["note"] for d in stage.steps() if d["index"] >= closing] == [-1] * 32


def test_a_step_that_rests_by_chance_closes_all_the_same() -> None:
    stage = Stage(phrase=1, breath=1, rest_chance=1.0, hold=True)
    stage.start()
    stage.bars(2)
    assert [d["index"] for d in stage.steps() if d["note"] >= 0] == [9, 9]


def test_a_breath_that_fills_the_phrase_closes_nothing() -> None:
    stage = Stage(phrase=1, breath=4, rest_chance=0.0)
    stage.start()
    stage.bars(2)
    assert stage.ons() == []


def test_with_pulses_a_phrase_is_cycles_and_a_beat_four_steps() -> None:
    stage = Stage(pulses_setup(), phrase=2, breath=1, length=8, rest_chance=0.0, hold=True)
    for _ in range(48):
        stage.pulse()
    notes = [d["note"] for d in stage.steps()]
    for number in range(3):
        phrase = notes[16 * number : 16 * number + 16]
        assert min(phrase[:9]) >= 0
        assert phrase[8] % 12 == (2 if number % 2 else 9)
        assert phrase[9:] == [-1] * 7


def test_off_not_a_byte_differs_from_a_build_without_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def heard() -> list[Any]:
        stage = Stage(settle_new=0, mutation_chance=1.0, slide_chance=0.3, gate=1.0)
        stage.start()
        stage.bars(24)
        return stage.heard

    with_it = heard()

    def refuse(*_: Any) -> None:
        raise AssertionError("phrases were asked for")

    for name in ("phrase_at", "_in_phrase", "visits"):
        monkeypatch.setattr(lookahead, name, refuse)
    assert heard() == with_it


def test_turned_off_again_the_line_is_what_it_was() -> None:
    stage = Stage(hold=True, phrase=2, breath=1, visit_home=2, tension=0.9)
    before = list(stage.p.melody.steps)
    stage.start()
    stage.bars(7)
    assert stage.p.melody.steps == before
    stage.set(phrase=0, visit_home=0, tension=0.5)
    stage.bars(1)
    stage.forget()
    stage.bars(2)
    plain = Stage(hold=True)
    plain.start()
    plain.bars(8)
    plain.forget()
    plain.bars(2)
    assert [d["note"] for d in stage.steps()] == [d["note"] for d in plain.steps()]


def test_a_lens_that_leaves_a_trace_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: a close that writes its tone into the line."""
    reading = lookahead.reading

    def writing(p: Any, index: int, heard: Any) -> Any:
        read = reading(p, index, heard)
        if heard.is_close:
            p.melody.steps[index] = p.melody.steps[index]._replace(pitch=read.note)
        return read

    monkeypatch.setattr(lookahead, "reading", writing)
    with pytest.raises(AssertionError):
        test_turned_off_again_the_line_is_what_it_was()


def test_what_a_breath_or_close_covers_is_no_candidate() -> None:
    stage = Stage(phrase=1, breath=1, rest_chance=0.0, mutation_chance=0.0)
    stage.start()
    stage.bars(1)
    assert stage.p.melody.candidates(16) == list(range(8))


# -- visit home ----------------------------------------------------------------


def away(**values: Any) -> Stage:
    """A line that has left its home, on a stage that has not begun."""
    stage = Stage(hold=True, rest_chance=0.0, phrase=1, breath=0, visit_home=2, **values)
    m = stage.p.melody
    m.steps = [step._replace(pitch=50 if step.pitch != 50 else 57) for step in m.steps]
    return stage


def test_each_nth_phrase_sounds_as_home_and_the_changed_line_goes_on() -> None:
    stage = away()
    lens, m = stage.p.settings.lens, stage.p.melody
    own, home = ([lens.base(step) for step in steps[:12]] for steps in (m.steps, m.home))
    stage.start()
    stage.bars(4)
    notes = [d["note"] for d in stage.steps()]
    assert [notes[16 * bar : 16 * bar + 12] for bar in range(4)] == [own, home, own, home]


def test_nothing_mutates_on_a_visit() -> None:
    stage = Stage(settle_new=0, mutation_chance=1.0, homing=0.0, rest_chance=0.0, phrase=2, visit_home=2)
    stage.start()
    stage.bars(40)
    # Bar lines at which a mutation happened, counted from 0: where a visit begins (bars 2 and 3 of each four) what
    # was heard before it may still change, amid it nothing, nor at its end, since nothing of the line was heard.
    bars = {(notice.now - AT_120) // (96 * AT_120) % 4 for notice in stage.notices if notice.kind == "mutation"}
    assert bars == {1, 2}


def test_by_phrase_a_line_changes_although_every_second_phrase_is_a_visit() -> None:
    stage = Stage(
        settle_new=0, mutation_chance=1.0, homing=0.0, rest_chance=0.0, phrase=2, visit_home=2, mutate_every="phrase"
    )
    stage.start()
    stage.bars(40)
    assert len({unit.cycle for unit in stage.p.melody.trail.units}) >= 9


def test_what_is_kept_on_a_visit_is_what_was_heard() -> None:
    stage = away()
    home = tuple(stage.p.melody.home[:16])
    stage.start()
    stage.bars(1)
    stage.clocks(30)
    stage.do("keep", "now")
    stage.bars(1)
    stage.do("keep_last", "last")
    for name in ("now", "last"):
        assert stage.p.melody.snapshots[name].form.steps[:16] == home


def test_an_edit_beneath_a_visit_says_so_and_is_heard_afterwards() -> None:
    stage = away()
    stage.start()
    stage.bars(1)
    stage.clocks(30)
    stage.do("note", "1", "62")
    assert stage.said("done")[-1]["text"] == "step 1 D4, beneath the visit home"
    stage.forget()
    stage.bars(1)
    assert stage.steps()[-3]["covers"] == ""
    assert next(d["note"] for d in stage.steps() if d["index"] == 1) == 62


def test_a_visit_without_phrases_says_once_that_it_does_nothing() -> None:
    stage = Stage()
    stage.set(visit_home=2)
    stage.start()
    stage.bars(3)
    assert [d["name"] for d in stage.said("without_effect")] == ["visit_home"]


# -- the arithmetic ------------------------------------------------------------


def test_parts_of_a_phrase() -> None:
    phrase = Phrase(1, 0, 384, 24, 1)
    assert phrase.silence == 360
    assert [phrase.part(at, at + 6, -1) for at in (330, 336, 360, 378)] == [OPEN, CLOSE, BREATH, BREATH]
    assert phrase.part(342, 348, 384) == BREATH  # it has had its close
    assert phrase.part(288, 384, -1) == CLOSE  # the last step before the breath, where none begins on the beat
    assert Phrase(1, 0, 96, 24, 8).part(0, 6, -1) == BREATH


def test_state_in_a_phrase_survives_saving() -> None:
    stage = Stage(phrase=1, breath=1, sustain=1.0, rest_chance=0.5)
    stage.start()
    for clocks in range(1, 97):
        other = Stage(performer=type(stage.p).restore(stage.p.save()))
        other.now = stage.now
        for one in (stage, other):
            one.forget()
            one.clocks(1)
        assert other.heard == stage.heard, clocks


@pytest.mark.parametrize("linked", ["tie", "slide", "none"])
def test_a_close_of_the_same_pitch_is_struck_after_a_gap_whatever_leads_to_it(linked: str) -> None:
    stage = Stage(phrase=1, breath=1, hold=True, rest_chance=0.0, slide_chance=0.0, sustain=0.0)
    stage.p.melody.steps = [Step(pitch=57)] * 64  # A, the fifth: odd phrases close on it
    stage.p.melody.steps[7] = Step(pitch=57, linked=LINK_NAMES.index(linked))
    stage.start()
    stage.clocks(50)  # the close is on beat 3, clock 48 counted from 0
    close = stage.ons()[-1][0]
    assert close - stage.offs()[-1][0] >= 5 * MS - 1


def test_without_a_breath_a_close_ends_a_gap_before_the_same_pitch() -> None:
    stage = Stage(phrase=1, breath=0, hold=True, rest_chance=0.0, slide_chance=0.0, sustain=0.0)
    stage.p.melody.steps = [Step(pitch=57)] * 64
    stage.start()
    stage.clocks(97)
    assert stage.ons()[-1][0] - stage.offs()[-1][0] == pytest.approx(5 * MS, abs=MS)
    assert stage.offs()[-1][0] - stage.ons()[-2][0] == pytest.approx(24 * AT_120 - 5 * MS, abs=MS)  # a beat, held


def test_with_pulses_phrases_of_a_show_that_goes_on_are_counted_from_its_beginning_anew() -> None:
    stage = Stage(pulses_setup(), phrase=2, length=8, hold=True)
    for _ in range(24):  # one phrase and a half
        stage.pulse()
    again = Stage(pulses_setup(), phrase=2, length=8, hold=True)
    again.p.carry_over(stage.p.save(), whole=True)
    again.pulse()
    assert again.p.view()["phrase"]["number"] == 1 and again.p.view()["phrase"]["bar"] == 1
