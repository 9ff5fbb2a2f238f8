"""A line as people write it: ``D3:pin . F3:accent G3:x2 | A3:slide C4:tie C4 D4:v40 E4:free:1of4``.

Each word is a step: a note name or number, or ``.`` for a rest with the pitch
before it, and behind colons what is forced.  What is not said is left to
chance: its roll is drawn, or stands in `rolls` beside the line.  ``|`` is a bar
line for the eye.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

from replank.control.parameters import nearest
from replank.host.files.mistakes import quoted
from replank.host.files.yaml_reader import Mapping, Node, Scalar, Sequence
from replank.line.pitch import note_name, note_number
from replank.line.steps import (
    LINK_NONE,
    LINK_SLIDE,
    LINK_TIE,
    REST,
    SOUND,
    STEPS,
    Rolls,
    Written,
)

if TYPE_CHECKING:
    from replank.host.files.reader import Reader

_WORDS: dict[str, tuple[str, Any]] = {
    "rest": ("rhythm", REST), "sound": ("rhythm", SOUND), "pin": ("pinned", True), "free": ("free", True),
    "accent": ("accented", SOUND), "noaccent": ("accented", REST), "slide": ("linked", LINK_SLIDE),
    "tie": ("linked", LINK_TIE), "nolink": ("linked", LINK_NONE),
}  # fmt: skip
"""Word -> the field of a written step that it sets, and the value."""


class _Numbered(NamedTuple):
    """Words with a number: the field, the pattern, the range, and how one is described."""

    field: str
    pattern: re.Pattern[str]
    low: int
    high: int
    what: str


_NUMBERED = (
    _Numbered("ratchet", re.compile(r"x(\d{1,4})"), 2, 4, "strikes in the step"),
    _Numbered("velocity", re.compile(r"v(\d{1,4})"), 1, 127, "MIDI velocity"),
)
_PASS = re.compile(r"(\d{1,4})of(\d{1,4})")
_HINTS = (*_WORDS, "x2", "x3", "x4", "v64", "1of2")
_OLD = re.compile(r"([^!*:]+)(!?)(?:\*(\d{1,4}))?")
"""The signs of an earlier notation: ``!`` for a pin, ``*2`` for the step twice."""

_ROLL = re.compile(r"\d{1,3}(\.\d{0,40})?([eE][+-]?\d{1,3})?")


# -- reading --------------------------------------------------------------------


def read_line(reader: Reader, node: Scalar, called: str = "line") -> tuple[Written, ...]:
    """Return what is written for each step; notes every wrong word at its place.

    Raises:
        ValueError: No step at all, or more than a line has.
    """
    found: list[Written | None] = []  # None stands for a `.` before the first note
    wrong = False
    words = node.words()
    for place, (word, mark) in enumerate(words):
        try:
            if word != "|":
                found.append(_read_step(word, found, reader.middle_c))
            elif not place:
                raise ValueError("a bar line '|' stands between steps, not at the beginning")
        except ValueError as error:
            reader.refuse(mark, f"{called}: {error}")
            wrong = True
    first = next((step.pitch for step in found if step is not None and step.pitch >= 0), 60)
    steps = tuple(step._replace(pitch=first) if step.pitch < 0 else step for step in found if step is not None)
    if len(steps) > STEPS:
        raise ValueError(f"{len(steps)} steps are written; a line has {STEPS}")
    if not steps and not wrong:
        raise ValueError("no step is written")
    return steps


def _read_step(word: str, before: list[Written | None], middle_c: int) -> Written:
    """Return one step; the pitch of a rest before the first note is -1.

    Raises:
        ValueError: Not a step, with what to write instead.
    """
    note, *marks = word.split(":")
    if word == "/" or "!" in word or "*" in word:
        raise ValueError(_renamed(word, middle_c))
    said: dict[str, tuple[str, Any]] = {}  # field -> the word that set it, and the value
    if note == ".":
        last = before[-1] if before else None
        pitch = last.pitch if last is not None else -1
        said["rhythm"] = (".", REST)
    else:
        pitch = note_number(note, middle_c)
    for mark in marks:
        for name, value in _read_mark(word, mark.lower()).items():
            if name in said:
                raise ValueError(_doubled(word, said[name][0], mark.lower()))
            said[name] = (mark.lower(), value)
    return Written(pitch, **{name: value for name, (_, value) in said.items()})


def _read_mark(word: str, mark: str) -> dict[str, Any]:
    """Return the fields that one word behind a colon sets."""
    if mark in _WORDS:
        return dict([_WORDS[mark]])
    for row in _NUMBERED:
        if (found := row.pattern.fullmatch(mark)) is not None:
            if not row.low <= (number := int(found[1])) <= row.high:
                raise ValueError(
                    f"{quoted(word)}: {mark} is outside {mark[0]}{row.low} to {mark[0]}{row.high} ({row.what})"
                )
            return {row.field: number}
    if (found := _PASS.fullmatch(mark)) is not None:
        number, of = int(found[1]), int(found[2])
        if not 1 <= number <= of <= 16:
            raise ValueError(f"{quoted(word)}: {mark} is not a pass: 1of2 up to 16of16, the first at most the second")
        return {"pass_number": number, "pass_of": of}
    if not mark:
        raise ValueError(f"{quoted(word)} has no word behind a colon; write D3:pin, or D3 alone")
    raise ValueError(
        f"{quoted(word)}: {quoted(mark)} is not one of {', '.join(_WORDS)}, x2 to x4, v1 to v127, 1of4"
        f"{nearest(mark, _HINTS)}"
    )


def _doubled(word: str, first: str, second: str) -> str:
    if first == ".":
        return f"{quoted(word)}: '.' is a rest by itself; it does not take {second}"
    if first == second:
        return f"{quoted(word)} says {first} twice"
    return f"{quoted(word)} says {first} and {second}; a step takes one of them"


def _renamed(word: str, middle_c: int) -> str:
    """Return what is to be written for a word in signs that are read no more."""
    if word == "/":
        return "'/' is not read; a bar line is written '|'"
    found = _OLD.fullmatch(word)
    try:
        if found is None:
            raise ValueError
        if found[1] != ".":
            note_number(found[1], middle_c)
    except ValueError:
        return f"{quoted(word)} is not a step: D3, '.' for a rest, D3:pin, D3:accent:v90"
    step = found[1] + (":pin" if found[2] else "")
    times = int(found[3] or 1)
    if found[3] and not 2 <= times <= 4:
        return f"{quoted(word)}: '*' is not read; write {step} {times} times" if times > 1 else (
            f"{quoted(word)}: '*' is not read; write {step}"
        )  # fmt: skip
    sign = "'!' and '*' are" if found[2] and found[3] else "'!' is" if found[2] else "'*' is"
    return f"{quoted(word)}: {sign} not read; write {' '.join([step] * times)}"


def read_rolls(reader: Reader, node: Node, called: str) -> tuple[Rolls, ...]:
    """Return the rolls of each step; notes every wrong number at its place.

    Raises:
        ValueError: Not four lists of one length.
    """
    example = "{rest: [0.9, …], accent: […], velocity: […], link: […]}, a number a step"
    if not isinstance(node, Mapping):
        raise ValueError(f"is written as {example}")
    lists: dict[str, list[float]] = {}
    before = len(reader.mistakes)
    for name, (mark, value) in node.pairs.items():
        if name not in Rolls._fields:
            reader.refuse(mark, f"{called} has no {quoted(name)}{nearest(name, Rolls._fields)}")
        elif not isinstance(value, Sequence):
            reader.refuse(value.mark, f"{called}: {name} is a list, a number a step")
        else:
            lists[name] = [_roll(reader, item, f"{called}: {name}") for item in value.items]
    if len(reader.mistakes) > before:
        return ()
    missing = [name for name in Rolls._fields if name not in lists]
    if missing:
        raise ValueError(f"lacks {', '.join(missing)}; it is written as {example}")
    counts = {name: len(numbers) for name, numbers in lists.items()}
    if len(set(counts.values())) > 1:
        raise ValueError(f"a number a step in each: {', '.join(f'{name} has {n}' for name, n in counts.items())}")
    if not counts["rest"]:
        raise ValueError("has no number")
    return tuple(map(Rolls, *(lists[name] for name in Rolls._fields)))


def _roll(reader: Reader, node: Node, called: str) -> float:
    text = node.text.strip() if isinstance(node, Scalar) else ""
    if _ROLL.fullmatch(text) and 0.0 <= (number := float(text)) < 1.0:
        return number
    reader.refuse(node.mark, f"{called}: {quoted(text)} is not a roll: a number from 0 to below 1, such as 0.25")
    return 0.0


# -- writing --------------------------------------------------------------------


def write_line(line: tuple[Written, ...], middle_c: int = 4) -> str:
    """Return the written form of a line: what is forced, and nothing else."""
    words, before = [], -1
    for step in line:
        is_dot = step.rhythm == REST and step.pitch == before
        marks = [word for word, (name, value) in _WORDS.items() if getattr(step, name) == value]
        if is_dot:
            marks.remove("rest")
        marks += [f"x{step.ratchet}"] if step.ratchet > 1 else []
        marks += [f"v{step.velocity}"] if step.velocity else []
        marks += [f"{step.pass_number}of{step.pass_of}"] if (step.pass_number, step.pass_of) != (1, 1) else []
        words.append(":".join(["." if is_dot else note_name(step.pitch, middle_c), *marks]))
        before = step.pitch
    return " ".join(words)


def roll_lists(rolls: tuple[Rolls, ...]) -> list[str]:
    """Return a line of YAML for each of the four lists; reading them gives the very same numbers."""
    lists = [(name, [getattr(row, name) for row in rolls]) for name in Rolls._fields]
    return [f"{name}: [{', '.join(map(repr, numbers))}]" for name, numbers in lists]


def write_rolls(rolls: tuple[Rolls, ...], middle_c: int = 4) -> str:
    """Return rolls as one line of YAML."""
    return "{" + ", ".join(roll_lists(rolls)) + "}"
