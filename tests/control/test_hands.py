"""Hands as a whole: every kind of control, clamping, rate, several boxes, save and restore."""

from __future__ import annotations

import itertools
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.control.asking import RATE_NS, Asking
from replank.control.hands import Hands
from replank.control.parameters import DEFAULTS
from replank.control.profiles import Profile
from replank.control.setup import Input
from tests.control.stage import MS, Stage, acts, box, notices, sets

# -- encoders -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("relative", "right", "left"),
    [("twos-complement", 1, 127), ("offset-64", 65, 63), ("sign-magnitude", 1, 65), ("sign-magnitude-reversed", 65, 1)],
)
def test_encoders_count_in_each_encoding(relative, right, left):
    stage = Stage(box({"sends": "cc 20", "relative": relative, "moves": "length"}), length=16)
    stage.cc(20, right, right, right, left, after_ms=100)
    assert stage.values["length"] == 18


def test_an_encoder_begins_where_the_parameter_is_and_follows_what_moved_it():
    stage = Stage(box({"sends": "cc 20", "relative": "twos-complement", "moves": "length"}))
    stage.cc(20, 1, after_ms=100)
    stage.set("length", 40)
    stage.cc(20, 1, after_ms=100)
    assert stage.values["length"] == 41


def test_an_encoder_stops_at_the_end_and_says_so_once():
    stage = Stage(box({"sends": "cc 20", "relative": "twos-complement", "moves": "length"}), length=63)
    made = stage.cc(20, 1, 1, 1, 1, after_ms=100)
    assert stage.values["length"] == 64
    assert [row["shown"] for row in notices(made, "clamped")] == ["64"]
    assert notices(stage.cc(20, 127, 1, 1, after_ms=100), "clamped")


def test_acceleration_makes_a_fast_turn_longer_and_leaves_a_slow_one():
    control = {"sends": "cc 20", "relative": "twos-complement", "moves": "homing", "acceleration": 4}
    slow, fast = Stage(box(control), homing=0.0), Stage(box(control), homing=0.0)
    slow.cc(20, *[1] * 10, after_ms=100)
    fast.cc(20, *[1] * 10, after_ms=6)
    fast.wait(10)
    assert slow.values["homing"] == pytest.approx(0.10)
    assert 0.3 < fast.values["homing"] <= 0.5


def test_an_encoder_walks_a_list_and_waits_for_rest():
    stage = Stage(box({"sends": "cc 20", "relative": "offset-64", "moves": "scale"}))
    assert sets(stage.cc(20, 65, 65, 65, after_ms=100)) == []
    stage.wait(130)
    assert stage.values["scale"] == "phrygian"


def test_an_encoder_goes_on_from_a_root_that_is_still_due():
    stage = Stage(box({"sends": "cc 20", "relative": "offset-64", "moves": "root"}))
    hands = stage.hands
    wanted = []
    for _ in range(3):  # the performer keeps the root until the bar: the value stays D
        made = hands.message(0, bytes((0xB0, 20, 65)), stage.now, stage.values, {})
        stage.now += 300 * MS
        wanted += sets(made) + sets(hands.fire(stage.now, stage.values, {}))
    assert wanted == [("root", "Eb"), ("root", "E"), ("root", "F")]


# -- buttons --------------------------------------------------------------------------------------


def test_a_note_presses_on_note_on_only():
    stage = Stage(box({"sends": "note 36", "does": "keep_last"}))
    assert acts(stage.send(0x90, 36, 100) + stage.send(0x90, 36, 0) + stage.send(0x80, 36, 64)) == ["keep_last"]


def test_a_controller_presses_from_64_up():
    # MIDI 1.0 Detailed Specification, p. 11: 64 to 127 is on for switches
    stage = Stage(box({"sends": "cc 64", "does": "keep", "on_release": "undo"}))
    assert acts(stage.cc(64, 63, 64, 100, 64, 63, 0, 127, 127)) == ["keep", "undo", "keep", "keep"]


def test_toggle_hold_choose_and_latching():
    stage = Stage(
        box(
            {"sends": "note 36", "toggles": "mute"},
            {"sends": "note 37", "while_held": "hold"},
            {"sends": "note 38", "chooses": "scale", "values": ["dorian", "phrygian"]},
            {"sends": "note 39", "chooses": "length", "values": [8, 12]},
            {"sends": "cc 70", "does": "keep", "latching": "yes"},
        )
    )
    for expected in (True, False):
        stage.send(0x90, 36, 100, after_ms=300)
        assert stage.values["mute"] is expected
        stage.send(0x80, 36, 0)
    stage.send(0x90, 37, 100)
    assert stage.values["hold"] is True
    stage.send(0x80, 37, 0)
    assert stage.values["hold"] is False
    seen = []
    for _ in range(3):
        stage.send(0x90, 38, 9)
        stage.send(0x90, 39, 9)
        seen.append((stage.values["scale"], stage.values["length"]))
    assert seen == [("dorian", 8), ("phrygian", 12), ("dorian", 8)]
    assert acts(stage.cc(70, 127, 0, 127)) == ["keep", "keep", "keep"]


def test_programs_choose_pieces_counted_from_one():
    stage = Stage(box({"sends": "program", "does": "piece:*"}))
    assert acts(stage.send(0xC0, 0) + stage.send(0xC0, 4)) == ["piece:1", "piece:5"]


# -- positions ------------------------------------------------------------------------------------


def test_range_inversion_curve_and_middle():
    stage = Stage(
        box(
            {"sends": "cc 16", "moves": "homing", "from": 0.8, "to": 0.2, "takeover": "jump"},
            {"sends": "cc 17", "moves": "gate", "inverted": "yes", "takeover": "jump"},
            {"sends": "cc 18", "moves": "reroll", "curve": "fine_low", "takeover": "jump"},
            {"sends": "bend", "moves": "transpose"},
            {"sends": "cc 19", "moves": "fine_tune", "takeover": "jump"},
        )
    )
    stage.cc(16, 64, 0)
    assert stage.values["homing"] == pytest.approx(0.8)
    stage.cc(17, 64, 127)
    assert stage.values["gate"] == pytest.approx(0.05)
    stage.cc(18, 0, 64)
    assert stage.values["reroll"] == pytest.approx((64 / 127) ** 2)
    stage.send(0xE0, 0, 0x20)
    stage.send(0xE0, 0, 0x40)  # 00 40 is the centre (p. 19)
    stage.wait(10)
    assert stage.values["transpose"] == 0
    stage.cc(19, 0, 64)
    assert stage.values["fine_tune"] == 0.0


def test_one_control_drives_eight_parameters_each_in_its_range():
    names = ["rest_chance", "register_span", "leap", "accent_chance", "homing", "gate", "swing", "slide_chance"]
    moves = [{"parameter": name, "takeover": "jump"} for name in names]
    moves[4] |= {"from": 0.8, "to": 0.2}
    stage = Stage(box({"sends": "cc 20", "moves": moves}))
    stage.cc(20, 0, 127)
    assert {name: stage.values[name] for name in names} == {
        "rest_chance": 1.0, "register_span": 60, "leap": 14, "accent_chance": 1.0,
        "homing": 0.2, "gate": 1.0, "swing": 75.0, "slide_chance": 1.0,
    }  # fmt: skip


def test_numbers_beyond_the_range_are_clamped_and_said():
    stage = Stage(box({"sends": "cc 20", "moves": "length", "raw": "yes"}))
    assert sets(stage.cc(20, 12)) == [("length", 12)]  # exact numbers need no teaching
    made = stage.cc(20, 100)
    assert sets(made) == [("length", 64)] and notices(made, "clamped") == [
        {"name": "length", "value": 64, "shown": "64"}
    ]


def test_an_msb_alone_counts_after_five_milliseconds_with_its_lsb_zero():
    stage = Stage(box({"sends": "cc 16/48", "moves": "homing", "takeover": "jump"}))
    stage.cc(16, 10)
    stage.cc(48, 99)
    stage.wait(20)
    assert sets(stage.cc(16, 11)) == []
    assert sets(stage.wait(5)) == [("homing", pytest.approx(11 * 128 / 16383))]
    made = stage.cc(16, 12) + stage.cc(48, 1, after_ms=1) + stage.wait(20)
    assert sets(made) == [("homing", pytest.approx((12 * 128 + 1) / 16383))]  # no stop at 12:00 on the way


def test_increments_go_on_from_where_the_parameter_is():
    stage = Stage(box({"sends": "nrpn 0/7", "moves": "homing", "bits": 7}), homing=64 / 127)
    stage.cc(99, 0)
    stage.cc(98, 7)
    stage.cc(96, 0, 0, 0)
    stage.cc(97, 127)
    assert stage.values["homing"] == pytest.approx(66 / 127)


def test_steps_in_one_line():
    profile = box(
        steps=[{"encoders": "cc 32", "pushes": "note 48", "relative": "twos-complement", "count": 16}],
    )
    stage = Stage(profile)
    assert acts(stage.cc(32, 1) + stage.cc(47, 126)) == ["pitch:1:+1", "pitch:16:-2"]
    assert acts(stage.send(0x90, 48, 1) + stage.send(0x90, 63, 1)) == ["flip:1", "flip:16"]


def test_knobs_with_ends_edit_steps_by_how_far_they_turn():
    stage = Stage(box(steps=[{"knobs": "cc 32", "count": 4, "first": 5}]))
    assert acts(stage.cc(32, 0)) == []
    stage.cc(32, *range(3, 128, 4), after_ms=20)
    stage.wait(10)
    total = sum(int(word.rsplit(":", 1)[1]) for word in acts([one for _, one in stage.said]))
    assert total in (23, 24)  # a whole turn is 24 clicks
    assert {word.rsplit(":", 1)[0] for word in acts([one for _, one in stage.said])} == {"pitch:5"}


# -- several boxes --------------------------------------------------------------------------------


def test_boxes_are_kept_apart_and_unknown_ports_ignored():
    gate, swing = (
        box({"sends": "cc 16", "moves": "gate", "takeover": "jump"}),
        box({"sends": "cc 16", "moves": "swing", "takeover": "jump"}),
    )
    stage = Stage(gate, swing)
    stage.send(0xB0, 16, 0, port=0)
    stage.send(0xB0, 16, 0, port=1)
    stage.send(0xB0, 16, 127, port=1)
    assert (stage.values["gate"], stage.values["swing"]) == (DEFAULTS["gate"], 75.0)
    assert stage.send(0xB0, 16, 127, port=7) == []


def test_two_controls_on_one_function_hand_it_over():
    profile = box(
        {"sends": "cc 16", "moves": "gate"}, {"sends": "cc 17", "moves": "gate", "takeover": "pickup"}, shared=["gate"]
    )
    stage = Stage(profile)
    stage.cc(16, 0, 127)
    stage.cc(17, 10)
    assert notices(stage.cc(17, 20), "waiting")[0]["way"] == "right"
    assert stage.values["gate"] == 1.0
    assert stage.hands.view()["gate"]["control"] == "cc 17"


# -- the storm ------------------------------------------------------------------------------------


class Unlimited(Asking):
    """Broken: applies at once, however often."""

    def apply(self, name, value, now):
        self._applied.pop(name, None)
        super().apply(name, value, now)


def storm(stage: Stage) -> tuple[bool, bool, int]:
    """Send 1,000 messages a second on each of eight knobs; return (rate kept, last value won, sets)."""
    last = {}
    for number in range(8):
        stage.cc(16 + number, 0, after_ms=1)
    stage.said.clear()
    for ms in range(1, 501):
        stage.wait(1)
        for number in range(8):
            last[number] = (ms * (7 + number)) % 128
            stage.send(0xB0, 16 + number, last[number], after_ms=0)
    stage.wait(10)
    times: dict[str, list[int]] = {}
    for at, intent in stage.said:
        times.setdefault(intent.name, []).append(at)
    is_kept = all(b - a >= RATE_NS for row in times.values() for a, b in itertools.pairwise(row))
    has_won = all(stage.values[NAMES[n]] == pytest.approx(_at(NAMES[n], last[n])) for n in range(8))
    return is_kept, has_won, len(stage.said)


NAMES = ("rest_chance", "reroll", "accent_chance", "homing", "gate", "mutation_chance", "swing", "slide_chance")


def _at(name: str, raw: int) -> float:
    from replank.control.parameters import PARAMETERS

    row = PARAMETERS[name]
    return row.low + (row.high - row.low) * raw / 127


def eight() -> Profile:
    return box(*({"sends": f"cc {16 + n}", "moves": name, "takeover": "jump"} for n, name in enumerate(NAMES)))


def test_a_storm_is_decoded_in_order_and_applied_every_five_milliseconds():
    is_kept, has_won, count = storm(Stage(eight()))
    assert is_kept and has_won
    assert 8 * 95 <= count <= 8 * 102


def test_what_a_storm_holds_back_is_applied_together():
    stage = Stage(eight())
    storm(stage)
    moments = {at for at, _ in stage.said}
    assert len(moments) <= 120  # 500 ms in steps of 5, the first movements, and the end


def test_a_storm_that_is_not_limited_is_found_out(monkeypatch):
    monkeypatch.setattr("replank.control.hands.Asking", Unlimited)
    is_kept, _, _ = storm(Stage(eight()))
    assert not is_kept


def test_turns_that_come_too_soon_add_up():
    stage = Stage(box({"sends": "cc 20", "relative": "twos-complement", "turn": "rotate:*"}))
    made = stage.cc(20, *[1] * 20, 127, after_ms=1) + stage.wait(10)
    assert sum(int(word.split(":")[1]) for word in acts(made)) == 19
    assert len(acts(made)) <= 6


# -- the two properties of a pure part ------------------------------------------------------------

PROFILE = box(
    {"sends": "cc 16", "moves": "gate"},
    {"sends": "cc 17", "moves": "scale", "takeover": "pickup"},
    {"sends": "cc 18/50", "moves": "homing", "takeover": "pickup", "feedback": "same"},
    {"sends": "nrpn 1", "moves": "swing"},
    {"sends": "cc 20", "relative": "twos-complement", "moves": ["leap", "root"]},
    {"sends": "cc 21", "relative": "offset-64", "turn": "rotate:*"},
    {"sends": "note 36", "toggles": "mute", "feedback": "same"},
    {"sends": "note 37", "does": "keep"},
    {"sends": "bend", "moves": "transpose"},
    {"sends": "cc 22", "moves": "length", "raw": "yes"},
)
CONTROLLERS = (16, 17, 18, 20, 21, 22, 50, 6, 38, 96, 97, 98, 99)
message = st.one_of(
    st.tuples(st.just(0xB0), st.sampled_from(CONTROLLERS), st.integers(0, 127)),
    st.tuples(st.sampled_from((0x90, 0x80)), st.sampled_from((36, 37)), st.integers(0, 127)),
    st.tuples(st.just(0xE0), st.integers(0, 127), st.integers(0, 127)),
)
event = st.tuples(st.integers(0, 400), st.one_of(message, st.sampled_from(("moved", "forget", "steps"))))


def play(stage: Stage, events) -> None:
    for tenths, what in events:
        stage.wait(tenths / 10)
        if what == "moved":
            stage.set("homing", (stage.now // MS) % 100 / 100)
        elif what == "forget":
            stage.hands.forget_positions(0, stage.now)
        elif what == "steps":
            stage.hands.steps_heard([True, False], stage.now)
        else:
            stage.send(*what, after_ms=0)


@settings(max_examples=60, deadline=None)
@given(st.lists(event, max_size=60), st.integers(0, 60))
def test_saved_and_restored_hands_go_on_the_same(events, at):
    whole, part = Stage(PROFILE), Stage(PROFILE)
    play(whole, events)
    play(part, events[:at])
    plain = json.loads(json.dumps(part.hands.save()))  # plain data, and nothing else
    part.hands = Hands({"box": PROFILE}, part.inputs)
    part.hands.load(plain)
    assert part.hands.save() == plain
    play(part, events[at:])
    assert part.said == whole.said and part.values == whole.values
    assert part.hands.view() == whole.hands.view()


@settings(max_examples=60, deadline=None)
@given(st.lists(event, max_size=40), st.integers(0, 4000))
def test_firing_to_a_then_to_b_is_firing_to_b(events, tenths):
    one, other = Stage(PROFILE), Stage(PROFILE)
    play(one, events)
    play(other, events)
    until = one.now + 400 * MS
    apart = one.hands.fire(one.now + tenths * MS // 10, one.values, {})
    apart = apart + one.hands.fire(until, one.values, {})
    assert apart == other.hands.fire(until, other.values, {})


@settings(max_examples=40, deadline=None)
@given(st.lists(event, max_size=60))
def test_everything_hands_ask_for_is_allowed(events):
    play(Stage(PROFILE), events)  # the stage checks every value


def test_a_changed_profile_takes_over_what_it_can():
    stage = Stage(PROFILE)
    stage.cc(16, 10, 20)
    plain = stage.hands.save()
    small = Hands({"box": box({"sends": "cc 99", "moves": "gate"})}, stage.inputs)
    small.load(plain)
    assert small.view()["gate"]["taught"] is False


def test_inputs_without_a_profile_are_not_read():
    hands = Hands({}, (Input("clock", "clock"), Input("knobs", "knobs")))
    assert hands.message(1, bytes((0xB0, 16, 1)), 0, DEFAULTS, {}) == []
    assert hands.view() == {} and hands.next_deadline() is None
