"""One step drawn as one column: the pieces that the contour is put together from.

A column is a tower up to the height of its pitch with a bright head; below the
contour stand number, name, velocity and marks.  Columns are cached by
everything they depend on, so that a moving playhead costs two columns.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from rich.segment import Segment
from rich.style import Style

from replank.dashboard.ink import Ink
from replank.dashboard.view import StepView

FOOT = 4
"""Rows under the contour: number, name, velocity, marks."""
BARS = "▁▂▃▄▅▆▇█"
NOTHING = Style.null()


class Place(NamedTuple):
    """How a column is placed: its width and rows, and the range that the height stands for."""

    width: int
    rows: int
    low: int
    high: int
    bare: bool = False

    @property
    def body(self) -> int:
        """Cells of the column without the gap to its right."""
        return self.width - 1 if self.width >= 3 else self.width

    def halves(self, note: int) -> tuple[int, int]:
        """Return the first half row of a note's head and the one behind its last, from the top."""
        span, total = self.high - self.low + 1, self.rows * 2
        down = min(span - 1, max(0, self.high - note))
        first = down * total // span
        return first, max(first + 1, min((down + 1) * total // span, first + 3))


class Look(NamedTuple):
    """What a step looks like this moment, besides the step itself."""

    playing: bool = False
    chosen: bool = False
    mark: str = ""
    next_note: int = -1


Column = tuple[tuple[Segment, ...], ...]


@lru_cache(4096)
def column(step: StepView, look: Look, place: Place, ink: Ink) -> Column:
    """Return the rows of a step's column from the top: mark row, contour, foot."""
    body, gap = place.body, place.width - place.body
    first, end = place.halves(step.note)
    rows: list[tuple[Segment, ...]] = []
    above = first // 2
    accent = step.accented and step.heard and not place.bare
    for row in range(-1, place.rows):
        if row == -1 and look.mark:
            # a filled mark for what is heard, a hollow one for a silent change
            piece = [Segment(("▼" if look.mark == "heard" else "▽").center(body), _air(look, ink) + ink.hand)]
        elif accent and row == above - 1:
            piece = [Segment(">".center(body), _air(look, ink) + ink.strong)]
        elif row == -1:
            piece = [Segment(" " * body, _air(look, ink))]
        else:
            piece = [_cell(step, look, place, ink, row, first, end)]
        if gap:
            piece.append(Segment(_link(step, look, place, row, first), Style(color=ink.pitch(step.note))))
        rows.append(tuple(piece))
    if not place.bare:
        rows += [(*part, Segment(" " * gap, NOTHING)) if gap else part for part in _foot(step, look, body, ink)]
    # with the ground in each piece and equals joined, putting a row together is all that a picture costs
    return tuple(tuple(joined(_on_ground(segment, ink) for segment in row)) for row in rows)


_same: dict[Style, Style] = {}
"""One object for all equal styles, so that joining compares by identity."""


def joined(segments: Iterable[Segment]) -> list[Segment]:
    """Return segments with neighbours of the same style object joined.

    A blank takes the style before it where the ground is the same: it looks
    alike, and over a slow line the codes between colours are what counts.
    """
    found: list[Segment] = []
    texts: list[str] = []
    style: Style | None = None
    for text, own, _ in segments:
        if own is style or (style is not None and _hides(text, own, style)):
            texts.append(text)
            continue
        if texts:
            found.append(Segment("".join(texts), style))
        texts, style = [text], own
    if texts:
        found.append(Segment("".join(texts), style))
    return found


def _hides(text: str, own: Style | None, style: Style) -> bool:
    """Tell whether a text is blank and looks alike in another style."""
    if own is None or not text.isspace() or own.bgcolor != style.bgcolor:
        return False
    return not (style.reverse or style.underline or own.reverse or own.underline)


def _on_ground(segment: Segment, ink: Ink) -> Segment:
    """Return a piece with the ground under it; blanks of one ground all get one style, so that they join."""
    style = ink.ground_style + (segment.style or NOTHING)
    if segment.text.isspace() and not style.reverse:
        style = Style(bgcolor=style.bgcolor)
    return Segment(segment.text, _same.setdefault(style, style))


def _cell(step: StepView, look: Look, place: Place, ink: Ink, row: int, first: int, end: int) -> Segment:
    body, colour, top = place.body, ink.pitch(step.note), row * 2
    if step.free and not place.low <= step.note <= place.high and row == first // 2 and step.heard:
        arrow = "▲" if step.note > place.high else "▼"
        return Segment(arrow * body, Style(color=colour, bold=True))
    ghost = not step.at_home and (step.home_note != step.note or step.home_heard != step.heard)
    is_ghost = ghost and not place.bare and place.halves(step.home_note)[0] // 2 == row
    if not step.heard:
        if row == first // 2:
            mark = "×" if step.rhythm == "rest" else "·"
            line = mark.center(body) if body < 3 else mark.center(body, "╌")
            return Segment(line, _air(look, ink) + Style(color=colour, bold=look.playing))
        return _empty(is_ghost, body, look, ink)
    head = (first <= top < end, first <= top + 1 < end)
    head_colour = (ink.ground.strong if ink.fills else "bright_white") if look.playing and ink.fills else colour
    shade = ink.shade(step.note, look.playing)
    if head == (True, True):
        return Segment("█" * body, Style(color=head_colour, bold=look.playing))
    if head == (True, False):
        return Segment("▀" * body, Style(color=head_colour, bgcolor=shade, bold=look.playing))
    if head == (False, True):
        return Segment("▄" * body, _air(look, ink) + Style(color=head_colour, bold=look.playing))
    if top < first:
        return _empty(is_ghost, body, look, ink)
    if is_ghost:
        return Segment("┈" * body, ink.strong + Style(bgcolor=shade) if ink.fills else ink.strong)
    if ink.fills:
        return Segment(" " * body, Style(bgcolor=shade))
    return Segment(("▓" if look.playing else "░") * body, Style(color=colour))


def _air(look: Look, ink: Ink) -> Style:
    """Return the style of a column's empty cells: the playhead is a faint band from top to bottom."""
    return ink.raised if look.playing else NOTHING


def _empty(is_ghost: bool, body: int, look: Look, ink: Ink) -> Segment:
    if is_ghost:
        return Segment("┈" * body, _air(look, ink) + ink.faint)
    return Segment(" " * body, _air(look, ink))


def _link(step: StepView, look: Look, place: Place, row: int, first: int) -> str:
    """Return the gap's glyph: a slide runs from head to head, a tie goes straight on."""
    here = first // 2
    if place.bare or not step.heard or step.linked not in ("slide", "tie"):
        return " "
    if step.linked == "tie":
        return "━" if row == here else " "
    if look.next_note < 0:
        return " "  # a rest ends the slide
    there = place.halves(look.next_note)[0] // 2
    if here == there:
        return "━" if row == here else " "
    if min(here, there) <= row <= max(here, there):
        return "╱" if there < here else "╲"
    return " "


def marks(step: StepView) -> str:
    """Return a step's marks, the most telling first; the help page explains them."""
    found = "◆" if step.pinned else ""
    found += "○" if step.free else ""
    found += {"slide": "~", "tie": "="}.get(step.linked, "") if step.heard else ""
    found += str(step.ratchet) if step.ratchet > 1 else ""
    found += "÷" if step.pass_of > 1 else ""
    found += "•" if step.rhythm == "sound" else ""
    return found + ("'" if not step.at_home else "")


def _foot(step: StepView, look: Look, body: int, ink: Ink) -> list[tuple[Segment, ...]]:
    label = str(step.index)
    if body >= 4 and look.chosen:
        label = f"[{label}]"
    if body < 2:
        label = str(step.index % 10) if step.index % 4 else ("+" if step.index < 10 else str(step.index // 10))
    label = label[:body].center(body)
    if look.playing:
        style = Style(color=ink.ground.paper, bgcolor=ink.ground.strong, bold=True) if ink.fills else ink.chosen
    else:
        style = ink.hand if look.chosen else ink.faint
    if look.chosen and body < 4 and not look.playing:
        style = ink.chosen
    # a wide column lights four cells of its number row, not all: two steps at 20 a second must not flash large
    edge = (body - 4) // 2 if look.playing and body > 5 else 0
    sides = (Segment(" " * edge, NOTHING), Segment(" " * (body - 4 - edge), NOTHING)) if edge else ()
    number = (sides[0], Segment(label.strip().center(4), style), sides[1]) if sides else (Segment(label, style),)
    name = step.name if step.heard else ("×" if step.rhythm == "rest" else "–")
    name_style = Style(color=ink.pitch(step.note), bold=True, underline=step.rhythm == "sound")
    if not step.heard:
        name_style = ink.text if step.rhythm == "rest" else ink.faint
    if body < 3:
        # too narrow for an octave: the letter with its accidental, or the letter alone
        name = name[:1] if body < 2 or len(name) < 3 else name[:2]
    level = BARS[min(7, step.velocity * 8 // 128)] if step.heard else " "
    found = marks(step)
    text = found if len(found) <= body else (found[: body - 1] + "+" if body > 1 else found[:1])
    return [
        number,
        (Segment(name[:body].center(body), name_style),),
        (Segment(level * body, Style(color=ink.pitch(step.note))),),
        (Segment(text.center(body), ink.hand if look.chosen else ink.text),),
    ]
