"""A profile as a labelled drawing for a terminal: what is where on the box."""

from __future__ import annotations

from replank.control.driving import word_value
from replank.control.parameters import PARAMETERS, show
from replank.control.profiles import Control, Profile, Target

_ACROSS = 4
"""Cells in a line of the drawing."""
_WIDTH = 26
"""Characters inside a cell."""
_STEPS_ACROSS = 8
"""Cells in a line where each control edits a step."""
_STEP_WIDTH = 11
"""Characters inside such a cell."""


def draw_profile(profile: Profile) -> str:
    """Return the drawing: a cell for each control with label, message and what it does."""
    lines = [profile.title, *_wrapped(profile.about, _ACROSS * (_WIDTH + 3) + 1)]
    for number, title in enumerate(profile.rows):
        controls = [control for control in profile.controls if control.row == number]
        is_steps = len(controls) >= _STEPS_ACROSS and all(control.step for control in controls)
        across, width = (_STEPS_ACROSS, _STEP_WIDTH) if is_steps else (_ACROSS, _WIDTH)
        row = [_step_cell(control) if is_steps else _cell(control) for control in controls]
        lines += ["", f"{title} · {controls[0].relative}" if is_steps and controls[0].relative else title]
        for start in range(0, len(row), across):
            cells = _line_of_cells(row[start : start + across], width)
            lines += cells if start == 0 else cells[1:]
    return "\n".join(lines) + "\n"


def _line_of_cells(cells: list[list[str]], width: int) -> list[str]:
    height = max(len(cell) for cell in cells)
    edge = "+" + "+".join("-" * (width + 2) for _ in cells) + "+"
    lines = [edge]
    for index in range(height):
        parts = [(cell[index] if index < len(cell) else "").ljust(width) for cell in cells]
        lines.append("| " + " | ".join(parts) + " |")
    return [*lines, edge]


def _cell(control: Control) -> list[str]:
    """Return the lines of one control."""
    lines = [f"{_shape(control)} {control.label}", f"  {control.source.words}"]
    if control.relative:
        lines.append(f"  {control.relative}")
    for target in control.targets:
        lines += _target(target)
    if control.turn:
        lines.append(f"turn  {control.turn}")
    if control.press:
        lines.append(f"press {control.press}")
    if control.on_release:
        lines.append(f"let go {control.on_release}")
    if control.feedback is not None:
        lines.append(f"shown by {control.feedback.words}")
    return [part for line in lines for part in _wrapped(line, _WIDTH)]


def _step_cell(control: Control) -> list[str]:
    """Return the lines of one control of a row of steps, whose encoding stands above the row."""
    lines = [f"{_shape(control)} {control.label}", control.source.words, control.turn or control.press]
    if control.feedback is not None and control.feedback.words != control.source.words:
        lines.append(f"shown by {control.feedback.words}")
    return [part for line in lines for part in _wrapped(line, _STEP_WIDTH)]


def _shape(control: Control) -> str:
    if control.is_button:
        return "[ ]"
    return "(~)" if control.relative else "(|)"


def _target(target: Target) -> list[str]:
    name, row = target.parameter, PARAMETERS[target.parameter]
    if target.how == "toggle":
        return [f"{name} on, off"]
    if target.how == "hold":
        return [f"{name} while held"]
    if target.how == "choose":
        return [f"{name} = {', '.join(target.values)}"]
    if target.raw:
        return [f"{name} = its number"]
    if row.is_list:
        words = [show(name, word_value(name, word)) for word in target.values]
        way = "" if target.low <= target.high else ", backwards"
        return [f"{name}: {', '.join(words) if words else 'short list'}{way}", f"  {target.takeover}"]
    ends = [show(name, value if row.kind == "float" else int(value)) for value in (target.low, target.high)]
    more = "" if target.curve == "linear" else f", {target.curve}"
    return [f"{name} {ends[0]} to {ends[1]}", f"  {target.takeover}{more}"]


def _wrapped(text: str, width: int) -> list[str]:
    """Return text in lines of at most `width`, broken at spaces where there are any."""
    indent = " " * (len(text) - len(text.lstrip()))
    lines: list[str] = []
    line = ""
    for word in text.split():
        tried = f"{line} {word}" if line else f"{indent}{word}"
        if len(tried) <= width or not line:
            line = tried
        else:
            lines.append(line)
            line = f"{indent}{word}"
        while len(line) > width:
            lines.append(line[:width])
            line = line[width:]
    return [*lines, line] if line else lines
