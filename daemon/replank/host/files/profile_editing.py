"""Writes learnt controls into a profile file; every other character of it stays.

Libraries that write YAML back lose comments between entries in braces, which
profiles are full of.  So the text itself is edited, at the places that our
reader tells, and read again before it is kept.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, NamedTuple

from replank.host.files.mistakes import BadFile, Mark, Mistake
from replank.host.files.profiles import plain_and_marks, read_profile
from replank.host.files.yaml_reader import Mapping, Node, Scalar, Sequence, parse_yaml
from replank.whole_file import write_whole

FUNCTION_KEYS = ("moves", "toggles", "while_held", "chooses", "does", "turn")
HEARD = "heard: "
"""How a comment begins that says what was heard of the control below it."""

_HEARD_KEYS = ("channel", "relative", "bits", "latching")
"""Keys that say what was heard, besides `sends`; one that was not heard again goes."""
_NEW = """\
# A profile: what the controls of one box do.  `replank check --draw` draws it.
# `sends` is the message of a control, the other keys say what it does; ranges
# (from, to), curves and takeover can be added by hand, comments stay.
profile: 1
title: {title}
controls:
"""
_LINE_ENDS = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
_PLAIN = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_ ./@-]*[A-Za-z0-9_./@-])?")


class Learnt(NamedTuple):
    """An entry to write (key -> text, number or list of texts) and the comment above it."""

    entry: dict[str, Any]
    comment: str


class _Edit(NamedTuple):
    """Characters `start` to `end` become `text`."""

    start: int
    end: int
    text: str


class ProfileFile:
    """A profile file that is edited, or a new one.

    Attributes:
        path: Where it is.
        text: What would be written.

    Raises:
        BadFile: The file exists and is not a good profile.
        OSError: It cannot be read.
    """

    def __init__(self, path: Path, title: str = "") -> None:
        self.path = path
        if path.exists():
            data = path.read_bytes()
            read_profile(parse_yaml(data, str(path)))
            self.text = data.decode("utf-8").removeprefix("\ufeff")
        else:
            self.text = _NEW.format(title=written(title or path.stem, always_quoted=True))

    def add(self, learnt: Learnt) -> str:
        """Put an entry in, in the place of the one that had its function; return what it replaced.

        Raises:
            BadFile: The file would not be a good profile with it; nothing is changed.
        """
        before = self.text
        controls = self._controls()
        wanted = set(functions_of(learnt.entry))
        replaced = ""
        for item in controls:
            entry = plain_and_marks(item)[0]
            if isinstance(item, Mapping) and set(functions_of(entry)) == wanted:
                self._change(item, entry, learnt)
                replaced = " ".join(sorted(wanted))
                break
        else:
            self._append(controls, learnt)
        try:
            read_profile(parse_yaml(self.text.encode(), str(self.path)))
        except BadFile:
            self.text = before
            raise
        return replaced

    def save(self) -> None:
        """Write the file as a whole, or leave the old one.

        Raises:
            OSError: It cannot be written.
        """
        write_whole(self.path, self.text.encode("utf-8"))

    # -- places -------------------------------------------------------------------------------

    def _controls(self) -> tuple[Node, ...]:
        if self.text.rstrip().endswith("controls:"):
            return ()
        top = parse_yaml(self.text.encode(), str(self.path))
        _, node = top.pairs.get("controls", (None, None))
        return node.items if isinstance(node, Sequence) else ()

    def _starts(self) -> list[int]:
        return [0, *(found.end() for found in _LINE_ENDS.finditer(self.text))]

    def _offset(self, mark: Mark) -> int:
        return self._starts()[mark.line - 1] + mark.column - 1

    def _refuse(self, mark: Mark, what: str) -> BadFile:
        return BadFile([Mistake(*mark, f"{what}; change it by hand")])

    def _apply(self, edits: list[_Edit]) -> None:
        for edit in sorted(edits, reverse=True):
            self.text = self.text[: edit.start] + edit.text + self.text[edit.end :]

    # -- a new entry --------------------------------------------------------------------------

    def _append(self, controls: tuple[Node, ...], learnt: Learnt) -> None:
        newline = "\r\n" if "\r\n" in self.text else "\n"
        lines = [f"# {one_line(learnt.comment)}", f"- {flow(learnt.entry)}"]
        if not controls:
            self._append_first(lines, newline)
            return
        starts = self._starts()
        last = controls[-1].mark
        head = self.text[starts[last.line - 1] : self._offset(last)]
        if not head.strip().endswith("-"):
            raise self._refuse(last, "controls stand in brackets, not one a line with '- '")
        dash = len(head) - len(head.lstrip()) if head.lstrip().startswith("-") else head.rindex("-")
        line = last.line
        while line < len(starts) and self._is_part(starts, line, dash):
            line += 1
        at = starts[line] if line < len(starts) else len(self.text)
        made = "".join(f"{' ' * dash}{one}{newline}" for one in lines)
        if at == len(self.text) and self.text and not self.text.endswith(("\n", "\r")):
            made = newline + made
        self._apply([_Edit(at, at, made)])

    def _is_part(self, starts: list[int], line: int, dash: int) -> bool:
        """Tell whether a line (counted from 0) belongs to the entry whose dash is in that column."""
        end = starts[line + 1] if line + 1 < len(starts) else len(self.text)
        text = self.text[starts[line] : end]
        return bool(text.strip()) and len(text) - len(text.lstrip()) > dash

    def _append_first(self, lines: list[str], newline: str) -> None:
        rows = "".join(f"  {line}{newline}" for line in lines)
        empty = re.search(r"^controls:[ \t]*(\[[ \t]*\])?[ \t]*(#.*)?$", self.text, re.MULTILINE)
        if empty is None:
            text = self.text if self.text.endswith(("\n", "\r")) else self.text + newline
            self.text = f"{text}{newline}controls:{newline}{rows}"
            return
        comment = f"  {empty[2]}" if empty[2] else ""
        rest = self.text[empty.end() :].removeprefix("\r").removeprefix("\n")
        self.text = f"{self.text[: empty.start()]}controls:{comment}{newline}{rows}{rest}"

    # -- an entry that is there ---------------------------------------------------------------

    def _change(self, item: Mapping, entry: dict[str, Any], learnt: Learnt) -> None:
        """Change what was heard; keep ranges, labels and comments that a person wrote."""
        edits: list[_Edit] = []
        made: list[str] = []
        for key, value in learnt.entry.items():
            if key in FUNCTION_KEYS:
                old = next(name for name in FUNCTION_KEYS if name in entry)
                if old != key:
                    edits.append(self._key_edit(item, old, key))
            elif key not in item.pairs:
                made.append(f"{key}: {written(value)}")
            elif key not in ("label", "values"):
                edits.append(self._value_edit(item, key, written(value)))
        edits += [self._removal(item, key) for key in _HEARD_KEYS if key in item.pairs and key not in learnt.entry]
        if made:
            edits.append(self._insertion(item, made))
        edits += self._comment_edit(item, learnt.comment)
        self._apply(edits)

    def _scalar(self, item: Mapping, key: str) -> Scalar:
        mark, node = item.pairs[key]
        if not isinstance(node, Scalar) or not self.text.startswith(node.raw, self._offset(node.mark)):
            raise self._refuse(mark, f"{key} is written in a way that cannot be edited")
        return node

    def _key_edit(self, item: Mapping, old: str, new: str) -> _Edit:
        mark, _ = item.pairs[old]
        start = self._offset(mark)
        if not self.text.startswith(old, start):
            raise self._refuse(mark, f"{old} is written in a way that cannot be edited")
        return _Edit(start, start + len(old), new)

    def _value_edit(self, item: Mapping, key: str, text: str) -> _Edit:
        node = self._scalar(item, key)
        start = self._offset(node.mark)
        return _Edit(start, start + len(node.raw), text)

    def _is_flow(self, item: Mapping) -> bool:
        return self.text.startswith("{", self._offset(item.mark))

    def _insertion(self, item: Mapping, made: list[str]) -> _Edit:
        """Put keys behind `sends`: in the same braces, or on lines of their own."""
        node = self._scalar(item, "sends")
        end = self._offset(node.mark) + len(node.raw)
        if self._is_flow(item):
            return _Edit(end, end, "".join(f", {one}" for one in made))
        newline = "\r\n" if "\r\n" in self.text else "\n"
        found = _LINE_ENDS.search(self.text, end)
        at = found.end() if found else len(self.text)
        indent = " " * (item.pairs["sends"][0].column - 1)
        return _Edit(at, at, ("" if found else newline) + "".join(f"{indent}{one}{newline}" for one in made))

    def _removal(self, item: Mapping, key: str) -> _Edit:
        start = self._offset(item.pairs[key][0])
        node = self._scalar(item, key)
        end = self._offset(node.mark) + len(node.raw)
        if self._is_flow(item):
            comma = self.text.rfind(",", self._offset(item.mark), start)
            if comma >= 0 and not self.text[comma + 1 : start].strip():
                return _Edit(comma, end, "")
            following = re.compile(r"[ \t]*,[ \t]*").match(self.text, end)
            return _Edit(start, following.end() if following else end, "")
        line_start = self._starts()[item.pairs[key][0].line - 1]
        if self.text[line_start:start].strip():
            raise self._refuse(item.pairs[key][0], f"{key} stands behind the dash")
        found = _LINE_ENDS.search(self.text, end)
        return _Edit(line_start, found.end() if found else len(self.text), "")

    def _comment_edit(self, item: Mapping, comment: str) -> list[_Edit]:
        """Return the edit of a comment above the entry that says what was heard the last time."""
        starts = self._starts()
        if item.mark.line < 2:
            return []
        start = starts[item.mark.line - 2]
        found = re.compile(rf"[ \t]*# {HEARD}[^\r\n]*").match(self.text, start)
        if found is None:
            return []
        indent = found[0].split("#")[0]
        return [_Edit(start, found.end(), f"{indent}# {one_line(comment)}")]


def functions_of(entry: Any) -> list[str]:
    """Return what a control's entry does; several where it moves several."""
    found: list[str] = []
    for key in FUNCTION_KEYS:
        value = entry.get(key) if isinstance(entry, dict) else None
        for one in value if isinstance(value, list) else [value] if value else []:
            found.append(str(one.get("parameter") if isinstance(one, dict) else one))
    return found


def flow(entry: dict[str, Any]) -> str:
    """Return an entry in braces, on one line."""
    return "{" + ", ".join(f"{key}: {written(value)}" for key, value in entry.items()) + "}"


def written(value: Any, always_quoted: bool = False) -> str:
    """Return a text, number or list of texts as YAML has it, on one line."""
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(written(one) for one in value) + "]"
    text = one_line(str(value))
    if _PLAIN.fullmatch(text) and not always_quoted:
        return text
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def one_line(text: str) -> str:
    """Return a text without line ends and control characters."""
    return "".join(char if char.isprintable() else " " for char in text)
