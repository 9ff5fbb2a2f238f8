"""Old names are refused with the present one; nothing reads them."""

import pytest

from replank.control.actions import ACTIONS, find_action, split_action, usage, written
from replank.control.old_names import OLD, renamed
from replank.control.parameters import PARAMETERS, find, parse
from replank.host.files.rig import VOICE_KEYS


@pytest.mark.parametrize(
    ("old", "now"), [("reach", "leap"), ("loose", "reroll"), ("fine", "fine_tune"), ("repeat_chance", "ratchet_chance")]
)
def test_an_old_parameter_is_refused_with_its_present_name(old, now):
    with pytest.raises(ValueError, match=rf"no parameter '{old}' \(now called {now}\)"):
        find(old)


@pytest.mark.parametrize(
    ("old", "now"), [("press", "flip"), ("turn", "pass"), ("run", "join"), ("name", "name_show"), ("keys", "keyboard")]
)
def test_an_old_action_is_refused_with_its_present_name(old, now):
    with pytest.raises(ValueError, match=rf"no action '{old}' \(now called {now}\)"):
        find_action(old)


def test_one_old_name_is_what_may_stand_in_its_place():
    assert renamed("reach", PARAMETERS) == "leap"
    assert renamed("reach", [key.name for key in VOICE_KEYS]) == "range"
    assert renamed("reach", ["colour"]) == ""


def test_no_old_name_of_a_parameter_or_action_is_still_one():
    assert {name for name in OLD if name in PARAMETERS} == {"hold", "gate"}  # of a link, of a voice
    assert {name for name in OLD if name in ACTIONS} == {"hold"}


@pytest.mark.parametrize(
    ("word", "args"),
    [
        ("gate+=0.1", ("gate", "0.1")),
        ("length-=2", ("length", "-2")),
        ("length-=-2", ("length", "2")),
        ("gate+=+3", ("gate", "3")),
        ("rest_chance+=5%", ("rest_chance", "0.05")),
        ("rest-chance += .5", ("rest_chance", ".5")),
    ],
)
def test_to_move_a_parameter_is_written_with_plus_or_minus(word, args):
    assert split_action(word) == ("adjust", args, "")
    assert split_action(f"{word}@2bars") == ("adjust", args, "2bars")
    assert split_action(written("adjust", args)) == ("adjust", args, "")


@pytest.mark.parametrize(
    ("word", "what"),
    [
        ("adjust:gate:0.1", "adjust is written PARAMETER"),
        ("nudge_parameter:gate:0.1", r"now called NAME\+=AMOUNT"),
        ("gaet+=0.1", "nearest: gate"),
        ("gate+=much", "not a number"),
        ("gate+=", "not a number"),
        ("length+=5%", "not a chance"),
        ("transpose=+5", r"transpose=5 sets it, transpose\+=5 moves it"),
        ("transpose=5", "not an action"),
    ],
)
def test_what_moves_nothing_is_refused(word, what):
    with pytest.raises(ValueError, match=what):
        split_action(word)


def test_a_value_with_a_plus_is_refused_with_both_readings():
    with pytest.raises(ValueError, match=r"transpose=5 sets it, transpose\+=5 moves it"):
        parse("transpose", "+5")
    assert parse("transpose", "-5") == -5, "a minus is the value's own"


def test_usage_of_what_is_not_a_name_with_colons():
    assert usage(ACTIONS["adjust"]) == "PARAMETER+=AMOUNT"
    assert usage(ACTIONS["pass"]) == "pass:STEP:1of4"
