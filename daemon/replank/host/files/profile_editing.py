"""Writes learnt controls into a profile file, whose comments and order survive."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from replank.host.files.mistakes import BadFile
from replank.host.files.profiles import read_profile
from replank.host.files.yaml_reader import Sequence, parse_yaml
from replank.whole_file import write_whole

if TYPE_CHECKING:
    from ruamel.yaml import YAML
    from ruamel.yaml.comments import CommentedMap

FUNCTION_KEYS = ("moves", "toggles", "holds", "chooses", "does", "turn")

HEARD = "heard: "
"""How a comment begins that says what was heard of the control below it."""

_NEW = """\
# A profile: what the controls of one box do.  `replank check --show` draws it.
# `sends` is the message of a control, the other keys say what it does; ranges
# (from, to), curves and catch-up can be added by hand, comments stay.
profile: 1
title: {title}
controls:
"""


class NotInstalled(Exception):
    """The package that edits YAML is absent."""


class Learnt(NamedTuple):
    """An entry to write and the comment above it."""

    entry: dict[str, Any]
    comment: str


class ProfileFile:
    """A profile file that is edited, or a new one.

    Raises:
        NotInstalled: ruamel.yaml is not there.
        BadFile: The file exists and is not a good profile.
    """

    def __init__(self, path: Path, title: str = "") -> None:
        self.path = path
        self._yaml = _library()
        self._heard: dict[int, str] = {}
        if path.exists():
            text = path.read_bytes()
            read_profile(parse_yaml(text, str(path)))
            self._top: CommentedMap = self._yaml.load(text.decode("utf-8"))
        else:
            self._top = self._yaml.load(_NEW.format(title=_quoted(title or path.stem)))
        if not self._top.get("controls"):
            self._top["controls"] = _seq()

    @property
    def functions(self) -> list[str]:
        """What its controls do, as their entries name it."""
        return [name for entry in self._top["controls"] for name in functions_of(entry)]

    def add(self, learnt: Learnt) -> str:
        """Put an entry in, in the place of the one that had its function or its message; return what it replaced.

        Raises:
            BadFile: The file would not be a good profile with it; nothing is changed.
        """
        before = self.text()
        controls = self._top["controls"]
        replaced = ""
        place = self._place_of(learnt.entry)
        if place is None:
            controls.append(_flow(learnt.entry))
            place = len(controls) - 1
            indent = 2
            controls.yaml_set_comment_before_after_key(place, before=learnt.comment, indent=indent)
        else:
            old = controls[place]
            replaced = " ".join(functions_of(old))
            _update(old, learnt.entry)
            self._heard[place] = learnt.comment
        try:
            read_profile(parse_yaml(self.text().encode(), str(self.path)))
        except BadFile:
            self._top = self._yaml.load(before)
            self._heard.clear()
            raise
        return replaced

    def _place_of(self, entry: dict[str, Any]) -> int | None:
        for place, old in enumerate(self._top["controls"]):
            if set(functions_of(old)) == set(functions_of(entry)):
                return place
        return None

    def text(self) -> str:
        """Return what would be written."""
        stream = io.StringIO()
        self._yaml.dump(self._top, stream)
        text = stream.getvalue()
        if not self._heard:
            return text
        # what was heard of a control that was learnt anew stands in the comment above it
        controls = parse_yaml(text.encode(), str(self.path)).pairs["controls"][1]
        lines = text.split("\n")
        for place, comment in self._heard.items():
            above = controls.items[place].mark.line - 2 if isinstance(controls, Sequence) else -1
            if above >= 0 and lines[above].strip().startswith(f"# {HEARD}"):
                lines[above] = lines[above].split("#")[0] + "# " + comment
        return "\n".join(lines)

    def save(self) -> None:
        """Write the file as a whole, or leave the old one."""
        write_whole(self.path, self.text().encode("utf-8"))


def functions_of(entry: Any) -> list[str]:
    """Return what a control's entry does; several where it moves several."""
    found: list[str] = []
    for key in FUNCTION_KEYS:
        value = entry.get(key)
        for one in value if isinstance(value, list) else [value] if value else []:
            found.append(str(one.get("parameter") if isinstance(one, dict) else one))
    return found


def _update(old: Any, entry: dict[str, Any]) -> None:
    """Change what was heard, keep ranges, labels and comments that a person wrote."""
    for key in ("channel", "relative", "bits", "latches", *FUNCTION_KEYS):
        if key not in entry and key in old:
            del old[key]
    for key, value in entry.items():
        if key not in old or key not in ("label", *FUNCTION_KEYS):
            old[key] = value


def _library() -> YAML:
    try:
        from ruamel.yaml import YAML
    except ImportError:
        raise NotInstalled("editing a profile needs ruamel.yaml: pip install 'replank[learn]'") from None
    yaml = YAML(typ="rt")
    yaml.preserve_quotes = True
    yaml.width = 100000
    yaml.indent(mapping=2, sequence=4, offset=2)
    return yaml


def _seq() -> Any:
    from ruamel.yaml.comments import CommentedSeq

    return CommentedSeq()


def _flow(entry: dict[str, Any]) -> Any:
    from ruamel.yaml.comments import CommentedMap

    made = CommentedMap(entry)
    made.fa.set_flow_style()
    return made


def _quoted(text: str) -> str:
    """Return a title as a YAML scalar in double quotes."""
    shown = "".join(char for char in text if char.isprintable())
    return '"' + shown.replace("\\", "\\\\").replace('"', '\\"') + '"'
