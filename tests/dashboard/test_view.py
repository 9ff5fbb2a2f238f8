"""Whatever a socket can send is read, and text from outside stays text."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.dashboard import wording
from replank.dashboard.model import Model
from replank.dashboard.view import State, plain, read_state
from replank.performer import Performer
from tests.dashboard import recording

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=True) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


STATE = recording.load()["state"]


def damaged(value, chance, parts):
    """Return a copy of a state in which some parts are replaced by others."""
    if chance.random() < 0.03:
        return chance.choice(parts)
    if isinstance(value, dict):
        return {k: damaged(v, chance, parts) for k, v in value.items() if chance.random() > 0.02}
    if isinstance(value, list):
        return [damaged(v, chance, parts) for v in value[:3]]
    return value


@st.composite
def damaged_states(draw):
    parts = draw(st.lists(JSON, min_size=1, max_size=4))
    found = damaged(STATE, random.Random(draw(st.integers(0, 2**32))), parts)
    return found if isinstance(found, dict) else {"performer": found}


@given(damaged_states() | st.dictionaries(st.text(max_size=9), JSON, max_size=4))
def test_any_state_is_read(message):
    state = read_state(message)
    assert isinstance(state, State)
    assert state.length <= len(state.steps) <= 64
    for step in state.steps[: state.length]:
        wording.step_words(step, state)
    wording.facts(state)
    wording.waiting(state)
    wording.set_times(state, 10**12)
    for cycle, notes in state.history:
        wording.history_words(state, cycle, notes)


KINDS = ["step", "cycle", "mutation", "parameter", "ramp", "waiting", "done", "due", "piece", "nonsense"]


@given(st.sampled_from(KINDS),
       JSON, JSON, JSON)  # fmt: skip
def test_any_notice_is_taken(kind, data, text, level):
    model = Model(lambda: 0.0)
    model.take_notice({"notice": kind, "data": data, "text": text, "level": level})
    model.take_notice(
        {"notice": kind, "data": {"index": data, "note": text, "name": level, "cycle": data, "shown": data}}
    )
    for news in model.news:
        assert plain(news.text) == news.text


@pytest.mark.parametrize(("given", "seen"), [
    ("First Light", "First Light"), ("[bold]x[/bold]", "[bold]x[/bold]"), ("a\x1b[31mb\nc\x00", "a·[31mb·c·"),
    ("‮evil", "·evil"), (12, "12"), (None, "None"),
])  # fmt: skip
def test_text_is_made_plain(given, seen):
    assert plain(given) == seen


def test_the_record_is_what_the_performer_says():
    """The schema of the kept record is that of a live performer, so that no picture shows a field nobody sends."""
    live = Performer(recording.Night().performer.setup, 1).view()
    kept = recording.load()["state"]["performer"]
    assert kept.keys() == live.keys()
    assert kept["transport"].keys() == live["transport"].keys()
    assert kept["line"].keys() == live["line"].keys()
    assert kept["line"]["steps"][0].keys() == live["line"]["steps"][0].keys()


def test_a_turning_knob_is_one_line():
    model = Model(lambda: 0.0)
    for at in range(50):
        model.take_notice({"notice": "parameter", "data": {"name": "gate", "value": at / 50, "shown": f"{at / 50:g}"}})
    assert [news.text for news in model.news] == ["gate 0.98"]
    assert model.state.shown["gate"] == "0.98"
    assert model.moved is not None and model.moved.name == "gate"


def test_a_silent_mutation_says_so_and_marks_hollow():
    model = Model(lambda: 5.0)
    data = {"cycle": 3, "index": 5, "text": "D3 → F3 · neighbour", "silent": True, "partner": -1}
    model.take_notice({"notice": "mutation", "text": "cycle 3 · step 5 D3 → F3 · neighbour", "data": data})
    assert model.news[-1].text == "cycle 3 · step 5 D3 → F3 · neighbour · silent"
    assert model.fresh_marks()[5][2] is True


def test_half_life_in_words():
    state = State(half_cycles=9.4, half_bars=18.7, half_minutes=0.75)
    assert wording.half_life(state) == "half changed: 9 cycles, 19 bars, 0:45"
    assert wording.half_life(State(values={"hold": True})) == "held: nothing changes by itself"


def test_due_counts_bars():
    state = read_state({"performer": {"transport": {"bar": 26}}})
    assert wording.due_words("recall blue", "bar", 29, state) == "recall blue in 4 bars"
    assert wording.due_words("recall blue", "bar", 26, state) == "recall blue at the next bar"
    assert wording.due_words("redraw", "cycle", 3, state) == "redraw at the next cycle"
