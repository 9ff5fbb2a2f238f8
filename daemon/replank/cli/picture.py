"""The history of a line as an SVG: cycles as rows, steps as columns.

Each cell holds a bar whose height above the row's foot is the pitch and whose
colour is the pitch class; a thin bar where the step is as it was a cycle ago,
a full one with a dot where it has changed.  So colour is never alone, what
persists recedes, and what changes stands out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import NamedTuple

from replank.control.notices import Notice
from replank.dashboard.ink import NIGHT, pitch_colour
from replank.line.pitch import note_name

MOST_ROWS = 512
"""Cycles that a picture shows, the last ones."""

_CELL, _ROW, _LEFT, _TOP = 30, 26, 56, 58
_BAR, _REST = 6, -1
_NARROWEST, _NAME, _LINE = 420, 46, 16


class Row(NamedTuple):
    """One cycle: its number, and the note of each step that was played, -1 for a rest."""

    cycle: int
    notes: dict[int, int]


def rows_of(notices: Iterable[Notice]) -> list[Row]:
    """Return the cycles that step notices tell of; of two visits the later one counts."""
    rows: list[Row] = []
    for notice in notices:
        if notice.kind != "step":
            continue
        if not rows or rows[-1].cycle != notice.data["cycle"]:
            rows.append(Row(notice.data["cycle"], {}))
        rows[-1].notes[notice.data["index"]] = notice.data["note"]
    return rows


def picture(rows: Sequence[Row], title: str, middle_c: int = 4) -> str:
    """Return an SVG document; `title` may be any text."""
    shown = rows[-MOST_ROWS:]
    steps = max((step for row in shown for step in row.notes), default=1)
    notes = sorted({note for row in shown for note in row.notes.values() if note != _REST})
    low, high = (notes[0], notes[-1]) if notes else (60, 60)
    width = max(_NARROWEST, _LEFT + steps * _CELL + 16)
    legend = _legend(notes, _TOP + len(shown) * _ROW + 16, middle_c, width)
    in_a_line = (width - 16) // _NAME
    height = _TOP + len(shown) * _ROW + 24 + _LINE * -(-len(notes) // in_a_line)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
        f' viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="11">',
        f"<title>{_text(title)}</title>",
        f'<rect width="{width}" height="{height}" fill="{NIGHT.paper}"/>',
        f'<text x="16" y="24" font-size="15" fill="{NIGHT.strong}">{_text(title)}</text>',
    ]
    if len(rows) > len(shown):
        left_out = f"the last {len(shown)} of {len(rows)} cycles"
        lines.append(f'<text x="16" y="40" fill="{NIGHT.faint}">{left_out}</text>')
    for step in range(1, steps + 1):
        strong = NIGHT.text if step % 4 == 1 else NIGHT.faint
        x = _LEFT + (step - 1) * _CELL + _CELL // 2
        lines.append(f'<text x="{x}" y="{_TOP - 6}" text-anchor="middle" fill="{strong}">{step}</text>')
    before: dict[int, int] = {}
    for at, row in enumerate(shown):
        lines += _row(row, before, _TOP + at * _ROW, low, high, steps, middle_c)
        before = {**before, **row.notes}
    return "\n".join([*lines, *legend, "</svg>", ""])


def _row(row: Row, before: dict[int, int], top: int, low: int, high: int, steps: int, middle_c: int) -> list[str]:
    foot = top + _ROW - 2
    lines = [
        f'<text x="{_LEFT - 10}" y="{top + 17}" text-anchor="end" fill="{NIGHT.faint}">{row.cycle}</text>',
        f'<rect x="{_LEFT}" y="{top + 1}" width="{steps * _CELL}" height="{_ROW - 2}" fill="{NIGHT.raised}"/>',
    ]
    for step, note in row.notes.items():
        x = _LEFT + (step - 1) * _CELL
        has_changed = before.get(step, note) != note
        if note == _REST:
            if has_changed:
                lines.append(f'<circle cx="{x + _CELL // 2}" cy="{top + _ROW // 2}" r="2" fill="{NIGHT.faint}"/>')
            continue
        lift = (_ROW - 6 - _BAR) * (note - low) // max(1, high - low)
        colour = pitch_colour(note % 12, dark=True)
        tall = _BAR if has_changed else _BAR // 2
        y = foot - 2 - lift - tall
        name = f"<title>cycle {row.cycle}, step {step}: {note_name(note, middle_c)}</title>"
        lines.append(
            f'<rect x="{x + 3}" y="{y}" width="{_CELL - 6}" height="{tall}" rx="1" fill="{colour}">{name}</rect>'
        )
        if has_changed:
            cy = y - 4 if y - 4 > top + 2 else y + tall + 4
            lines.append(f'<circle cx="{x + _CELL // 2}" cy="{cy}" r="1.6" fill="{NIGHT.strong}"/>')
    return lines


def _legend(notes: Sequence[int], top: int, middle_c: int, width: int) -> list[str]:
    lines, x, y = [], 16, top
    for note in notes:
        if x > width - _NAME:
            x, y = 16, y + _LINE
        name = note_name(note, middle_c)
        lines.append(
            f'<rect x="{x}" y="{y}" width="10" height="10" rx="1" fill="{pitch_colour(note % 12, dark=True)}"/>'
        )
        lines.append(f'<text x="{x + 14}" y="{y + 9}" fill="{NIGHT.text}">{name}</text>')
        x += _NAME
    return lines


def _text(text: str) -> str:
    return escape("".join(c if c.isprintable() else " " for c in text))
