"""What `replank play` was told, as a setup: read before anything starts, and by the host.

Apart from `host.starting`, so that the command does not load what only a host needs.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from replank.control.setup import Setup
from replank.host.files import BadFile, load_rig, load_set


class BadStart(Exception):
    """The host cannot begin: one clear message and an exit code."""

    def __init__(self, message: str, code: int = 2) -> None:
        super().__init__(message)
        self.code = code


def load_setup(facts: dict[str, Any]) -> Setup:
    """Return rig, set, clock source and parameters as `replank play` was told.

    Raises:
        BadStart: A file is wrong; every mistake is a line.
    """
    try:
        setup = load_rig(facts["rig"]) if facts.get("rig") else Setup()
        if facts.get("set"):
            setup = load_set(facts["set"], setup)
    except BadFile as error:
        raise BadStart("\n".join(str(mistake) for mistake in error.mistakes)) from None
    except OSError as error:
        raise BadStart(f"{error.filename}: {error.strerror}") from None
    if facts.get("clock"):
        setup = replace(setup, clock=replace(setup.clock, source=facts["clock"]))
    return replace(setup, values={**setup.values, **facts.get("values", {})})
