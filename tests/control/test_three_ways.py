"""Every action and every parameter: from a box, from `replank send`, over the socket, with identical effect."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from replank.control.actions import ACTIONS, split_action, usage
from replank.control.compiling import compile_profile
from replank.control.parameters import PARAMETERS, place, show
from replank.control.setup import Clock, Input, Piece, Setup
from replank.host.words import read_action, read_values, read_words
from replank.performer import hearing
from replank.performer.events import Act
from tests.performer.kit import Stage

WRITTEN = {
    "keep": ["keep", "keep:second@bar"], "keep_last": ["keep_last:good"],
    "recall": ["recall:first", "recall:first@now"],
    "recall_line": ["recall_line:first@cycle"], "forget": ["forget:first"], "back": ["back:1"],
    "back_full": ["back_full:2@now"], "redraw": ["redraw", "redraw@2bars"], "home_from": ["home_from:first"],
    "rotate": ["rotate:+3"], "pitch": ["pitch:5:+1"], "semitone": ["semitone:6:-1"], "note": ["note:3:F#3"],
    "flip": ["flip:2"], "rest": ["rest:4:rest"], "accent": ["accent:4:on", "accent:5"],
    "velocity": ["velocity:3:-0.5"], "link": ["link:2:slide", "link:7"], "ratchet": ["ratchet:3:3"],
    "pass": ["pass:3:1of2"], "pin": ["pin:8", "pin:8:on"], "pin_all": ["pin_all"], "to_chance": ["to_chance:1"],
    "select": ["select:9"], "hold": ["hold:on"], "mute": ["mute", "mute:on@bar"], "answer": ["answer:1:1"],
    "nudge": ["nudge:+2"], "ramp": ["ramp:gate:0.9:2", "ramp:rest_chance:0.6:1@bar"], "toggle": ["toggle:hold"],
    "adjust": ["length-=3", "scale+=1"],
    "piece": ["piece:2", "piece:Meridian@now"],
    "piece_as_left": ["piece_as_left:First Light@now"], "star": ["star", "star:the dome opens"],
    "name_show": ["name_show:open night"], "keyboard": ["keyboard:root"],
    "tuning_note": ["tuning_note", "tuning_note:57:40:1"], "goto": ["goto:2.5"], "cancel": ["cancel", "cancel:gate"],
}  # fmt: skip
"""Each action as a person writes it; what is not here takes no argument."""

WORDS = [word for name in ACTIONS for word in WRITTEN.get(name, [name])]
TURNED = {
    "rotate:*": 3,
    "pitch:5:*": -2,
    "semitone:5:*": 1,
    "velocity:3:*": 1,
    "nudge:*": 2,
    "leap+=*": 2,
}
PIECES = (Piece("First Light", {"length": 12}), Piece("Meridian", {"scale": "dorian", "length": 7}, seed=1609))


def box(*controls: dict[str, Any]) -> dict[str, Any]:
    plain = {"profile": 1, "controls": [*controls], "shared": ["tap"]}
    return {"box": compile_profile(plain).to_plain()}


def stage(source: str, moving: bool, *controls: dict[str, Any]) -> Stage:
    """A performer amid a show: two cycles played, one snapshot, a trail with something undone on it."""
    setup = Setup(
        inputs=(Input("clock", "clock"), Input("knobs", "knobs", (), "box")), clock=Clock(source=source),
        pieces=PIECES, profiles=box({"sends": "note 1", "does": "tap"}, *controls), values={"mutation_chance": 1.0},
    )  # fmt: skip
    made = Stage(setup, settle_new=0)
    made.do("piece", "2", due="now")  # so that the first one can come back as it was left
    made.do("piece", "1", due="now")
    made.do("start") if source == "internal" else made.start()
    made.clocks(150)
    made.do("keep", "first")
    made.do("flip", "1")
    made.do("undo", due="now")
    made.clocks(3)
    if not moving:
        made.do("stop") if source == "internal" else made.midi(0xFC)
    made.forget()
    return made


def by_box(made: Stage, word: str) -> None:
    made.midi(0x90, 60, 100, port=1)
    made.midi(0x80, 60, 0, port=1)


def by_send(made: Stage, word: str) -> None:
    for event in read_words([word], made.p, "client"):
        made.give(event)


def by_socket(made: Stage, word: str) -> None:
    made.give(read_action(word, made.p, "client"))


def by_table(made: Stage, word: str) -> None:
    # what all of them must come to
    name, *args = {"length-=3": "adjust:length:-3", "scale+=1": "adjust:scale:1"}.get(
        word, word.partition("@")[0]
    ).split(":")
    made.give(Act(name, tuple(args), word.partition("@")[2], "client"))


def effect(made: Stage) -> dict[str, Any]:
    """Play on, and return everything that the performer then is and has said, who asked aside."""
    made.clocks(2 * 96 + 50)
    whole = made.p.save()
    for name in ("setup", "hands", "received", "deadlines", "number"):  # of the way, not of the effect
        del whole[name]
    said = [
        (notice.kind, notice.now, {name: value for name, value in notice.data.items() if name != "origin"})
        for notice in made.notices
        if notice.kind not in ("taught", "waiting")
    ]
    return {"state": whole, "view": {**made.p.view(), "controls": 0, "inputs": 0}, "heard": made.heard, "said": said}


def differences(word: str, source: str, moving: bool, box_way: Callable[[Stage, str], None] = by_box) -> list[str]:
    """Return which ways of doing a word come to something else than the table's action."""
    found = []
    wanted: dict[str, Any] = {}
    for way in (by_table, box_way, by_send, by_socket):
        made = stage(source, moving, {"sends": "note 60", "does": word})
        way(made, word)
        result = effect(made)
        wanted = wanted or result
        found += [f"{way.__name__}: {part}" for part in wanted if result[part] != wanted[part]]
    return found


@pytest.mark.parametrize("moving", [True, False], ids=["playing", "stopped"])
@pytest.mark.parametrize("word", WORDS)
def test_an_action_from_button_send_and_socket_is_one_and_the_same(word: str, moving: bool) -> None:
    source = "internal" if word in ("start", "stop", "continue", "tap") else "external"
    assert differences(word, source, moving) == []


def test_every_action_of_the_table_is_tried() -> None:
    assert {split_action(word)[0] for word in WORDS} == set(ACTIONS)
    assert set(WRITTEN) <= set(ACTIONS)
    optional = {name for name, row in ACTIONS.items() if any(word.startswith("[") for word in row.takes)}
    assert all(":" in usage(ACTIONS[name]) for name in optional)


@pytest.mark.parametrize("word", TURNED)
def test_an_action_with_an_amount_from_a_knob_is_the_one_that_is_sent(word: str) -> None:
    clicks = TURNED[word]
    made = stage("external", True, {"sends": "cc 60", "relative": "twos-complement", "turn": word})
    made.midi(0xB0, 60, clicks & 127, port=1)
    sent = stage("external", True)
    by_send(sent, word.replace("*", f"{clicks:+d}"))
    assert effect(made) == effect(sent)


@pytest.mark.parametrize("name", [name for name, row in PARAMETERS.items() if row.kind != "seed"])
def test_a_parameter_from_knob_send_and_socket_is_one_and_the_same(name: str) -> None:
    row = PARAMETERS[name]
    present = stage("external", True).p.values[name]
    value = place(name, 0.0 if present == place(name, 1.0) else 1.0)
    control: dict[str, Any] = {"sends": "cc 60", "moves": name, "takeover": "jump"}
    if row.is_list:
        text = ("on" if value else "off") if row.kind == "bool" else str(value)
        control = {"sends": "note 60", "chooses": name, "values": [text]}
    results = []
    for way in ("knob", "send", "socket"):
        made = stage("external", True, control)
        if way == "knob" and row.is_list:
            by_box(made, "")
        elif way == "knob":
            first, last = (0, 127) if value == row.high else (127, 0)
            made.midi(0xB0, 60, first, port=1)  # teaches
            made.midi(0xB0, 60, last, port=1)
        else:
            for event in read_words([f"{name}={show(name, value)}"], made.p, "c") if way == "send" else [
                read_values({name: value}, made.p, "c")
            ]:  # fmt: skip
                made.give(event)
        results.append(effect(made))
    assert results[0]["state"]["values"][name] == value
    assert results[0] == results[1] == results[2]


def test_text_may_hold_colons_and_at_signs_and_still_be_due() -> None:
    assert split_action("star:dome @ 8: look up") == ("star", ("dome @ 8: look up",), "")
    assert split_action("star:dome @ 8@bar") == ("star", ("dome @ 8",), "bar")
    with pytest.raises(ValueError, match="is not a due"):
        split_action("recall:first@noon")


def test_a_box_that_forgets_when_an_action_is_due_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: the due of a profile's action is lost."""
    split = hearing.split_action
    monkeypatch.setattr(hearing, "split_action", lambda word: (*split(word)[:2], ""))
    assert "by_box: said" in differences("recall:first@now", "external", True)


def test_a_way_that_does_something_else_is_found_out() -> None:
    """Negative control: a box whose press comes through twice."""

    def twice(made: Stage, word: str) -> None:
        by_box(made, word)
        by_box(made, word)

    assert any(row.startswith("twice") for row in differences("rotate:+3", "external", False, twice))
