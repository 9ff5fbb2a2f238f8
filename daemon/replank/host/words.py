"""What clients ask for, checked whole before anything of it happens.

One implementation for `replank send`, the dashboard and scripts: words
become events, or a sentence that says what is wrong.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from replank.control.actions import find_action, split_action
from replank.control.parameters import check
from replank.control.text import Doing, Setting, is_setting, read_word
from replank.performer import Performer
from replank.performer.arguments import prepare
from replank.performer.events import Act, Assign, Event

MOST_WORDS = 64
LONGEST_WORD = 200


def read_words(words: Any, performer: Performer, origin: str) -> list[Event]:
    """Return the events of words such as ``mutation_chance=0.5`` and ``pitch:5:+1@bar``.

    Raises:
        ValueError: Any of them is wrong; nothing should happen then.
    """
    if not isinstance(words, list) or not words or not all(isinstance(word, str) for word in words):
        raise ValueError("words is a list of texts such as ['mutation_chance=0.5', 'redraw']")
    if len(words) > MOST_WORDS or any(len(word) > LONGEST_WORD for word in words):
        raise ValueError(f"at most {MOST_WORDS} words of {LONGEST_WORD} characters at a time")
    # What a word brings about, such as a snapshot, must be there for the next one: several events are tried on a
    # copy.  Making it takes tens of milliseconds late in a show; values alone, one event, are checked without.
    trial: Performer | None = None
    events: list[Event] = []
    for word in words:
        if trial is None and events and not (is_setting(word) and isinstance(events[-1], Assign)):
            trial = _tried(performer, events)
        event = _read_word(word, trial or performer, origin)
        if trial is not None:
            _try(trial, event)
        last = events[-1] if events else None
        if isinstance(event, Assign) and isinstance(last, Assign):
            last.values.update(event.values)  # of a parameter that is named twice the later value holds
        else:
            events.append(event)
    return events


def _tried(performer: Performer, events: Iterable[Event]) -> Performer:
    trial = Performer.restore(performer.save())
    for event in events:
        _try(trial, event)
    return trial


def _try(trial: Performer, event: Event) -> None:
    refused = refusals(trial.receive(event, trial.now).notices)
    if refused:
        raise ValueError(refused[0])


def _read_word(word: str, performer: Performer, origin: str) -> Event:
    setup = performer.setup
    typed = read_word(word, setup.middle_c, tuple(setup.user_scales))
    if isinstance(typed, Setting):
        return Assign({typed.name: typed.value}, origin)
    return _checked(typed, performer, origin)


def read_action(word: Any, performer: Performer, origin: str) -> Act:
    """Return the event of an action as it is written, e.g. ``recall:blue@now``.

    Raises:
        ValueError: It is no action, or cannot be done at all.
    """
    if not isinstance(word, str) or len(word) > LONGEST_WORD:
        raise ValueError("action is a text such as 'recall:blue@now'")
    return _checked(Doing(*split_action(word)), performer, origin)


def _checked(asked: Doing, performer: Performer, origin: str) -> Act:
    name, args, due = asked
    try:
        prepare(performer.known(), find_action(name), args)
    except ValueError as error:
        raise ValueError(f"{name}: {str(error).removeprefix(f'{name}: ')}") from None
    return Act(name, args, due, origin)


def read_values(values: Any, performer: Performer, origin: str) -> Assign:
    """Return the event that sets plain values: name -> value.

    Raises:
        ValueError: Any of them is wrong.
    """
    if not isinstance(values, dict) or not values:
        raise ValueError('values is an object such as {"length": 12}')
    scales = tuple(performer.setup.user_scales)
    return Assign({name: check(name, value, scales) for name, value in values.items()}, origin)


def refusals(notices: Iterable[Any]) -> list[str]:
    """Return why the performer refused, a sentence each."""
    return [f"{n.data.get('what')}: {n.data.get('why')}" for n in notices if n.kind == "refused"]
