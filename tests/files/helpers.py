"""What the tests of files share."""

from pathlib import Path
from textwrap import dedent

import pytest

from replank.control.setup import Setup
from replank.host.files import BadFile
from replank.host.files.rig import read_rig
from replank.host.files.sets import read_set
from replank.host.files.yaml_reader import Mapping, parse_yaml

ROOT = Path(__file__).parents[2]


def yaml(text: str) -> Mapping:
    return parse_yaml(dedent(text).encode(), "file.yaml")


def rig(text: str) -> Setup:
    return read_rig(yaml(text), "file.yaml")[0]


def pieces(text: str, setup: Setup | None = None):
    return read_set(yaml(text), setup or Setup())[0].pieces


def kept(text: str, setup: Setup | None = None):
    return read_set(yaml(text), setup or Setup())[0].kept


def mistakes(read, text: str, *more) -> list[tuple[int, int, str]]:
    """Return (line, column, what) of every mistake that `read` finds in `text`."""
    with pytest.raises(BadFile) as caught:
        read(text, *more)
    return [mistake[1:] for mistake in caught.value.mistakes]
