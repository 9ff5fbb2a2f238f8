"""What moves and comes by itself, as rows: piece time, plan, arcs, phrase, and what tension makes of what was set."""

import copy
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.setup import Setup
from replank.dashboard import wording
from replank.dashboard.model import Model
from replank.dashboard.setlist import LEAST, Setlist
from replank.dashboard.view import State, read_state
from replank.performer import Performer
from tests.dashboard import evening
from tests.dashboard.server import Server
from tests.dashboard.showing import shown
from tests.dashboard.test_view import damaged

RECORD = evening.perform()
"""25 bars of 96 clocks at 120 BPM, two seconds each, and 30 clocks more: 50.6 s of piece time in bar 26."""
STATE = RECORD["state"]


def server(**changes) -> Server:
    record = copy.deepcopy(RECORD)
    record["state"]["performer"] |= changes
    return Server(record)


def row_of(view, name):
    return next(line for line in view.lines() if line[1:].startswith(name))


# -- words -----------------------------------------------------------------------


def test_piece_phrase_plan_and_arcs_in_words():
    state = read_state(STATE)
    assert wording.piece_line(state, state.now) == ["First Light 0:51 of 8:00, bar 26"]
    assert wording.phrase_line(state) == ["phrase 7, bar 2 of 4, visits home"]
    assert wording.plan_lines(state) == [
        "planned: recall:early in 2 bars", "planned: rest_chance=0.4 in 15 bars", "planned: go_home in 23 bars",
        "and 1 more planned",
    ]  # fmt: skip
    assert wording.arc_lines(state) == [
        # it moves in parts of its range: 0.842 was the last of them
        "tension 0.842 · arc to 1 at 1:00",
        # from 7 at bar 16 to 0 at bar 64: 5.6 of 25.3 bars, whole degrees
        "transpose_degrees 6 · arc to 0 at 64 bars",
        "gate 0.3 · arc is over",
        "swing 54 by hand · arc again at 2:00, from 50",
    ]
    assert len(wording.arc_lines(state, under_way=True)) == 2


def test_the_sounding_value_stands_beside_the_set_one_only_where_they_differ():
    state = read_state(STATE)
    # 0.3 - 0.4 (2 x 0.842 - 1), MUSIC 2b
    assert state.sounding["rest_chance"] == "0.027"
    facts = wording.facts(state)
    assert "C3 to G4 · rests 30 % → sounds 3 %" in facts and "homing 60 % → sounds 40 %" in facts
    still = read_state({"performer": {"shown": {"gate": "1"}, "sounding": {"gate": {"value": 1.0, "shown": "1"}}}})
    assert still.sounding == {}, "at the end of its range tension moves it no further"
    near = {"parameters": {"rest_chance": 0.3}, "shown": {"rest_chance": "0.3"},
            "sounding": {"rest_chance": {"value": 0.297, "shown": "0.297"}}}  # fmt: skip
    assert any(line.endswith("rests 30 %") for line in wording.facts(read_state({"performer": near})))
    calm = read_state({"performer": Performer(Setup(), 7).view()})
    assert not any("sounds" in line for line in wording.facts(calm))


@pytest.mark.parametrize(("row", "words"), [
    ({"number": 3, "bar": 2, "bars": 4, "in_breath": True, "visits_home": False}, ["phrase 3, bar 2 of 4, breath"]),
    ({"number": 8, "bar": 4, "bars": 4, "in_breath": True, "visits_home": True},
     ["phrase 8, bar 4 of 4, visits home, breath"]),
    (None, []),
])  # fmt: skip
def test_a_phrase_in_words(row, words):
    assert wording.phrase_line(read_state({"performer": {"phrase": row}})) == words


def test_with_pulses_cycles_are_counted():
    state = read_state({"performer": {
        "transport": {"mode": "pulses"}, "phrase": {"number": 1, "bar": 2, "bars": 4},
        "course": {"bar": 3, "plan": [{"at": 5, "do": "end", "bars": 2}]},
    }})  # fmt: skip
    assert wording.phrase_line(state) == ["phrase 1, cycle 2 of 4"]
    assert wording.plan_lines(state) == ["planned: end in 2 cycles"]


@pytest.mark.parametrize(("bar", "bars", "when"), [(3, 0, "at bar 3"), (4, 1, "at the next bar"), (2, 0, "")])
def test_what_a_jump_has_passed_over_does_not_come_next(bar, bars, when):
    plan = [{"at": bar, "do": "end", "bars": bars}]
    state = read_state({"performer": {"course": {"bar": 3, "plan": plan}}})
    assert wording.plan_lines(state) == ([f"planned: end {when}"] if when else [])


def test_an_arc_that_holds_says_until_when():
    arc = {"name": "gate", "unit": "minutes", "shown": "0.3", "next": {"at": 7.5, "shown": "0.3"}}
    state = read_state({"performer": {"course": {"arcs": [arc]}, "shown": {"gate": "0.3"}}})
    assert wording.arc_lines(state) == ["gate 0.3 · arc holds 0.3 until 7:30"]


def test_piece_time_stands_while_the_line_does_and_goes_on_between_two_states():
    playing = {"running": True, "clock_present": True, "state": "playing"}

    def played(transport, **more):
        view = {"now": 10**9, "transport": transport, "course": {"minutes": 2.0}, "piece_since": 1, **more}
        return wording.set_times(read_state({"performer": view}), 31 * 10**9)[0]

    assert played(playing) == pytest.approx(2.5)
    assert played({**playing, "running": False, "state": "stopped"}) == 2.0
    assert played({**playing, "clock_present": False}) == 2.0
    assert played({"mode": "pulses", "state": "playing"}) == pytest.approx(2.5)
    assert played(playing, course=None) == pytest.approx(31 / 60), "a daemon that knows no piece time"


@given(st.integers(0, 2**32))
def test_any_course_is_read(seed):
    parts = [None, -1, "x", [], {}, {"at": "x"}, float("nan"), 1e400, "\x1b[2J"]
    chance, performer = random.Random(seed), STATE["performer"]
    for _ in range(8):
        broken = {name: damaged(performer[name], chance, parts) for name in ("course", "phrase", "sounding")}
        state = read_state({"performer": {**performer, **broken}})
        assert isinstance(state, State)
        for lines in (wording.piece_line(state, 10**12), wording.phrase_line(state), wording.plan_lines(state),
                      wording.arc_lines(state), wording.tension_line(state), wording.facts(state)):  # fmt: skip
            assert all("\x1b" not in line for line in lines)


# -- news ------------------------------------------------------------------------


@pytest.mark.parametrize(("origin", "is_said"), [("client", True), ("knobs", True), ("arc", False)])
def test_an_arc_moves_its_row_but_fills_neither_feed_nor_screen(origin, is_said):
    model = Model(lambda: 0.0)
    for value in ("0.4", "0.404"):
        data = {"name": "tension", "value": float(value), "shown": value, "origin": origin}
        model.take_notice({"notice": "parameter", "data": data, "level": "event"})
    assert model.state.shown["tension"] == "0.404"
    assert (len(model.news), model.moved is not None) == (int(is_said), is_said)


def test_a_new_bar_asks_for_the_state_and_a_new_step_does_not():
    model = Model(lambda: 0.0)
    for bar, is_wanted in ((1, True), (1, False), (2, True), (2, False)):
        model.wants_state = False
        model.take_notice({"notice": "step", "level": "step", "data": {"index": 1, "bar": bar, "beat": 1}})
        assert model.wants_state is is_wanted


# -- pages -----------------------------------------------------------------------


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (200, 50)])
async def test_the_shape_page_shows_set_and_sounding(size):
    async with shown(size, server=server()) as view:
        await view.press("2")
        for name, words in (
            ("rest_chance", "0.3 → sounds 0.027"), ("gate", "0.3 → sounds 0.437"), ("tension", "0.842 arc to 1"),
            ("transpose_degrees", "6 arc to 0 → sounds 7"), ("homing", "0.6 → sounds 0.395"),
        ):  # fmt: skip
            assert f"{words} " in row_of(view, name), name
        assert "sounds" not in row_of(view, "length") and "16 steps" in row_of(view, "length")
        view.app.do("/move:7")
        await view.quiet()
        said = " ".join(" ".join(view.lines()).split())
        assert "homing 0.6 → 0.2 · 8 bars left. set 0.6, sounds 0.395 under tension 0.842." in said


async def test_a_parameter_without_tension_or_arc_shows_its_ramp_as_ever():
    async with shown(server=server(sounding={}, course=None)) as view:
        await view.press("2")
        assert "0.6 → 0.2 " in row_of(view, "homing") and "sounds" not in view.text()


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (200, 50)])
async def test_the_set_page_says_where_the_piece_is_and_what_it_brings(size):
    async with shown(size, server=server()) as view:
        await view.press("6")
        state = read_state(STATE)
        lines = [line.strip() for line in view.lines()]
        for line in (*wording.plan_lines(state), *wording.arc_lines(state)):
            assert line in lines
        where = next(line for line in lines if line.startswith("First Light"))
        assert where.endswith("of 8:00, bar 26 · phrase 7, bar 2 of 4, visits home")
        setlist = view.app.query_one("#set", Setlist)
        await view.pilot.click("#set", offset=(10, setlist._head + 1))
        assert setlist.cursor == 1, "the pieces stand below, and a click finds them"


async def test_a_long_set_keeps_its_list():
    pieces = [{"number": n, "name": f"piece {n}", "minutes": 3} for n in range(1, 31)]
    async with shown(server=server(pieces=pieces)) as view:
        await view.press("6")
        assert sum("prog" in line for line in view.lines()) == 24 - 2 - 2 - 2 - (2 + LEAST)


async def test_the_line_page_has_phrase_and_plan_in_view_at_the_smallest_size():
    async with shown(server=server()) as view:
        text = view.text()
        assert "phrase 7, bar 2 of 4, visits home" in text and "planned: recall:early in 2 bars" in text
    async with shown(server=server(phrase=None, course=None)) as view:
        assert "phrase" not in view.text() and "planned" not in view.text()
