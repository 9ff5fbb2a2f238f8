"""Promise 5 for files: whatever a file holds, it is read or refused, with every mistake placed.

Files are made of the keys and values that the formats know, put together
wrongly in every way, and of plain noise.
"""

import pytest
import yaml as pyyaml
from hypothesis import given, settings
from hypothesis import strategies as st

from replank.control.parameters import PARAMETERS
from replank.control.setup import Setup, from_plain, to_plain
from replank.host.files import BadFile
from replank.host.files.kinds import check_file
from replank.host.files.rig import RIG_KEYS
from replank.host.files.sets import SET_KEYS


def names(keys) -> list[str]:
    return [name for key in keys for name in (key.name, *names(key.keys))]


KEYS = sorted({*names(RIG_KEYS), *names(SET_KEYS), *PARAMETERS, "controls", "sends", "moves", "profile"})
WORDS = st.sampled_from(
    "1 0 -1 127 0.5 1e3 off on none note clock volts hertz pulses D3 C1 dorian 1/16 4/4 7c out line 50%".split()
    + ["C1 to B4", "0 to 5", "5 to 0", "note 60 channel 10", "cc 20", "D3 . F3!*3 / A3", "slow fifths", "cc 16/48"]
)
TEXT = WORDS | st.text(max_size=8)
TREES = st.recursive(
    TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=6),
    max_leaves=25,
)


def read(path, kind: str, tree, tmp_path) -> bool:
    """Return whether a file was good; anything but BadFile fails the test."""
    tree = {kind: "1", **tree} if kind else tree
    path.write_bytes(pyyaml.safe_dump(tree, allow_unicode=True, sort_keys=False).encode("utf-8", "surrogateescape"))
    try:
        checked = check_file(path)
    except BadFile as error:
        assert error.mistakes
        assert all(m.line > 0 and m.column > 0 and m.what and "\n" not in m.what for m in error.mistakes)
        return False
    # what was accepted travels
    assert from_plain(to_plain(checked.setup)) == checked.setup or checked.setup.profiles or checked.setup.user_scales
    assert all(line.strip() for line in checked.summary)
    return True


@settings(deadline=None, max_examples=250)
@given(st.sampled_from(["rig", "set", "profile", ""]), st.dictionaries(st.sampled_from(KEYS), TREES, max_size=6))
def test_any_tree_of_known_keys(tmp_path_factory, kind, tree):
    folder = tmp_path_factory.mktemp("any")
    read(folder / "f.yaml", kind, tree, folder)


def well_formed(keys, depth: int = 0):
    """Return trees whose keys stand where they belong, with values that may be right."""
    fields = {}
    for key in keys:
        if key.kind == "format":
            continue
        if key.kind in ("group", "table"):
            fields[key.name] = well_formed(key.keys, depth + 1)
        elif key.kind == "rows":
            fields[key.name] = st.lists(well_formed(key.keys, depth + 1), min_size=1, max_size=2)
        elif key.choices and key.kind == "choice":
            fields[key.name] = st.sampled_from([*key.choices, "other"])
        elif key.kind in ("int", "float"):
            fields[key.name] = st.integers(int(key.low), int(min(key.high, 10**6))).map(str) | WORDS
        else:
            fields[key.name] = TEXT
    return st.fixed_dictionaries({}, optional=fields)


@pytest.mark.parametrize(("kind", "keys"), [("rig", RIG_KEYS), ("set", SET_KEYS)])
def test_trees_of_the_right_shape_and_some_of_them_are_good(tmp_path_factory, kind, keys):
    good = 0

    @settings(deadline=None, max_examples=150, derandomize=True, database=None)
    @given(well_formed(keys))
    def check(tree):
        nonlocal good
        folder = tmp_path_factory.mktemp("shape")
        good += read(folder / "f.yaml", kind, tree, folder)

    check()
    # the test would say little if nothing ever passed
    assert good > 0


def test_a_reader_that_lets_errors_through_would_be_noticed(tmp_path, monkeypatch):
    """Negative control: a kind of value whose reader raises another error than ValueError."""
    from replank.host.files import values

    def broken(*_):
        raise KeyError("not told")

    monkeypatch.setitem(values.KINDS, "int", values.KINDS["int"]._replace(read=broken))
    with pytest.raises(KeyError):
        read(tmp_path / "f.yaml", "rig", {"middle_c": "4"}, tmp_path)
    assert isinstance(Setup(), Setup)
