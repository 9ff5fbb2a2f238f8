"""The written line in words, its rolls and home, and the lines that a set keeps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.control.setup import KeptLine, Piece, Setup, from_plain, to_plain
from replank.host.files import load_set
from replank.host.files.kinds import check_file
from replank.host.files.notation import read_line, read_rolls, write_line, write_rolls
from replank.host.files.reader import Reader
from replank.host.files.yaml_reader import parse_yaml
from replank.host.shows.exporting import piece_text
from replank.line.steps import (
    LINK_SLIDE,
    LINK_TIE,
    REST,
    SOUND,
    STEPS,
    Form,
    Rolls,
    Step,
    Written,
    as_written,
    rolls_of,
    words_of,
)
from replank.performer import Performer
from replank.performer.melody import Kept
from replank.performer.prepared import kept_of
from tests.files.helpers import kept, mistakes, pieces

HEAD = "set: 1\npieces:\n  - name: one\n"


def line(text: str, middle_c: int = 4) -> tuple[Written, ...]:
    return pieces(f"{HEAD}    line: {text}\n", Setup(middle_c=middle_c))[0].line


def test_every_word_says_one_thing():
    assert line("D3:pin . F3:accent G3:x2 | A3:slide C4:tie C4 D4:v40 E4:free:1of4") == (
        Written(50, pinned=True),
        Written(50, REST),
        Written(53, accented=SOUND),
        Written(55, ratchet=2),
        Written(57, linked=LINK_SLIDE),
        Written(60, linked=LINK_TIE),
        Written(60),
        Written(62, velocity=40),
        Written(64, free=True, pass_number=1, pass_of=4),
    )
    assert line("60:NoAccent:nolink d3:rest:pin f3:sound:X4:v127:16of16") == (
        Written(60, accented=REST, linked=1),
        Written(50, REST, pinned=True),
        Written(53, SOUND, ratchet=4, velocity=127, pass_number=16, pass_of=16),
    )


def test_a_rest_has_the_pitch_before_it_and_at_the_beginning_the_first_that_comes():
    assert [step.pitch for step in line("'. . D3 . F3:rest . | .:pin'")] == [50, 50, 50, 50, 53, 53, 53]
    assert line("'.'") == (Written(60, REST),)
    assert write_line(line("'. D3 .:accent D3:rest'")) == "D3:rest D3 .:accent ."


def test_words_may_stand_in_brackets_quotes_and_over_several_lines():
    wanted = (Written(50, pinned=True), Written(50, REST), Written(53, velocity=9))
    for text in ("D3:pin . | F3:v9", "'D3:pin . | F3:v9'", "D3:pin .\n      | F3:v9", "|\n      D3:pin .\n      F3:v9"):
        assert line(text) == wanted, text
    assert pieces("set: 1\npieces:\n  - {line: D3:pin . | F3:v9, root: A}\n")[0].line == wanted


@pytest.mark.parametrize(
    ("text", "column", "what"),
    [
        ("D3 F3! .", 14, "'F3!': '!' is not read; write F3:pin"),
        ("D3 .!", 14, "write .:pin"),
        ("D3*3", 11, "'D3*3': '*' is not read; write D3 D3 D3"),
        ("D3 F3!*2", 14, "write F3:pin F3:pin"),
        ("D3*40", 11, "write D3 40 times"),
        ("D3*1", 11, "write D3"),
        ("D3 / F3", 14, "'/' is not read; a bar line is written '|'"),
        ("D3 S!*2", 14, "'S!*2' is not a step"),
        ("D3 H3:pin", 14, "'H3' is not a note"),
        ("D3 F3:pinn", 14, "'pinn' is not one of rest, sound, pin, free, accent, noaccent, slide, tie, nolink, x2"),
        ("D3 F3:pinn", 14, "(nearest: pin)"),
        ("D3 F3:x5", 14, "x5 is outside x2 to x4 (strikes in the step)"),
        ("D3 F3:x1", 14, "x1 is outside x2 to x4"),
        ("D3 F3:v0", 14, "v0 is outside v1 to v127 (MIDI velocity)"),
        ("D3 F3:v128", 14, "v128 is outside"),
        ("D3 F3:0of4", 14, "0of4 is not a pass"),
        ("D3 F3:5of4", 14, "5of4 is not a pass"),
        ("D3 F3:1of17", 14, "1of17 is not a pass"),
        ("D3 F3:rest:sound", 14, "says rest and sound; a step takes one of them"),
        ("D3 F3:slide:tie", 14, "says slide and tie"),
        ("D3 F3:x2:x3", 14, "says x2 and x3"),
        ("D3 F3:pin:pin", 14, "says pin twice"),
        ("D3 .:sound", 14, "'.' is a rest by itself; it does not take sound"),
        ("D3 F3::pin", 14, "has no word behind a colon"),
        ("D3 .. F3", 14, "'..' is not a note"),
        ("D3 F3|G3", 14, "'F3|G3' is not a note"),
        ("| D3 F3", 13, "a value does not begin with '|'; a bar line"),
        ("'| D3 F3'", 12, "stands between steps, not at the beginning"),
        ("'  '", 11, "no step is written"),
    ],
)
def test_a_wrong_word_is_told_with_its_place(text, column, what):
    found = mistakes(pieces, f"{HEAD}    line: {text}\n")
    assert [row[:2] for row in found] == [(4, column)]
    assert what in found[0][2] and "line" in found[0][2]


def test_every_wrong_word_of_a_line_is_told():
    assert [row[1] for row in mistakes(pieces, HEAD + "    line: D3 Q . R! S:x2\n")] == [14, 18, 21]


# -- writer and reader ------------------------------------------------------------

ROLL = st.floats(0, 1, exclude_max=True)
WRITTEN = st.builds(
    lambda of, **fields: Written(**fields, pass_number=of[0], pass_of=of[1]),
    st.integers(1, 16).flatmap(lambda of: st.tuples(st.integers(1, of), st.just(of))),
    pitch=st.integers(0, 127), rhythm=st.integers(0, 2), accented=st.integers(0, 2), linked=st.integers(0, 3),
    pinned=st.booleans(), free=st.booleans(), ratchet=st.integers(1, 4), velocity=st.integers(0, 127),
)  # fmt: skip
STEP = st.builds(as_written, WRITTEN, st.builds(Rolls, ROLL, ROLL, ROLL, ROLL))


def read_back(text: str, middle_c: int = 4) -> tuple[Written, ...]:
    reader = Reader(middle_c)
    (_, node) = parse_yaml(f"line: {text}\n".encode(), "file").pairs["line"]
    made = read_line(reader, node)
    assert not reader.mistakes
    return made


@given(st.lists(WRITTEN, min_size=1, max_size=STEPS), st.integers(3, 5))
def test_reader_and_writer_give_each_other_back(steps, middle_c):
    text = write_line(tuple(steps), middle_c)
    assert read_back(text, middle_c) == tuple(steps)
    assert write_line(read_back(text, middle_c), middle_c) == text


@given(st.lists(WRITTEN, min_size=2, max_size=8))
def test_a_writer_that_leaves_a_word_out_is_noticed(steps):
    """Negative control: each field matters to the comparison above."""
    broken = write_line(tuple(step._replace(linked=0, velocity=0) for step in steps))
    assert (read_back(broken) == tuple(steps)) == all(not step.linked and not step.velocity for step in steps)


@given(st.lists(st.builds(Rolls, ROLL, ROLL, ROLL, ROLL), min_size=1, max_size=STEPS))
def test_rolls_are_read_back_to_the_last_bit(rolls):
    reader = Reader()
    (_, node) = parse_yaml(f"rolls: {write_rolls(tuple(rolls))}\n".encode(), "file").pairs["rolls"]
    assert read_rolls(reader, node, "rolls") == tuple(rolls)
    assert not reader.mistakes


@given(st.lists(STEP, min_size=1, max_size=16), st.data())
def test_an_exported_line_comes_back_whole(steps, data):
    """Steps, home, rolls and length, whatever they are; home differs, or in its rolls alone, or not."""
    other = st.lists(STEP, min_size=len(steps), max_size=len(steps))
    rolls_alone = other.map(lambda row: [as_written(words_of(a), rolls_of(b)) for a, b in zip(steps, row, strict=True)])
    home = data.draw(st.one_of(other, rolls_alone, st.just(steps)))
    rest = (Step(),) * (STEPS - len(steps))
    form = Form((*steps, *rest), (*home, *rest), len(steps))
    setup = Setup(values={"rest_chance": 0.3, "root": "A"})
    values = {**Performer(Setup(), 1).snapshot_values(), "length": form.length}
    text = piece_text(Kept("blue", 3, form, values), setup, "tonight")
    piece = pieces(text, setup)[0]
    p = Performer(Setup(values=setup.values, pieces=(piece,)), 5)
    assert tuple(p.melody.steps[: form.length]) == tuple(steps)
    assert tuple(p.melody.home[: form.length]) == tuple(home)
    assert p.values["rest_chance"] == values["rest_chance"], "the rig's value does not stand in for the line's own"
    assert ("home:" in text) == (steps != home)
    plain = to_plain(Setup(pieces=(piece,), kept=(KeptLine("blue", piece.line, piece.rolls),)))
    assert from_plain(plain) == Setup(pieces=(piece,), kept=(KeptLine("blue", piece.line, piece.rolls),))


def test_only_what_is_forced_is_written():
    form = Form((Step(pitch=50, rest=0.1), Step(pitch=53, pinned=True)) * 32, (Step(pitch=50),) * 64, 2)
    text = piece_text(Kept("a", 1, form, Performer(Setup(), 1).snapshot_values()), Setup(), "tonight")
    assert "    line: D3 F3:pin\n" in text and "    home: D3 D3\n" in text and "    home_rolls:\n" in text


# -- rolls and home beside a line ---------------------------------------------------

FOUR = "{rest: [0.1, 0.2], accent: [0.3, 0.4], velocity: [0.5, 0.6], link: [0.7, 0.8]}"


def test_rolls_and_home_beside_a_line():
    made = pieces(f"{HEAD}    line: D3 F3\n    rolls: {FOUR}\n    home: A3 .\n")[0]
    assert made.rolls == (Rolls(0.1, 0.3, 0.5, 0.7), Rolls(0.2, 0.4, 0.6, 0.8))
    assert made.home == (Written(57), Written(57, REST)) and made.home_rolls == ()
    p = Performer(Setup(pieces=(made,)), 1)
    assert p.melody.steps[2] == p.melody.steps[0] == Step(50, 0.1, 0.3, 0.5, 0.7), "the written line repeats"
    assert p.melody.home[0] == Step(57, 0.1, 0.3, 0.5, 0.7), "without rolls of its own a home has those of the line"


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        (f"    rolls: {FOUR}\n", 4, 5, "rolls belongs to a written line, and there is none here"),
        ("    home: D3\n", 4, 5, "home belongs to a written line"),
        (f"    line: D3 F3\n    home_rolls: {FOUR}\n", 5, 5, "home_rolls belongs to a written home"),
        (f"    line: D3 F3 A3\n    rolls: {FOUR}\n", 5, 5, "rolls is for as many steps as line: 3, not 2"),
        ("    line: D3 F3\n    home: D3\n", 5, 5, "home is for as many steps as line: 2, not 1"),
        ("    line: D3\n    home: D3 H3\n", 5, 14, "home: 'H3' is not a note"),
        ("    line: D3 H3\n    home: D3 F3\n", 4, 14, "line: 'H3' is not a note"),
        ("    line: D3\n    rolls: [0.1]\n", 5, 12, "rolls: is written as {rest: [0.9, …]"),
        ("    line: D3\n    rolls: {rest: [0.1]}\n", 5, 12, "lacks accent, velocity, link"),
        ("    line: D3\n    rolls: {rset: [0.1]}\n", 5, 13, "rolls has no 'rset' (nearest: rest)"),
        ("    line: D3\n    rolls: {rest: 0.1}\n", 5, 19, "rest is a list"),
        ("    line: D3\n    rolls: {rest: [1.0]}\n", 5, 20, "rolls: rest: '1.0' is not a roll"),
        ("    line: D3\n    rolls: {rest: [-0.1]}\n", 5, 20, "'-0.1' is not a roll"),
        ("    line: D3\n    rolls: {rest: [nan]}\n", 5, 20, "'nan' is not a roll"),
        ("    line: D3\n    rolls: {rest: [[]]}\n", 5, 20, "is not a roll"),
        (f"    line: D3\n    rolls: {FOUR.replace('0.8', '').replace('0.7,', '0.7')}\n", 5, 12, "link has 1"),
        ("    line: D3\n    rolls: {rest: [], accent: [], velocity: [], link: []}\n", 5, 12, "has no number"),
    ],
)  # fmt: skip
def test_what_does_not_fit_beside_a_line(text, line, column, what):
    found = mistakes(pieces, HEAD + text)
    assert [row[:2] for row in found] == [(line, column)]
    assert what in found[0][2]


# -- kept lines -----------------------------------------------------------------------

KEPT = """\
    set: 1
    values: {scale: dorian, tempo: 104}
    kept:
      blue: {line: "D3:pin . F3 A3:v40", root: A, rest_chance: 20%}
      long  exposure:
        line: D3 F3
        home: D3 A3
        length: 7
    pieces:
      - name: one
    """


def test_kept_lines_are_named_lines_with_what_a_snapshot_holds():
    blue, long = kept(KEPT)
    assert blue == KeptLine(
        "blue", (Written(50, pinned=True), Written(50, REST), Written(53), Written(57, velocity=40)),
        values={"scale": "dorian", "length": 4, "root": "A", "rest_chance": 0.2},
    )  # fmt: skip
    assert (long.name, long.values["length"], len(long.home)) == ("long exposure", 7, 2)
    snapshot = kept_of(blue, Setup(values={"gate": 0.9, "root": "E"}))
    assert (snapshot.values["gate"], snapshot.values["root"], snapshot.form.length) == (0.9, "A", 4)
    assert set(snapshot.values) == set(Performer(Setup(), 1).snapshot_values())


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        ("kept: []\n", 2, 7, "kept is 1 to 64 names"),
        ("kept: {}\n", 2, 7, "kept is 1 to 64 names"),
        ("kept:\n  blue: D3 F3\n", 3, 9, "kept 'blue' is written as keys with values"),
        ("kept:\n  blue: {root: A}\n", 3, 3, "kept 'blue' has no 'line:'"),
        ("kept:\n  blue: {line: D3 H3}\n", 3, 19, "'H3' is not a note"),
        ("kept:\n  blue: {line: D3, tempo: 99}\n", 3, 20, "kept 'blue' has no key 'tempo'"),
        ("kept:\n  blue: {line: D3, lenght: 9}\n", 3, 20, "(nearest: length)"),
        ("kept:\n  blue: {line: D3, root: H}\n", 3, 26, "root"),
        ("kept:\n  blue: {line: D3, home: D3 F3}\n", 3, 20, "home is for as many steps as line: 1, not 2"),
        ("kept:\n  blue: {line: D3}\n  Blue: {line: D3}\n", 4, 3, "'Blue' is here already"),
        ("kept:\n  'a:b': {line: D3}\n", 3, 3, "none of ':' and '@'"),
        ("kept:\n  '': {line: D3}\n", 3, 3, "1 to 60 characters"),
        (f"kept:\n  {'a' * 61}: {{line: D3}}\n", 3, 3, "1 to 60 characters"),
    ],
)
def test_kept_lines_that_are_refused(text, line, column, what):
    found = mistakes(kept, f"set: 1\n{text}pieces: [{{name: one}}]\n")
    assert [row[:2] for row in found] == [(line, column)]
    assert what in found[0][2]


def test_check_lists_kept_lines_and_advises_on_their_notes(tmp_path):
    path = tmp_path / "set.yaml"
    path.write_text("set: 1\nkept:\n  blue:\n    line: D3 F#3\n    home: D3 D3\npieces: [{name: one}]\n")
    checked = check_file(path)
    assert "kept blue: D minor pentatonic, 2 steps, a home of its own" in checked.summary
    assert [(row.line, row.what) for row in checked.advice] == [(4, "outside its scale or register: F#3 sounds as F3")]
    assert checked.setup.kept == load_set(path).kept != ()


def test_a_set_without_kept_lines_keeps_none():
    assert kept("set: 1\npieces: [{name: one}]\n") == ()
    assert Piece().line == ()
