"""Acts that no other page tries for what they do: toggle, star, to_chance, name, select."""

from __future__ import annotations

from tests.performer.kit import Stage, every_step


def test_toggle_turns_an_on_off_parameter_and_refuses_another() -> None:
    stage = Stage()
    for expected in (True, False):
        stage.do("toggle", "hold")
        assert stage.p.values["hold"] is expected
    stage.do("toggle", "gate")
    assert stage.said("refused")[0]["why"] == "gate is not an on-off parameter"


def test_a_star_marks_the_moment_with_its_cycle_and_clean_text() -> None:
    stage = Stage(**every_step())
    stage.start()
    stage.bars(2)
    stage.do("star", "the \x1b[31mdome\n opens")
    assert stage.said("star") == [{"text": "the [31mdome opens", "cycle": 2}]


def test_to_chance_gives_forced_states_back_to_chance_and_leaves_pitch_pin_and_rolls() -> None:
    stage = Stage()
    before = stage.p.melody.steps[4]
    for name, *args in (
        ("rest", "5", "rest"), ("accent", "5", "on"), ("link", "5", "tie"), ("ratchet", "5", "3"),
        ("pass", "5", "2of3"), ("pin", "5", "on"),
    ):  # fmt: skip
        stage.do(name, *args)
    assert stage.p.melody.steps[4] != before
    stage.do("to_chance", "5")
    assert stage.p.melody.steps[4] == before._replace(pinned=True)
    stage.do("undo", due="now")
    assert stage.p.melody.steps[4].pass_of == 3


def test_the_selected_step_and_the_name_of_the_show_are_shown() -> None:
    stage = Stage()
    stage.do("select", "9")
    stage.do("name_show", "open night")
    view = stage.p.view()
    assert (view["selected"], view["show"]) == (9, "open night")
