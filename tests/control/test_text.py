"""One typed word is read in one place: the same on the command line, the socket, the dashboard and in a plan."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.actions import ACTIONS, usage
from replank.control.numbers import plain_number
from replank.control.parameters import PARAMETERS, show
from replank.control.setup import Setup
from replank.control.text import Doing, Setting, is_setting, read_word
from replank.dashboard import prompt
from replank.host.words import read_words
from replank.performer import Performer
from replank.performer.events import Assign


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("gate=0.5", Setting("gate", 0.5)),
        ("rest-chance=20%", Setting("rest_chance", 0.2)),
        ("swing=60%", Setting("swing", 60.0)),
        ("scale=slow fifths", Setting("scale", "slow fifths")),
        ("register_low=C3", Setting("register_low", 60)),  # middle_c is 3 here
        ("redraw", Doing("redraw", (), "")),
        ("gate+=0.1@bar", Doing("adjust", ("gate", "0.1"), "bar")),
        ("rest-chance-=10%", Doing("adjust", ("rest_chance", "-0.1"), "")),
        ("pitch:5:+1@bar", Doing("pitch", ("5", "+1"), "bar")),
        ("recall:blue=2@now", Doing("recall", ("blue=2",), "now")),
        ("star:gate=0.5", Doing("star", ("gate=0.5",), "")),
    ],
)
def test_a_word_means(word, meant):
    assert read_word(word, 3, ("slow fifths",)) == meant
    assert is_setting(word) == isinstance(meant, Setting)


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("lenght=3", "nearest: length"),
        ("length=99", "outside 1 to 64"),
        ("length=1_2", "write the digits only"),
        ("length=012", "write 12"),
        ("length=１２", "is not a whole number"),  # full-width digits
        ("length=+1", "two ways: length=1 sets it, length[+]=1 moves it"),
        ("gat+=1", "nearest: gate"),
        ("gate+=much", "is not a number"),
        ("gate=50%%", "is not a number"),
        ("gate=nan", "is not a number"),
        ("gate=inf", "is not a number"),
        ("gate=on", "on and off belong to keys that are switched"),
        ("gate=", "is not a number"),
        ("=0.5", "no parameter ''"),
        ("gate=0.5@bar", "only actions take @"),
        ("redrw", "nearest: redraw"),
        ("recall", "is written recall:NAME"),
        ("redraw@noon", "is not a due"),
        ("", "no action ''"),
    ],
)
def test_what_is_wrong_is_one_sentence_everywhere(word, said):
    for read in (
        read_word,
        lambda word: read_words([word], Performer(Setup(), 7, 0), ""),
        lambda word: prompt.read(f'"{word}"'),
    ):
        with pytest.raises(ValueError, match=said) as refused:
            read(word)
        assert "\n" not in str(refused.value)


@given(st.floats(-1e15, 1e15).filter(lambda number: number == 0 or abs(number) > 1e-90))
def test_every_number_that_python_writes_is_read_back(number):
    assert plain_number(repr(number)) == number


@given(st.text(alphabet="0123456789_,.+-eE%:x１٣ ", max_size=8))
def test_what_is_read_is_what_an_independent_reader_of_plain_decimals_reads(text):
    """Against Python's own float() and int() where they agree on plain ASCII digits."""
    try:
        number = plain_number(text)
    except ValueError:
        return
    assert text.strip().isascii() and "_" not in text
    assert number == float(text)


@pytest.mark.parametrize("name", [name for name, row in PARAMETERS.items() if row.kind != "seed"])
def test_every_parameter_is_the_same_in_each_place(name):
    value = PARAMETERS[name].default
    word = f"{name}={show(name, value)}"
    assert read_word(word) == Setting(name, value)
    assert prompt.read(word) == [Setting(name, value)]
    assert read_words([word], Performer(Setup(), 7, 0), "") == [Assign({name: value}, "")]


@pytest.mark.parametrize("name", ACTIONS)
def test_every_action_is_read(name):
    if name == "adjust":  # written gate+=0.1
        return
    args = tuple("1" for word in ACTIONS[name].takes if not word.startswith("["))
    assert read_word(":".join((name, *args))) == Doing(name, args, ""), usage(ACTIONS[name])
