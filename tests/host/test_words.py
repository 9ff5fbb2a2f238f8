"""Requests in words: all of them right, or nothing happens and one sentence says why."""

import pytest

from replank.control.setup import Setup
from replank.host.words import read_action, read_values, read_words
from replank.performer import Performer
from replank.performer.events import Act, Assign


@pytest.fixture
def performer():
    return Performer(Setup(), 7, 0)


def test_words_become_events(performer):
    events = read_words(["mutation_chance=0.5", "length=12", "redraw", "pitch:5:+1@bar"], performer, "shell")
    assert events == [
        Assign({"mutation_chance": 0.5, "length": 12}, "shell"),
        Act("redraw", (), "", "shell"),
        Act("pitch", ("5", "+1"), "bar", "shell"),
    ]


def test_a_hyphen_may_stand_for_the_underscore(performer):
    assert read_words(["rest-chance=20%"], performer, "")[0].values == {"rest_chance": 0.2}


def test_a_word_may_use_what_an_earlier_one_brings(performer):
    before = performer.save()
    events = read_words(["keep:blue", "recall:blue@now"], performer, "")
    assert [event.name for event in events] == ["keep", "recall"]
    assert performer.save() == before  # it was tried on another


def test_only_several_events_are_tried_on_a_copy(performer, monkeypatch):
    copies = []
    save = Performer.save
    monkeypatch.setattr(Performer, "save", lambda one: copies.append(one) or save(one))
    assert len(read_words(["length=12", "gate=0.5", "swing=60"], performer, "")) == 1
    read_words(["redraw"], performer, "")
    assert read_words(["gate=0.5", "length=9", "gate=0.6"], performer, "")[0].values == {"gate": 0.6, "length": 9}
    assert not copies
    assert len(read_words(["length=12", "keep:blue", "recall:blue", "swing=60"], performer, "")) == 4
    assert len(copies) == 1


def test_what_the_first_of_several_events_would_be_refused_for_is_found(performer):
    with pytest.raises(ValueError, match="meter"):
        read_words(["division=768c", "meter=1/32", "redraw"], performer, "")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["lenght=3"], "nearest: length"),
        (["length=99"], "outside 1 to 64"),
        (["redrw"], "nearest: redraw"),
        (["pitch:99:+1"], "step"),
        (["recall:nothing"], "nothing"),
        (["gate=0.5@bar"], "only actions take @ and a due time; a new gate holds at the next step"),
        (["redraw@someday"], "due"),
        (["length=3", "fly"], "no action"),
        ([], "list"),
        ("length=3", "list"),
        ([3], "list"),
        (["x" * 500], "at most"),
        (["redraw"] * 100, "at most"),
    ],
)
def test_a_wrong_word_is_refused_in_one_sentence(words, said, performer):
    with pytest.raises(ValueError, match=said) as refused:
        read_words(words, performer, "")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("values", [None, {}, [], {"length": True}, {"length": 3.5}, {"gate": float("nan")}, {"x": 1}])
def test_plain_values_are_checked(values, performer):
    with pytest.raises(ValueError):
        read_values(values, performer, "")


def test_actions_with_colons_in_their_text(performer):
    assert read_action("star:at 12:30", performer, "").args == ("at 12:30",)
