"""Only the plain part of YAML is read, and every refusal says where.

What YAML 1.1 makes of `no`, `1:30`, dates and `<<` is from the YAML 1.1 type
repository (yaml.org/type: bool, int, timestamp, merge); that the reader must
not follow it is the project's own rule.
"""

import os

import pytest
import yaml as pyyaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from replank.host.files.mistakes import BadFile
from replank.host.files.yaml_reader import DEEPEST, LARGEST, Mapping, Scalar, Sequence, parse_yaml, read_yaml
from tests.files.helpers import mistakes, rig, yaml


def told(text: str | bytes) -> list[tuple[int, int, str]]:
    data = text if isinstance(text, bytes) else text.encode()
    return mistakes(lambda given: parse_yaml(given, "file.yaml"), data)


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        ("", 1, 1, "is empty"),
        ("# only a comment\n", 1, 1, "holds only comments"),
        ("- a\n", 1, 1, "is a list"),
        ("just text\n", 1, 1, "the text 'just text'"),
        ("a: 1\nb: 2\na: 3\n", 3, 1, "'a' is here a second time; the first is in line 1"),
        ("x: {a: 1, b: 2, a: 3}\n", 1, 17, "second time"),
        ("a: &base 1\n", 1, 4, "anchor &base"),
        ("a: *base\n", 1, 4, "alias *base"),
        ("a:\n  <<: 1\n", 2, 3, "merge keys"),
        ("a: !!python/object:os.system x\n", 1, 4, "a tag"),
        ("a: !secret x\n", 1, 4, "a tag"),
        ("a: 1\n---\nb: 2\n", 2, 1, "second document"),
        ("a:\n\tb: 1\n", 2, 1, "a tab"),
        ("a: 1\nb: c: d\n", 2, 5, "second ': '"),
        ("a: [1, 2\n", 2, 1, "brackets"),
        ("a: 'open\n", 2, 1, "quotes"),
        ("? [a]\n: 1\n", 1, 3, "where a key is wanted"),
        ('a: "\\x00"\n', 1, 4, "escape for the control character U+0000"),
        ('a: "\\uD800"\n', 1, 4, "U+D800"),
        ("a: one\x00two\n", 1, 7, "U+0000"),
        ("a: 1\nb: \x1b[2J\n", 2, 4, "U+001B"),
        (b"a: 1\nb: \xff\n", 2, 4, "not UTF-8"),
        ("a: 1\n".encode("utf-16"), 1, 1, "not UTF-8"),
        ("%YAML 9.9\n---\na: 1\n", 1, 1, "version"),
    ],
)
def test_refused_with_its_place(text, line, column, what):
    found = told(text)
    assert [(row[0], row[1]) for row in found] == [(line, column)]
    assert what in found[0][2]


def test_all_mistakes_in_one_go_in_the_order_of_the_file():
    found = told("a: 1\na: 2\nb: &x 1\nc: *x\nd: !t 1\n<<: {}\n")
    assert [row[0] for row in found] == [2, 3, 4, 5, 6]


def test_too_deep_is_refused_without_recursion():
    assert f"deeper than {DEEPEST}" in told("a: " + "[" * 50_000)[0][2]
    assert f"deeper than {DEEPEST}" in told("a:\n" + "".join(" " * n + "b:\n" for n in range(1, 300)))[0][2]
    # the library's own composing gives up with the interpreter's error, which no file may cause here
    with pytest.raises(RecursionError):
        pyyaml.compose("[" * 1_000, Loader=pyyaml.SafeLoader)


def test_as_deep_as_allowed_is_read():
    inner = "1"
    for _ in range(DEEPEST - 1):
        inner = f"[{inner}]"
    assert isinstance(yaml(f"a: {inner}").pairs["a"][1], Sequence)


def test_size_is_bounded(tmp_path):
    path = tmp_path / "large.yaml"
    path.write_bytes(b"a: 1\n" + b"#" * LARGEST)
    with pytest.raises(BadFile, match="larger than 64 KB"):
        read_yaml(path)
    path.write_bytes(b"a: 1\n" + b"#" * (LARGEST - 5))
    assert read_yaml(path).pairs


@pytest.mark.parametrize("name", ["absent.yaml", "folder", "with\0nul"])
def test_what_cannot_be_read_is_one_mistake(tmp_path, name):
    (tmp_path / "folder").mkdir()
    with pytest.raises(BadFile, match="cannot be read"):
        read_yaml(tmp_path / name)


def test_a_named_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(BadFile, match="no regular file"):
        read_yaml(tmp_path / "pipe")


def test_a_mistake_does_not_repeat_a_whole_file():
    found = mistakes(rig, f"rig: 1\naudition: {'x' * 50_000}\nvalues: {{scale: {'y' * 9_000}}}\n{'z' * 999}: 1\n")
    assert len(found) == 3
    assert all(len(row[2]) < 400 for row in found)


def test_scalars_stay_the_text_that_was_written():
    text = "no: on\nn: 1:30\nday: 2026-01-01\noctal: 014\nmany: 1_000\nnan: .nan\nnull: ~\nquoted: 'no'\n"
    read = {name: node.text for name, (_, node) in yaml(text).pairs.items()}
    assert read == {
        "no": "on", "n": "1:30", "day": "2026-01-01", "octal": "014", "many": "1_000", "nan": ".nan", "null": "~",
        "quoted": "no",
    }  # fmt: skip
    # the surprise that this avoids: YAML 1.1 as the library resolves it
    assert pyyaml.safe_load("no: on\nn: 1:30") == {False: True, "n": 90}


def test_words_know_their_place_over_lines_and_quotes():
    node = yaml("line: D3 . F3\n   A3! C4\nother: 'D3  x'\nblock: |\n  D3\n").pairs
    assert [(w, m.line, m.column) for w, m in node["line"][1].words()] == [
        ("D3", 1, 7), (".", 1, 10), ("F3", 1, 12), ("A3!", 2, 4), ("C4", 2, 8),
    ]  # fmt: skip
    assert [(w, m.line, m.column) for w, m in node["other"][1].words()] == [("D3", 3, 9), ("x", 3, 13)]
    assert [(w, m.line) for w, m in node["block"][1].words()] == [("D3", 4)]


@given(st.binary(max_size=300))
@example(b'a: "\\UFFFFFFFF"')
@example(b"\xef\xbb\xbf")
@example(b"a: \xef\xbb\xbfb")
@example(b"&a &b")
@example(b"---\n---")
@example(b"%TAG !")
@settings(deadline=None)
def test_any_bytes_are_read_or_refused(data):
    try:
        assert isinstance(parse_yaml(data, "f"), Mapping)
    except BadFile as error:
        assert error.mistakes
        assert all(m.line >= 1 and m.column >= 1 and "\n" not in str(m) for m in error.mistakes)


@given(st.text("ab01:-?&*!|>'\"%@`#,[]{}<~. \n\t\\x", max_size=80))
@settings(deadline=None, max_examples=300)
def test_any_text_of_yaml_characters_is_read_or_refused(text):
    test_any_bytes_are_read_or_refused.hypothesis.inner_test(text.encode())


@given(
    st.dictionaries(st.text(max_size=8), st.text(max_size=20) | st.lists(st.text(max_size=8)), min_size=1, max_size=5)
)
@settings(deadline=None)
def test_what_the_library_writes_as_quoted_text_is_read_back(plain):
    """Independent writer: PyYAML's own emitter, with every scalar double-quoted."""
    data = pyyaml.dump(plain, default_style='"', allow_unicode=True, sort_keys=False).encode("utf-8", "surrogatepass")
    try:
        read = parse_yaml(data, "f")
    except BadFile as error:
        assert all(word in str(error) for word in ("control character",)) or "UTF-8" in str(error)
        return

    def plain_of(node):
        if isinstance(node, Scalar):
            return node.text
        return [plain_of(item) for item in node.items]

    # dump writes tags such as !!str only for values that are none
    assert {name: plain_of(node) for name, (_, node) in read.pairs.items()} == plain
