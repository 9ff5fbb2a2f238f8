"""Editing by hand, audition, pieces of a set."""

from __future__ import annotations

from dataclasses import replace

import pytest

from replank.control.setup import Output, Piece, Setup, Voice
from replank.line.steps import BY_CHANCE, LINK_NAMES, REST, SOUND, Step, Written
from tests.performer.kit import AT_120, MS, Stage, every_step


def plain(setup: Setup | None = None, **more: object) -> Stage:
    return Stage(setup, **{**every_step(), **more})


def test_a_press_turns_what_is_heard_into_its_opposite_and_is_released() -> None:
    stage = plain(rest_chance=0.5)
    heard = [s["heard"] for s in stage.p.view()["line"]["steps"][:16]]
    for i in range(16):
        stage.do("flip", str(i + 1))
    steps = stage.p.view()["line"]["steps"][:16]
    assert [s["heard"] for s in steps] == [not h for h in heard]
    assert {s["rhythm"] for s in steps} == {"rest", "sound"}
    stage.do("all_to_chance")
    assert [s["heard"] for s in stage.p.view()["line"]["steps"][:16]] == heard


def test_an_edit_changes_the_step_and_its_home_and_counts_once_within_a_second() -> None:
    stage = plain()
    for _ in range(3):
        stage.do("pitch", "5", "1")
        stage.until(stage.now + 300 * MS)
    m = stage.p.melody
    assert m.steps[4] == m.home[4]
    assert stage.p.view()["trail"]["units"] == 1
    stage.until(stage.now + 2000 * MS)
    stage.do("pitch", "5", "-1")
    assert stage.p.view()["trail"]["units"] == 2


def test_degrees_stay_in_the_scale_and_semitones_set_free() -> None:
    stage = plain()
    lens = stage.p.settings.lens
    stage.do("pitch", "1", "1")
    assert stage.p.melody.steps[0].pitch in lens.tones
    pitch = stage.p.melody.steps[0].pitch
    stage.do("semitone", "1", "1")
    assert stage.p.melody.steps[0].pitch == pitch + 1
    assert stage.p.melody.steps[0].free, "also where it lands on the scale"
    stage.do("note", "1", "C#4")
    assert stage.p.view()["line"]["steps"][0]["name"] == "C#4"
    assert stage.p.melody.steps[0].free


def test_a_free_step_keeps_its_pitch_at_scale_changes_and_follows_transposition() -> None:
    stage = plain()
    stage.do("note", "1", "C#4")
    stage.set(scale="phrygian", root="A")
    assert stage.p.view()["line"]["steps"][0]["name"] == "C#4"
    stage.set(transpose=2)
    assert stage.p.view()["line"]["steps"][0]["name"] == "Eb4"


@pytest.mark.parametrize(
    ("act", "field", "value"),
    [
        (("rest", "2", "rest"), "rhythm", REST),
        (("rest", "2", "chance"), "rhythm", BY_CHANCE),
        (("accent", "2", "on"), "accented", SOUND),
        (("accent", "2", "off"), "accented", REST),
        (("link", "2", "tie"), "linked", 3),
        (("ratchet", "2", "3"), "ratchet", 3),
        (("pass", "2", "1of4"), "pass_of", 4),
        (("pin", "2"), "pinned", True),
    ],
)
def test_marks(act: tuple[str, ...], field: str, value: object) -> None:
    stage = plain()
    stage.do(*act)
    assert getattr(stage.p.melody.steps[1], field) == value


def test_pin_all_and_back() -> None:
    stage = plain(length=5)
    stage.do("pin_all")
    assert [s.pinned for s in stage.p.melody.steps[:6]] == [True] * 5 + [False]
    stage.do("pin_all")
    assert not any(s.pinned for s in stage.p.melody.steps)


@pytest.mark.parametrize(
    "act",
    [
        ("pitch", "65", "1"),
        ("pitch", "0", "1"),
        ("pitch", "1"),
        ("pass", "1", "3of2"),
        ("note", "1", "H9"),
        ("link", "1", "x"),
    ],
)
def test_wrong_edits_are_refused_in_one_sentence(act: tuple[str, ...]) -> None:
    stage = plain()
    before = list(stage.p.melody.steps)
    stage.do(*act)
    assert stage.p.melody.steps == before
    assert len(stage.said("refused")) == 1


# -- audition ------------------------------------------------------------------


def test_an_edit_while_stopped_sounds_at_once_with_a_gate() -> None:
    stage = plain()
    stage.do("note", "4", "F3")
    assert [note for _, note in stage.ons()] == [53]
    stage.until(stage.now + 1000 * MS)
    assert stage.p.sounding() == []


def test_the_sounding_step_is_re_pitched_at_once_without_another_attack() -> None:
    stage = plain(gate=0.9)
    stage.start()
    stage.clocks(97)
    stage.forget()
    old = stage.p.sounding()[0][2]
    stage.do("pitch", "1", "1" if old < 60 else "-1")
    kinds = [d[0] & 0xF0 for _, _, d in stage.heard if d[0] & 0xF0 in (0x80, 0x90)]
    assert kinds == [0x90, 0x80]


def test_another_step_is_heard_on_the_cue_voice_or_next_time() -> None:
    stage = plain(gate=0.9)
    stage.start()
    stage.clocks(97)
    stage.forget()
    stage.do("pitch", "9", "1")
    assert stage.ons() == []
    assert stage.said("heard_next") == [{"index": 9}]
    cued = Setup(outputs=(Output(), Output("phones")), voices=(Voice(), Voice("cue", output=1, is_cue=True)))
    stage = plain(cued, gate=0.9)
    stage.start()
    stage.clocks(97)
    stage.forget()
    stage.do("pitch", "9", "1")
    assert [(o, d[0] & 0xF0) for _, o, d in stage.heard if d[0] & 0xF0 == 0x90] == [(1, 0x90)]


def test_where_the_line_rests_and_there_is_room_the_main_voice_plays_the_edit() -> None:
    stage = plain(division="1/4")
    stage.do("rest", "2", "rest")
    stage.start()
    stage.clocks(1 + 24 + 2)
    stage.forget()
    stage.do("pitch", "9", "1")
    assert len(stage.ons()) == 1


def test_audition_off_sounds_nothing() -> None:
    stage = plain(Setup(audition="off"))
    stage.do("pitch", "1", "1")
    assert stage.ons() == []


# -- pieces --------------------------------------------------------------------

SET = (
    Piece("First Light", {"scale": "dorian", "length": 8}, seed=11, minutes=6.0),
    Piece(
        "Meridian",
        {"root": "A"},
        line=(Written(57), Written(57, REST), Written(60, pinned=True)),
        scales=("aeolian", "phrygian"),
    ),
    Piece("Long Exposure", {"division": "1/8"}, hold=True),
    Piece("Occultation"),
)  # fmt: skip


def on_stage() -> Stage:
    stage = Stage(Setup(pieces=SET))
    stage.start()
    return stage


def test_the_set_begins_with_its_first_piece() -> None:
    view = on_stage().p.view()
    assert (view["piece"], view["piece_name"]) == (1, "First Light")
    assert view["parameters"]["scale"] == "dorian"


def test_a_piece_comes_in_at_the_bar_from_step_one() -> None:
    stage = on_stage()
    stage.clocks(30)
    stage.do("next_piece")
    stage.clocks(66)
    assert stage.p.piece == 1
    stage.clocks(1)
    view = stage.p.view()
    assert (view["piece"], stage.steps()[-1]["index"]) == (2, 1)
    assert view["parameters"]["root"] == "A"
    assert view["parameters"]["length"] == 16, "what a piece does not say has its default"
    assert view["lists"]["scale"] == ["aeolian", "phrygian"]
    assert [s["rhythm"] for s in view["line"]["steps"][:3]] == ["chance", "rest", "chance"] or view["line"]["steps"][1][
        "heard"
    ] is False
    assert view["line"]["steps"][2]["pinned"]


def test_a_piece_is_left_as_played_and_opened_as_prepared() -> None:
    stage = on_stage()
    prepared = list(stage.p.melody.steps)
    stage.clocks(200)
    stage.do("rotate", "1", due="now")
    left = list(stage.p.melody.steps)
    stage.do("piece", "Occultation", due="now")
    assert stage.p.melody.steps != left
    stage.do("piece", "1", due="now")
    assert stage.p.melody.steps == prepared
    stage.do("piece", "4", due="now")
    stage.do("piece_as_left", "first light", due="now")
    assert stage.p.melody.steps == prepared or stage.p.melody.steps == left


def test_a_piece_with_a_seed_evolves_the_same_and_one_without_begins_unlike_its_neighbour() -> None:
    one, two = on_stage(), Stage(Setup(pieces=SET), seed=99)
    two.start()
    assert one.p.melody.steps == two.p.melody.steps
    for stage in (one, two):
        stage.set(mutation_chance=1.0)
        stage.clocks(48 * 20)
    assert one.p.melody.steps == two.p.melody.steps
    one.do("piece", "3", due="now")
    third = list(one.p.melody.steps)
    one.do("piece", "4", due="now")
    assert one.p.melody.steps != third


def test_a_piece_may_begin_held_and_the_trail_goes_across_pieces() -> None:
    stage = on_stage()
    before = stage.p.melody.form(stage.p.settings.length)
    stage.do("piece", "3", due="now")
    assert stage.p.values["hold"] is True
    stage.do("undo", due="now")
    assert stage.p.melody.form(stage.p.settings.length).steps == before.steps


def test_the_ends_of_the_set() -> None:
    stage = on_stage()
    stage.do("previous_piece", due="now")
    stage.do("piece", "7", due="now")
    assert [n["why"] for n in stage.said("refused")] == ["this is the first piece", "there is no piece 7: 1 to 4"]
    empty = Stage()
    empty.do("next_piece")
    assert "there are no pieces" in empty.said("refused")[0]["why"]


def test_middle_c_renames_everywhere() -> None:
    stage = plain(replace(Setup(), middle_c=3))
    stage.do("note", "1", "C3")
    assert stage.p.view()["line"]["steps"][0]["note"] == 60
    assert stage.p.view()["line"]["steps"][0]["name"] == "C3"


@pytest.mark.parametrize("linked", ["chance", "tie"])
def test_a_held_note_that_is_re_pitched_is_held_on(linked: str) -> None:
    # Step 1 is sustained through two rests by chance, or tied through step 2, which is as long.
    stage = Stage(length=4, hold=True, rest_chance=0.5, sustain=1.0, slide_chance=0.0)
    sounds, rests = Step(pitch=62, rest=0.9, link=0.5), Step(pitch=65, rest=0.1, link=0.5)
    first = sounds._replace(linked=LINK_NAMES.index(linked))
    second = rests if linked == "chance" else sounds._replace(linked=LINK_NAMES.index("none"))
    stage.p.melody.steps = [first, second, rests, sounds._replace(pitch=67)] * 16
    stage.start()
    stage.clocks(24 + 3)
    stage.forget()
    stage.do("note", "1", "65")
    (struck, note) = stage.ons()[-1]
    stage.clocks(18)
    off = next(when for when, other in stage.offs() if other == note)
    clocks = {"chance": 16, "tie": 7.6}[linked]  # to step 4, or to 0.6 of step 2
    assert note == 65 and off - struck == pytest.approx(clocks * AT_120, abs=MS)
