"""A line as people write it in a piece: ``D3 . F3 A3! / C4 . . D3``.

Each word is a step: a note name or number, or ``.`` for a rest.  ``!`` behind
a note or rest pins the step, which protects it from mutation.  ``/`` may stand
anywhere between steps to make the line easier to read and means nothing.
``*3`` behind a step writes it three times.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from replank.host.files.mistakes import quoted
from replank.host.files.yaml_reader import Scalar
from replank.line.pitch import note_name, note_number
from replank.line.steps import STEPS

if TYPE_CHECKING:
    from replank.host.files.reader import Reader

REST = -1

_STEP = re.compile(r"([^!*]+)(!?)(?:\*(\d{1,2}))?")


def read_line(reader: Reader, node: Scalar) -> tuple[tuple[int, bool], ...]:
    """Return (note number or -1 for a rest, pinned) for each step; notes every wrong word.

    Raises:
        ValueError: No step at all, or more than a line has.
    """
    steps: list[tuple[int, bool]] = []
    wrong = False
    for word, mark in node.words():
        if word == "/":
            continue
        found = _STEP.fullmatch(word)
        try:
            if found is None:
                raise ValueError(f"{quoted(word)} is no step: D3, D3! (pinned), D3*2 (twice), or . (a rest)")
            note = REST if found[1] == "." else note_number(found[1], reader.middle_c)
        except ValueError as error:
            reader.refuse(mark, f"line: {error}")
            wrong = True
            continue
        if not 1 <= (times := int(found[3] or 1)) <= STEPS:
            reader.refuse(mark, f"line: {times} times; 1 to {STEPS} are allowed")
            wrong = True
            continue
        steps += [(note, found[2] == "!")] * times
    if len(steps) > STEPS:
        raise ValueError(f"{len(steps)} steps are written; a line has {STEPS}")
    if not steps and not wrong:
        raise ValueError("no step is written")
    return tuple(steps)


def write_line(notes: tuple[tuple[int, bool], ...], middle_c: int = 4) -> str:
    """Return the written form of a line."""
    return " ".join(("." if note < 0 else note_name(note, middle_c)) + "!" * pinned for note, pinned in notes)
