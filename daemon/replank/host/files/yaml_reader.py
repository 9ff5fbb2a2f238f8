"""Reads YAML into nodes that know their place, and takes only the plain part of YAML.

The library's parser tells what is a mapping, a list and a scalar, and where.
It does not get to say what a scalar means: in YAML 1.1 ``no`` is false, ``1:30``
is 90 and ``2026-01-01`` is a date.  A scalar stays text here until a schema
says what is wanted in its place.  Events are read one by one, not composed by
the library, because composing recurses: a thousand brackets would end in a
RecursionError.

Refused, each with its place: keys that come twice, anchors, aliases, merge
keys, tags, several documents, keys that are no scalars, nesting deeper than
`DEEPEST`, files over `LARGEST` bytes, control characters, text that is no
UTF-8, and a file whose top is no mapping.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import yaml
from yaml import events

from replank.host.files.mistakes import MOST, BadFile, Mark, Mistake, quoted

LARGEST = 64 * 1024
"""Bytes of the largest file that is read; a rig or set has a few thousand."""
DEEPEST = 16
"""Levels of lists and mappings; a rig has five."""

# Tab, line ends, and all that YAML calls printable (YAML 1.1, section 5.1.1), without the byte order mark.
_CONTROL = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")
_LINE_ENDS = re.compile("\r\n|[\n\r\x85\u2028\u2029]")


@dataclass(frozen=True, slots=True)
class Scalar:
    """Text as it was written.

    Attributes:
        mark: Where it begins.
        text: What it says, quotes removed and folded lines joined.
        plain: False where it was quoted or a block of text.
        raw: The very characters of the file.
    """

    mark: Mark
    text: str
    plain: bool = True
    raw: str = ""

    def words(self) -> list[tuple[str, Mark]]:
        """Return the words between spaces, each with its own place where that can be told."""
        found: list[tuple[str, Mark]] = []
        line, column, skip = self.mark.line, self.mark.column, 0
        raw = self.raw
        if raw[:1] in "'\"" and not self.plain:
            raw, skip = raw[1:-1], 1
        position, start = 0, -skip
        for match in re.finditer(r"\S+", raw):
            for end in _LINE_ENDS.finditer(raw, position, match.start()):
                line, column, start = line + 1, 1, end.end()
            position = match.start()
            found.append((match[0], Mark(self.mark.file, line, column + position - start)))
        words = self.text.split()
        if [word for word, _ in found] != words:
            return [(word, self.mark) for word in words]
        return found


@dataclass(frozen=True, slots=True)
class Sequence:
    """A list; `mark` is where it begins."""

    mark: Mark
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Mapping:
    """Keys with their values, in the order of the file.

    Attributes:
        mark: Where it begins.
        pairs: Key text -> (where the key stands, the value).
    """

    mark: Mark
    pairs: dict[str, tuple[Mark, Node]]


Node = Scalar | Sequence | Mapping


def scalar(node: Node) -> Scalar:
    """Return a node that is one value.

    Raises:
        ValueError: A list or a mapping.
    """
    if isinstance(node, Scalar):
        return node
    raise ValueError(f"one value is wanted here, not {'a list' if isinstance(node, Sequence) else 'keys with values'}")


def read_yaml(path: str | os.PathLike[str]) -> Mapping:
    """Read a file whose top is a mapping.

    Raises:
        BadFile: It cannot be read, or not as plain YAML; all mistakes at once
            as far as it could be understood.
    """
    try:
        # without O_NONBLOCK a named pipe would be waited for, for ever
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise BadFile.whole(path, "cannot be read: it is no regular file")
            with open(handle, "rb", closefd=False) as file:
                data = file.read(LARGEST + 1)
        finally:
            os.close(handle)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BadFile.whole(path, f"cannot be read: {why}") from None
    return parse_yaml(data, os.fspath(path))


def parse_yaml(data: bytes, name: str) -> Mapping:
    """Read the bytes of a file; `name` stands in the mistakes.

    Raises:
        BadFile: As `read_yaml`.
    """
    if len(data) > LARGEST:
        raise BadFile.whole(name, f"is larger than {LARGEST // 1024} KB; a rig, set or profile is a few KB")
    text = _decoded(data, name)
    builder = _Builder(name, text)
    try:
        top = builder.build()
    except yaml.MarkedYAMLError as error:
        builder.refuse(builder.mark(error.problem_mark or error.context_mark), _explained(error))
        top = None
    except yaml.YAMLError as error:
        builder.refuse(Mark(name, 1, 1), f"is no YAML: {' '.join(str(error).split())}")
        top = None
    except _TooDeep:
        top = None
    except (ValueError, OverflowError, IndexError) as error:
        # The library turns escapes such as "\UFFFFFFFF" into characters without asking whether there are such.
        builder.refuse(Mark(name, builder.line, 1), f"after this line a character cannot be read: {error}")
        top = None
    if top is not None and not isinstance(top, Mapping):
        kind = "a list" if isinstance(top, Sequence) else f"the text {quoted(top.text)}"
        builder.refuse(top.mark, f"the file is {kind}; it must be keys with values, such as 'rig: 1'")
    if builder.mistakes or not isinstance(top, Mapping):
        raise BadFile(builder.mistakes)
    return top


def _decoded(data: bytes, name: str) -> str:
    if not data.strip(b"\xef\xbb\xbf \t\r\n"):
        raise BadFile.whole(name, "is empty")
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line, column = _position(data[: error.start].decode("utf-8"))
        raise BadFile([Mistake(name, line, column, "is not UTF-8 text; save it as UTF-8")]) from None
    found = [
        Mistake(name, *_position(text[: match.start()]), f"control character U+{ord(match[0]):04X}; remove it")
        for match, _ in zip(_CONTROL.finditer(text), range(MOST), strict=False)
    ]
    if found:
        raise BadFile(found)
    return text


def _position(before: str) -> tuple[int, int]:
    """Return line and column of the character behind `before`."""
    lines = _LINE_ENDS.split(before)
    return len(lines), len(lines[-1]) + 1


def _explained(error: yaml.MarkedYAMLError) -> str:
    problem = error.problem or "cannot be understood"
    if r"'\t'" in problem or "\t" in problem:
        return "a tab where YAML wants spaces; indent with spaces"
    if "block scalar" in (error.context or ""):
        return "a value does not begin with '|'; a bar line stands between steps, not at the beginning"
    if "mapping values are not allowed" in problem:
        return "a second ': ' in one line; put the value in quotes, or check the indentation"
    context = f"{error.context}: " if error.context else ""
    return f"{' '.join(f'{context}{problem}'.split())}; check indentation, brackets and quotes"


class _TooDeep(Exception):
    """Nesting went beyond `DEEPEST`; what follows is not looked at."""


class _Builder:
    """Builds nodes from the parser's events, and notes what is refused."""

    def __init__(self, name: str, text: str) -> None:
        self.name = name
        self.text = text
        self.mistakes: list[Mistake] = []
        self.line = 1
        self.events: Iterator[Any] = yaml.parse(text, Loader=yaml.SafeLoader)

    def mark(self, mark: Any) -> Mark:
        return Mark(self.name, mark.line + 1, mark.column + 1) if mark is not None else Mark(self.name, 1, 1)

    def refuse(self, mark: Mark, what: str) -> None:
        if len(self.mistakes) < MOST:
            self.mistakes.append(Mistake(*mark, what))

    def next(self) -> Any:
        event = next(self.events)
        self.line = event.start_mark.line + 1
        return event

    def build(self) -> Node | None:
        """Return the one document, or None where there is none."""
        self.next()
        event = self.next()
        if isinstance(event, events.StreamEndEvent):
            self.refuse(Mark(self.name, 1, 1), "holds only comments")
            return None
        top = self.node(self.next(), 1)
        self.next()
        if not isinstance(further := self.next(), events.StreamEndEvent):
            self.refuse(self.mark(further.start_mark), "a second document begins here ('---'); a file holds one")
        return top

    def node(self, event: Any, depth: int) -> Node | None:
        mark = self.mark(event.start_mark)
        if isinstance(event, events.AliasEvent):
            self.refuse(mark, f"alias *{event.anchor}: aliases are not read; write the value out")
            return None
        if event.anchor is not None:
            self.refuse(mark, f"anchor &{event.anchor}: anchors are not read; write the value out where it is needed")
        if event.tag is not None:
            self.refuse(mark, "a tag ('!' before a value) is not read; put text that begins with '!' in quotes")
        if isinstance(event, events.ScalarEvent):
            first, last = event.start_mark, event.end_mark
            assert first is not None and last is not None  # only events made by hand have none
            if (found := _CONTROL.search(event.value)) is not None:
                self.refuse(mark, f"an escape for the control character U+{ord(found[0]):04X}; leave it out")
                return None
            raw = self.text[first.index : last.index]
            return Scalar(mark, event.value, event.style is None, raw)
        if depth > DEEPEST:
            self.refuse(mark, f"nested deeper than {DEEPEST} levels")
            raise _TooDeep
        if isinstance(event, events.SequenceStartEvent):
            return self.sequence(mark, depth)
        return self.mapping(mark, depth)

    def sequence(self, mark: Mark, depth: int) -> Sequence:
        items: list[Node] = []
        while not isinstance(event := self.next(), events.SequenceEndEvent):
            item = self.node(event, depth + 1)
            if item is not None:
                items.append(item)
        return Sequence(mark, tuple(items))

    def mapping(self, mark: Mark, depth: int) -> Mapping:
        pairs: dict[str, tuple[Mark, Node]] = {}
        while not isinstance(event := self.next(), events.MappingEndEvent):
            key = self.node(event, depth + 1)
            value = self.node(self.next(), depth + 1)
            if key is None:
                continue
            if not isinstance(key, Scalar):
                self.refuse(key.mark, "a list or mapping stands where a key is wanted")
            elif key.text == "<<" and key.plain:
                self.refuse(key.mark, "merge keys ('<<') are not read; write the values out")
            elif key.text in pairs:
                first = pairs[key.text][0].line
                self.refuse(key.mark, f"key {quoted(key.text)} is here a second time; the first is in line {first}")
            elif value is not None:
                pairs[key.text] = (key.mark, value)
        return Mapping(mark, pairs)
