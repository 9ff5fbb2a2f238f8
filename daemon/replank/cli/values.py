"""Parameters that are typed as ``-p NAME=VALUE``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from replank.cli.exits import Fail
from replank.control.parameters import parse
from replank.control.setup import Setup


def read_values(words: Sequence[str], setup: Setup) -> dict[str, Any]:
    """Return the parameters of ``NAME=VALUE`` words.

    Raises:
        Fail: A word without ``=``, an unknown name, a wrong value, a name given twice.
    """
    values: dict[str, Any] = {}
    for word in words:
        name, sign, text = word.partition("=")
        name = name.strip()
        if not sign:
            raise Fail(f"-p {word}: write NAME=VALUE, such as -p length=12")
        if name.endswith(("+", "-")):
            raise Fail(f"-p {word}: nothing plays yet that could be moved; write NAME=VALUE")
        if name in values:
            raise Fail(f"-p {word}: {name} is given twice")
        try:
            values[name] = parse(name, text, setup.middle_c, tuple(setup.user_scales))
        except ValueError as error:
            raise Fail(f"-p {word}: {error}") from None
    return values
