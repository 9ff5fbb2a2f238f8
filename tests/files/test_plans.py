"""Arcs and plans of pieces: what they say, what is wrong with them, and what of them is never reached."""

import pytest
import yaml as pyyaml
from hypothesis import given
from hypothesis import strategies as st

from replank.control.actions import ACTIONS, PLANNED
from replank.control.parameters import PARAMETERS
from replank.control.setup import Arc, Clock, Piece, Setup, from_plain, to_plain
from replank.host.files.plans import bar_minutes, summary_of_plans, write_arc, write_plan
from replank.host.files.sets import read_set
from replank.host.files.values import quote
from tests.files.helpers import mistakes, pieces, yaml

HEAD = "set: 1\npieces:\n  - name: one\n"
MORE = "  - name: two\n"


def advice(text: str, setup: Setup | None = None) -> list[tuple[int, int, str]]:
    return [row[1:] for row in read_set(yaml(text), setup or Setup())[1].advice]


def test_an_arc_holds_what_was_written():
    made = pieces(HEAD + """\
    arc:
      rest_chance: [0 0.5, 3 20%, 7.5 0]
      transpose:
        - 0bars -12
        - 1bar 0
        - '32bars +5'
      register_low: [0 C3]
      swing: [0 55%]
""")[0]  # fmt: skip
    assert made.arc == (
        Arc("rest_chance", "minutes", ((0.0, 0.5), (3.0, 0.2), (7.5, 0.0))),
        Arc("transpose", "bars", ((0.0, -12.0), (1.0, 0.0), (32.0, 5.0))),
        Arc("register_low", "minutes", ((0.0, 48.0),)),
        Arc("swing", "minutes", ((0.0, 55.0),)),
    )
    assert from_plain(to_plain(made), Piece) == made


def test_between_points_it_is_straight_and_level_outside():
    arc = Arc("gate", "minutes", ((1.0, 0.2), (3.0, 0.6), (4.0, 0.6)))
    # straight lines (arithmetic): 0.2 + 0.4 * (2 - 1) / (3 - 1)
    assert [arc.at(time) for time in (0.0, 1.0, 2.0, 3.0, 3.5, 9.0)] == pytest.approx([0.2, 0.2, 0.4, 0.6, 0.6, 0.6])
    assert Arc("gate", "minutes", ((2.0, 0.3),)).at(0.0) == Arc("gate", "minutes", ((2.0, 0.3),)).at(5.0) == 0.3


@given(st.lists(st.tuples(st.floats(0, 600), st.floats(0, 1)), min_size=1, max_size=8, unique_by=lambda p: p[0]))
def test_an_arc_passes_its_points_and_never_leaves_their_range(points):
    arc = Arc("gate", "minutes", tuple(sorted(points)))
    assert all(arc.at(time) == value for time, value in points)
    values = [value for _, value in points]
    for time in (0.0, 1.0, 33.3, 599.0):
        assert min(values) - 1e-12 <= arc.at(time) <= max(values) + 1e-12


CONTINUOUS = [name for name, row in PARAMETERS.items() if row.is_continuous]


@given(st.sampled_from(CONTINUOUS), st.sampled_from(["minutes", "bars"]), st.lists(st.floats(0, 500), unique=True,
       min_size=1, max_size=6), st.floats(0, 1), st.integers(3, 5))  # fmt: skip
def test_an_arc_that_was_written_is_read_back_here_and_by_another_reader(name, unit, times, place, middle_c):
    row = PARAMETERS[name]
    value = row.low + (row.high - row.low) * round(place, 6)
    value = value if row.kind == "float" else float(int(value))
    times = sorted({round(time, 4) for time in times})
    arc = Arc(name, unit, tuple((time, value) for time in times))
    text = f"{HEAD}    arc: {write_arc((arc,), middle_c)}\n"
    assert pieces(text, Setup(middle_c=middle_c))[0].arc == (arc,)
    assert list(pyyaml.safe_load(text)["pieces"][0]["arc"]) == [name]


@pytest.mark.parametrize(
    ("text", "column", "what"),
    [
        ("arc: 3", 10, "written as parameters with lists of points"),
        ("arc: [0 0.5]", 10, "written as parameters with lists of points"),
        ("arc:", 9, "arc has no value"),
        ("arc: {gat: [0 0.5]}", 11, "no parameter 'gat' (nearest: gate)"),
        ("arc: {scale: [0 dorian]}", 11, "scale is a list and cannot be moved"),
        ("arc: {hold: [0 on]}", 11, "hold is a list"),
        ("arc: {seed: [0 1]}", 11, "seed"),
        ("arc: {gate: 0 0.5}", 17, "list of 1 to 128 points"),
        ("arc: {gate: []}", 17, "list of 1 to 128 points"),
        ("arc: {gate: [0.5]}", 18, "a point is a time and a value"),
        ("arc: {gate: [0 0.5 1]}", 18, "a point is a time and a value"),
        ("arc: {gate: [[0, 0.5]]}", 18, "one value is wanted"),
        ("arc: {gate: [0 1,5]}", 22, "'5': a point is"),
        ("arc: {gate: [0 1.5]}", 20, "1.5 is outside 0.05 to 1"),
        ("arc: {gate: [0 150%]}", 20, "1.5 is outside"),
        ("arc: {length: [0 3.5]}", 22, "3.5 is not a whole number"),
        ("arc: {gate: [-1 0.5]}", 18, "-1 is outside 0 to 600 minutes"),
        ("arc: {gate: [0:30 0.5]}", 18, "'0:30' is not a time"),
        ("arc: {gate: [3min 0.5]}", 18, "'3min' is not a time"),
        ("arc: {gate: [bars 0.5]}", 18, "'bars' is not a time"),
        ("arc: {gate: [601 0.5]}", 18, "outside 0 to 600"),
        ("arc: {gate: [0 0.5, 0 0.6]}", 25, "0 does not come after 0"),
        ("arc: {gate: [3 0.5, 2 0.6]}", 25, "2 does not come after 3"),
        ("arc: {gate: [8bars 0.5, 7bars 0.6]}", 29, "7bars does not come after 8bars"),
        ("arc: {gate: [0 0.5, 32bars 0.6]}", 25, "not mixed in one list"),
        ("plan: 17", 11, "is a list of up to 128 acts"),
        ("plan: {at: 17, do: redraw}", 11, "is a list of up to 128 acts"),
        ("plan: [17 redraw]", 12, "written as keys with values"),
        ("plan: [{at: 17}]", 12, "when and what"),
        ("plan: [{do: redraw}]", 12, "when and what"),
        ("plan: [{at: 0, do: redraw}]", 17, "0 is outside 1 to"),
        ("plan: [{at: 1.5, do: redraw}]", 17, "not a whole number"),
        ("plan: [{bar: 1, do: redraw}]", 13, "no key 'bar'"),
        ("plan: [{at: 1, do: redrw}]", 24, "nearest: redraw"),
        ("plan: [{at: 1, do: redraw@now}]", 24, "leave out '@'"),
        ("plan: [{at: 1, do: 'gate=0.5@bar'}]", 24, "leave out '@'"),
        ("plan: [{at: 1, do: panic}]", 24, "panic cannot be planned; recall, "),
        ("plan: [{at: 1, do: 'piece:2'}]", 24, "piece cannot be planned"),
        ("plan: [{at: 1, do: 'recall:blue'}]", 24, "recall: there is no snapshot 'blue'"),
        ("plan: [{at: 1, do: recall}]", 24, "is written recall:NAME"),
        ("plan: [{at: 1, do: 'gate=2'}]", 24, "2 is outside 0.05 to 1"),
        ("plan: [{at: 1, do: 'gate+=0.1'}]", 24, "gate+=0.1 cannot be planned"),
        ("plan: [{at: 1, do: 'gat=1'}]", 24, "nearest: gate"),
        ("plan: [{at: 1, do: 'scale=dorien'}]", 24, "nearest: dorian"),
        ("plan: [{at: 1, do: 'ramp:scale:dorian:4'}]", 24, "scale is a list"),
        ("plan: [{at: 1, do: 'ramp:gate:7:4'}]", 24, "7 is outside"),
        ("plan: [{at: 1, do: 'ramp:gate:0.7:0'}]", 24, "there is no bars 0: 1 to 256"),
        ("plan: [{at: 1, do: 'answer:0:1'}]", 24, "there is no sound 0"),
        ("plan: [{at: 9, do: redraw}, {at: 8, do: redraw}]", 38, "bar 8 stands after bar 9"),
        ("plan: [{at: 1, do: next_piece}]", 24, "this is the last piece"),
    ],
)  # fmt: skip
def test_refused_with_place_and_help(text, column, what):
    found = mistakes(pieces, f"{HEAD}    {text}\n")
    assert found[0][:2] == (4, column), found
    assert what in found[0][2]
    assert all("\n" not in row[2] for row in found)


def test_every_wrong_point_and_act_is_told_at_once():
    text = HEAD + "    arc: {gate: [0 2, 1 0.5, 1 0.6], loud: [0 1]}\n    plan: [{at: 1, do: fly}, {at: 2, do: run}]\n"
    assert [row[0] for row in mistakes(pieces, text)] == [4, 4, 4, 5, 5]


def test_a_plan_holds_what_was_written():
    made = pieces(HEAD + """\
    plan:
      - {at: 1, do: "gate=0.4"}
      - {at: 17, do: "ramp:gate:0.8:4"}
      - {at: 17, do: "recall:slot3"}
      - at: 33
        do: answer:2:2
      - {at: 65, do: next_piece}
""" + MORE)[0]  # fmt: skip
    assert [(act.bar, act.text) for act in made.plan] == [
        (1, "gate=0.4"), (17, "ramp:gate:0.8:4"), (17, "recall:slot3"), (33, "answer:2:2"), (65, "next_piece"),
    ]  # fmt: skip
    assert from_plain(to_plain(made), Piece) == made
    written = f"{HEAD}    plan: {write_plan(made.plan, quote)}\n{MORE}"
    assert pieces(written)[0].plan == made.plan
    assert [row["do"] for row in pyyaml.safe_load(written)["pieces"][0]["plan"]] == [act.text for act in made.plan]


def test_what_can_be_planned_is_there():
    assert set(PLANNED) <= set(ACTIONS)


def test_names_are_those_that_the_set_keeps():
    top = yaml("set: 1\nkept: {blue: {line: D3 F3}}\npieces:\n  - plan: [{at: 1, do: 'recall:blue'}]\n")
    try:
        read_set(top, Setup())
    except Exception as error:  # until sets have that key
        assert "kept" in str(error) and "blue" not in str(error)


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        ("minutes: 10\n    arc: {gate: [0 0.5, 12 0.8]}", 5, 25, "12 minutes, beyond the piece's 10 minutes"),
        # at 96 BPM a bar of 4/4 lasts 2.5 s (arithmetic), so 10 minutes are 240 bars, and 300 bars 12.5 minutes
        ("minutes: 10\n    arc: {gate: [0bars 0.5, 300bars 0.8]}", 5, 29, "300 bars (12.5 minutes at 96 BPM)"),
        ("minutes: 10\n    plan: [{at: 240, do: redraw}, {at: 241, do: redraw}]", 5, 40, "10 minutes are 240 bars"),
        ("minutes: 10\n    tempo: 48\n    plan: [{at: 121, do: redraw}]", 6, 17, "10 minutes are 120 bars at 48 BPM"),
        ("minutes: 10\n    meter: 3/4\n    plan: [{at: 321, do: end}]", 6, 17, "10 minutes are 320 bars"),
        ("plan: [{at: 9, do: next_piece}, {at: 10, do: redraw}]", 4, 42, "next_piece at bar 9 leaves the piece before"),
    ],
)  # fmt: skip
def test_what_is_never_reached_is_one_line_with_its_place(text, line, column, what):
    found = advice(f"{HEAD}    {text}\n{MORE}")
    assert [row[:2] for row in found] == [(line, column)]
    assert what in found[0][2]


@pytest.mark.parametrize(
    "text",
    [
        "minutes: 10\n    arc: {gate: [0 0.5, 10 0.8]}",
        "minutes: 10\n    arc: {gate: [240bars 0.8]}",
        "minutes: 10\n    plan: [{at: 240, do: redraw}]",
        "arc: {gate: [600 0.8]}\n    plan: [{at: 100000, do: redraw}]",  # no planned length
        "plan: [{at: 9, do: redraw}, {at: 9, do: next_piece}]",
    ],
)
def test_what_is_reached_is_not_spoken_of(text):
    assert advice(f"{HEAD}    {text}\n{MORE}") == []


def test_with_pulses_bars_are_cycles_and_check_says_so():
    setup = Setup(clock=Clock(mode="pulses"))
    text = HEAD + "    minutes: 1\n    arc: {gate: [900bars 0.5]}\n    plan: [{at: 900, do: redraw}]\n"
    assert advice(text, setup) == []  # how long a cycle lasts nobody knows
    assert len(advice(text)) == 2
    piece = pieces(text, setup)[0]
    assert summary_of_plans(piece, setup) == [
        "arc of gate: 0.5 at 900 cycles", "plan: cycle 900 redraw", "with pulses bars and phrases are cycles",
    ]  # fmt: skip
    assert summary_of_plans(piece, Setup()) == ["arc of gate: 0.5 at 900 bars", "plan: bar 900 redraw"]
    assert bar_minutes(piece, Setup()) == 4 / 96
    assert bar_minutes(piece, setup) == 0.0


@pytest.mark.skipif("scheme" not in PARAMETERS, reason="elsewhere: where lines are drawn by a scheme")
@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("scheme: aaba\n    length: 12", (4, 13)),
        ("scheme: aaba\n    length: 18", (4, 13)),
        ("length: 7\n    scheme: abac", (5, 13)),
        ("scheme: abac\n    line: D3 F3", (4, 13)),
        ("scheme: aaba\n    length: 16", None),
        ("scheme: free\n    length: 7", None),
        ("length: 7", None),  # nobody asked for the default
    ],
)
def test_a_scheme_that_does_not_fit_is_told(text, place):
    found = advice(f"{HEAD}    {text}\n")
    assert [row[:2] for row in found] == ([place] if place else [])
