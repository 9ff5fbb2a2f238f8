"""Profile files: what they may say, and one clear line with its place for what they may not."""

from __future__ import annotations

from textwrap import dedent

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.compiling import BadProfile, compile_profile
from replank.control.profile_keys import CONTROL_KEYS, STEPS_KEYS, TOP_KEYS
from replank.control.profiles import Profile, Source
from replank.control.sources import read_source
from replank.host.files.mistakes import BadFile
from replank.host.files.profiles import read_profile
from replank.host.files.yaml_reader import parse_yaml


def read(text: str) -> Profile:
    return Profile.from_plain(read_profile(parse_yaml(dedent(text).encode(), "box.yaml")))


def mistakes(text: str) -> list[str]:
    with pytest.raises(BadFile) as caught:
        read(text)
    return [str(one) for one in caught.value.mistakes]


def one(line: str, more: str = "") -> str:
    return f"profile: 1\n{more}\ncontrols:\n  - {{{line}}}\n"


@pytest.mark.parametrize(
    ("line", "word", "what"),
    [
        ("sends: cc 20, moves: gaet", "gaet", "there is no parameter 'gaet' (nearest: gate)"),
        ("sends: cc 20, mooves: gate", "mooves", "a control has no key 'mooves' (nearest: moves)"),
        ("sends: cc 120, moves: gate", "cc 120", "sends: 120 is outside 0 to 119"),
        ("sends: cc 5/36, moves: gate", "cc 5/36", "the second 32 above the first"),
        ("sends: cc 40/72, moves: gate", "cc 40/72", "40 is outside 0 to 31"),
        ("sends: nrpn 127/127, moves: gate", "nrpn", "null function"),
        ("sends: note 128, does: keep", "note 128", "note 128"),
        ("sends: knob 5, moves: gate", "knob 5", "is no message; write cc 16"),
        ("sends: bend 3, moves: gate", "bend 3", "bend takes no number"),
        ("moves: gate", "{", "a control needs 'sends'"),
        ("sends: cc 20", "{", "a control needs one of: moves"),
        ("sends: cc 20, moves: gate, channel: 17", "17", "channel: 17 is outside 1 to 16"),
        ("sends: cc 20, moves: gate, from: 2", "2", "gate: 2 is outside 0.05 to 1"),
        ("sends: cc 20, moves: gate, from: 0.5, to: 0.5", "{", "from and to are the same"),
        ("sends: cc 20, moves: gate, curve: steep", "steep", "curve: 'steep' is not one of linear"),
        ("sends: cc 20, moves: gate, takeover: soft", "soft", "takeover: 'soft' is not one of jump, pickup, scaled"),
        ("sends: cc 20, moves: scale, values: [dorain]", "dorain", "(nearest: dorian)"),
        ("sends: cc 20, moves: root, from: C", "C", "root is a list"),
        ("sends: cc 20, moves: gate, relative: twos", "twos", "relative: 'twos' is not one of twos-complement"),
        ("sends: bend, moves: gate, relative: offset-64", "offset", "an encoder sends a 7-bit cc"),
        ("sends: note 36, moves: gate", "{", "a note is pressed"),
        ("sends: note 36, does: kepe", "kepe", "there is no action 'kepe' (nearest: keep)"),
        ("sends: note 36, does: recall", "recall", "recall is written recall:NAME"),
        ("sends: note 36, does: 'rotate:*'", "'rotate", "* cannot stand"),
        ("sends: cc 20, turn: rotate:1", "rotate", "* must stand for an amount"),
        ("sends: note 36, toggles: gate", "gate", "gate is not on or off"),
        ("sends: note 36, chooses: scale", "{", "a button that chooses scale needs 'values'"),
        ("sends: cc 20, moves: seed", "seed", "seed cannot be on a control"),
        ("sends: cc 20, moves: gate, does: keep", "{", "turned or pressed, not both"),
        ("sends: program, does: keep", "keep", "* must stand"),
        ("sends: bend, moves: gate, feedback: same", "same", "bend cannot be sent back"),
        ("sends: cc 20, moves: gate, bits: 7", "7", "bits is 7 or 14, of nrpn and rpn"),
        ("sends: cc 20, moves: gate, raw: maybe", "maybe", "raw: 'maybe' is neither yes nor no"),
        ("sends: cc 20, moves: gate, label:", "}", "label has no value"),
    ],
)
def test_each_mistake_is_one_line_with_its_place(line, word, what):
    text = one(line)
    column = text.splitlines()[3].rindex(word) + 1
    found = mistakes(text)
    assert len(found) == 1 or all(text.split(": ")[0] == found[0].split(": ")[0] for text in found), found
    place, text = found[0].split(": ", 1)
    assert place.startswith("box.yaml:") and what in text, found
    assert place == f"box.yaml:4:{column}", found


def test_all_mistakes_come_in_one_go_and_in_order():
    found = mistakes(
        """\
        profile: 1
        titel: x
        controls:
          - {sends: cc 20, moves: gaet}
          - {sends: cc 21, moves: gate, curve: steep}
        steps:
          - {encoders: cc 100, count: 40}
        """
    )
    assert [int(text.split(":")[1]) for text in found] == sorted(int(text.split(":")[1]) for text in found)
    assert {text.split(":")[1] for text in found} == {"2", "4", "5", "7"}


def test_two_controls_on_one_function_are_refused_with_both_lines_unless_shared():
    text = """\
        profile: 1
        {shared}
        controls:
          - {{sends: cc 20, moves: gate}}
          - {{sends: cc 21, moves: [homing, gate]}}
        """
    (found,) = mistakes(text.format(shared=""))
    assert found.startswith("box.yaml:5:") and "gate is on two controls, here and in line 4" in found
    assert "shared: [gate]" in found
    assert len(read(text.format(shared="shared: [gate]")).controls) == 2


@pytest.mark.parametrize(
    ("first", "second", "named"),
    [
        ("cc 20", "cc 20", "cc 20"),
        ("cc 16/48", "cc 48", "cc 48"),
        ("cc 16", "cc 16/48", "cc 16/48"),
        ("note 36", "note C2", "note 36"),
        ("nrpn 1/20", "nrpn 148", "nrpn 1/20"),
    ],
)
def test_one_control_on_two_is_refused_with_both_lines_unless_shared(first, second, named):
    press = "note" in first
    keys = ("does: keep", "does: undo") if press else ("moves: gate", "moves: homing")
    lines = f"controls:\n  - {{sends: {first}, {keys[0]}}}\n  - {{sends: {second}, {keys[1]}}}\n"
    (found,) = mistakes("profile: 1\n" + lines)
    assert f"{named} serves two controls, here and in line 3" in found and found.startswith("box.yaml:4:")
    assert len(read(f"profile: 1\nshared: [{named}]\n{lines}").controls) == 2


def test_the_same_message_on_two_channels_is_two_controls():
    text = "profile: 1\ncontrols:\n  - {{sends: cc 20, channel: {0}, moves: gate}}\n"
    text += "  - {{sends: cc 20, channel: {1}, moves: homing}}\n"
    assert len(read(text.format(1, 2)).controls) == 2
    assert mistakes(text.format(1, "any"))


def test_data_entry_cannot_be_a_control_beside_nrpn():
    # controllers 6, 38 and 96 to 101 carry parameter numbers (MIDI 1.0 Detailed Specification, table 3)
    text = "profile: 1\ncontrols:\n  - {sends: nrpn 5, moves: gate}\n  - {sends: cc 6, moves: homing}\n"
    assert "carries the nrpn and rpn of line 3" in mistakes(text)[0]


@pytest.mark.parametrize("top", ["controls: []", "profile: 2\ncontrols: [{sends: cc 1, moves: gate}]", "profile: 1"])
def test_what_is_no_profile(top):
    assert mistakes(top)


def test_yaml_surprises_are_read_as_text():
    profile = read(
        """\
        profile: 1
        title: no
        controls:
          - {label: on, sends: note 36, toggles: mute, latching: on, lit: 100}
          - {label: "1:30", sends: cc 20, moves: gate, inverted: yes}
        """
    )
    assert (profile.title, profile.controls[0].label, profile.controls[1].label) == ("no", "on", "1:30")
    assert profile.controls[0].latching and profile.controls[1].targets[0].low == 1.0


def test_the_one_line_of_the_step_controls():
    profile = read(
        """\
        profile: 1
        steps:
          - {encoders: cc 32, pushes: note 48, relative: twos-complement, count: 16}
        """
    )
    encoders, pushes = profile.controls[:16], profile.controls[16:]
    assert [control.source for control in encoders] == [Source("cc", 32 + n) for n in range(16)]
    assert [control.turn for control in encoders] == [f"pitch:{n}:*" for n in range(1, 17)]
    assert [control.source for control in pushes] == [Source("note", 48 + n) for n in range(16)]
    assert [control.press for control in pushes] == [f"flip:{n}" for n in range(1, 17)]


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("encoders: cc 32", "encoders need 'relative'"),
        ("encoders: cc 110, relative: offset-64", "encoders 110 to 125: the last is 119"),
        ("pushes: note 120, first: 60, count: 10", "a line has 64"),
        ("pushes: note 48, push: redraw", "push: 'redraw' is not one of flip, accent"),
        ("knobs: cc 20, relative: offset-64", "encoders (with 'relative') or knobs"),
        ("first: 3", "needs encoders, knobs or pushes"),
    ],
)
def test_mistakes_in_rows_of_steps(line, what):
    assert any(what in text for text in mistakes(f"profile: 1\nsteps:\n  - {{{line}}}\n"))


@pytest.mark.parametrize(
    ("text", "source"),
    [
        ("cc 16", Source("cc", 16)), ("CC  16", Source("cc", 16)), ("cc 16/48", Source("cc14", 16)),
        ("nrpn 1/20", Source("nrpn", 148)), ("nrpn 148", Source("nrpn", 148)), ("rpn 0/2", Source("rpn", 2)),
        ("note C4", Source("note", 60)), ("note Eb2", Source("note", 39)), ("program", Source("program")),
        ("program 5", Source("program", 5)), ("bend", Source("bend")), ("pressure", Source("pressure")),
    ],
)  # fmt: skip
def test_messages_are_written_and_read_back(text, source):
    assert read_source(text) == source
    assert read_source(source.written) == source


def test_note_names_follow_middle_c():
    assert read_source("note C3", 0, middle_c=3).number == 60


plain = st.recursive(
    st.one_of(st.text(max_size=8), st.integers(-5, 200), st.booleans(), st.none(), st.floats(allow_nan=False)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)),
    max_leaves=8,
)
control = st.dictionaries(
    st.sampled_from(sorted(CONTROL_KEYS)),
    st.one_of(
        plain,
        st.sampled_from(
            ["cc 20", "note 36", "gate", "scale", "mute", "keep", "rotate:*", "same", "offset-64", "piece:*", "program"]
        ),
    ),
    max_size=6,
)


@given(
    st.dictionaries(
        st.sampled_from([*TOP_KEYS, "odd"]),
        st.one_of(
            plain,
            st.just(1),
            st.lists(control, max_size=3),
            st.lists(st.dictionaries(st.sampled_from(sorted(STEPS_KEYS)), plain), max_size=2),
        ),
    )
)
def test_nothing_that_a_file_can_say_breaks_the_compiler(said):
    try:
        profile = compile_profile(said)
    except BadProfile as error:
        assert error.wrongs and all("\n" not in line for line in str(error).split("\n"))
        return
    assert Profile.from_plain(profile.to_plain()) == profile
