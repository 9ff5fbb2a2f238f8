"""The line: every step as a column, the register as height, the playhead over it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region
from textual.strip import Strip

from replank.dashboard.columns import BARS, FOOT, Column, Look, Place, column, joined
from replank.dashboard.paint import Panel
from replank.dashboard.view import State, StepView
from replank.line.pitch import note_name

AXIS = 5
"""Cells left of the first column, for note names."""
PAGES = (48, 32, 24, 16, 12, 8, 4)
WIDEST = 12


class Arrangement(NamedTuple):
    """Which steps are shown and where: 0-based first, how many, cells each, and if there are more."""

    first: int
    shown: int
    width: int
    paged: bool


def arrange(length: int, cells: int, way: str, step: int, kept_first: int) -> Arrangement:
    """Choose the steps that are shown.

    Args:
        length: Steps that are played.
        cells: Cells for all columns together.
        way: follow (pages along with the playhead), stay, or whole (all, however narrow).
        step: The step that is to be seen, 1-based; 0 none.
        kept_first: First step shown now, 0-based, kept where the way is stay.
    """
    if not length or cells < 4:
        return Arrangement(0, 0, 1, False)
    if length * 3 <= cells or (way == "whole" and length <= cells):
        return Arrangement(0, length, min(WIDEST, cells // length), False)
    size = next((page for page in PAGES if page * 3 <= cells), max(1, cells // 3))
    first = kept_first - kept_first % size
    if way != "stay" and step:
        first = (step - 1) - (step - 1) % size
    first = min(first, (length - 1) - (length - 1) % size)
    return Arrangement(first, min(size, length - first), min(WIDEST, cells // size), True)


def display_range(state: State) -> tuple[int, int]:
    """Return the lowest and highest note of the picture: the register, moved as the line is."""
    moves = sorted(s.note - s.base for s in state.steps[: state.length] if not s.free)
    by = moves[len(moves) // 2] if moves else 0
    return state.low + by, state.high + by


def runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """Return (first, how many) of each run of neighbours in rising numbers."""
    found: list[tuple[int, int]] = []
    for n in numbers:
        if found and n == sum(found[-1]):
            found[-1] = (found[-1][0], found[-1][1] + 1)
        else:
            found.append((n, 1))
    return found


class Contour(Panel):
    """The line as a contour over the register.

    Args:
        bare: True draws heads and towers alone, for the far view.
    """

    def __init__(self, *, bare: bool = False, id: str | None = None) -> None:
        super().__init__(id=id)
        self.bare = bare
        self.arrangement = Arrangement(0, 0, 1, False)
        self._columns: list[Column] = []
        self._left: list[Segment] = []
        self._extra: Strip | None = None
        self._was = 0
        self._rows: dict[int, Strip] = {}
        self._tiny: list[Segment] = []
        self._tiny_key: tuple[object, ...] = ()
        self._frame: tuple[object, ...] = ()

    def _step(self) -> int:
        app = self.watch_app
        return 0 if app.ui.calm else app.ui.step

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        app = self.watch_app
        marks = tuple((i, m[2]) for i, m in app.model.fresh_marks().items())
        return (app.model.version, self._step(), app.ui.selected, app.ui.way, marks, app.model.attached)

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Unused: columns are drawn in `paint`."""
        return []

    def paint(self) -> None:
        """Draw the columns that changed."""
        width, height = self.size
        if not width or height < 3:
            return
        app = self.watch_app
        key = (width, height, app.ink, self.key())
        if key == self._key:
            return
        self._key = key
        state = app.model.state
        seen = app.ui.selected or self._step()
        arranged = arrange(state.length, width - AXIS, app.ui.way, seen, self.arrangement.first)
        self.arrangement = arranged
        extra = 1 if arranged.paged else 0
        rows = height - 1 - extra - (0 if self.bare else FOOT)
        low, high = display_range(state)
        place = Place(arranged.width, max(1, rows), low, high, self.bare)
        columns = self._draw_columns(state, arranged, place)
        self._rows.clear()
        frame = (width, height, arranged, place, app.ink, state.root, state.tones, state.middle_c)
        old, self._columns = self._columns, columns
        tiny_key, was = self._tiny_key, self._was
        self._extra = self._overview(state, arranged, width) if arranged.paged else None
        if frame != self._frame or len(old) != len(columns):
            self._frame = frame
            self._left = self._axis(state, place, rows)
            self.refresh()
            return
        regions = [
            Region(AXIS + first * place.width, extra, count * place.width, height - extra)
            for first, count in runs([at for at, new in enumerate(columns) if new is not old[at]])
        ]
        if extra and self._tiny_key != tiny_key:
            regions.append(Region(0, 0, width, 1))
        elif extra:
            regions += [Region(AXIS + at - 1, 0, 1, 1) for at in {was, self._step()} if at]
        self._was = self._step()
        if regions:
            self.refresh(*regions)

    def _draw_columns(self, state: State, arranged: Arrangement, place: Place) -> list[Column]:
        app, playing = self.watch_app, self._step()
        marked = app.model.fresh_marks()
        found = []
        for at in range(arranged.first, arranged.first + arranged.shown):
            step = state.steps[at]
            following = state.steps[(at + 1) % state.length]
            mark = marked.get(step.index)
            look = Look(
                playing=step.index == playing, chosen=step.index == app.ui.selected and not self.bare,
                mark="" if mark is None else ("silent" if mark[2] else "heard"),
                next_note=following.note if step.linked == "slide" and following.heard else -1,
            )  # fmt: skip
            found.append(column(step, look, place, app.ink))
        return found

    def _axis(self, state: State, place: Place, rows: int) -> list[Segment]:
        ink, names = self.watch_app.ink, {}
        by = place.low - state.low
        for tone in state.tones:
            note = min(127, max(0, tone + by))
            text = note_name(note, state.middle_c)
            is_root = text.rstrip("-0123456789") == state.root
            row = place.halves(note)[0] // 2
            if is_root or row not in names:
                names[row] = (text, is_root)
        ground = self.ground()
        found = [Segment(" " * AXIS, ground)]
        for row in range(rows):
            text, is_root = names.get(row, ("", False))
            found.append(Segment(f"{text:>4} ", ground + (ink.strong if is_root else ink.faint)))
        words = [] if self.bare else ["step", "note", "vel", ""]
        return found + [Segment(f"{word:>4} ", ground + ink.faint) for word in words]

    def _overview(self, state: State, arranged: Arrangement, width: int) -> Strip:
        """Return the whole line in one row, the shown part lit."""
        ink, playing = self.watch_app.ink, self._step()
        key = (state.steps, state.length, arranged, width, ink)
        if key != self._tiny_key:
            self._tiny_key, self._tiny = key, self._overview_still(state, arranged, width)
        segments = self._tiny
        if 0 < playing < len(segments) - 1:
            segments = segments.copy()
            segments[playing] = Segment(segments[playing].text, self.ground() + ink.strong + Style(reverse=True))
        return Strip(segments).adjust_cell_length(width, self.ground()).simplify()

    def _overview_still(self, state: State, arranged: Arrangement, width: int) -> list[Segment]:
        """Return the axis, a cell for each step, and the note on what is shown, without a playhead."""
        ink, ground, (low, high) = self.watch_app.ink, self.ground(), display_range(state)
        segments = [Segment(" " * AXIS, ground)]
        for step in state.steps[: min(state.length, width - AXIS)]:
            is_shown = arranged.first < step.index <= arranged.first + arranged.shown
            style = Style(color=ink.pitch(step.note)) if is_shown else ink.rule
            segments.append(Segment(_tiny(step, low, high), ground + style))
        first, last = arranged.first + 1, arranged.first + arranged.shown
        note = f"  steps {first} to {last} of {state.length}"
        if AXIS + state.length + len(note) > width:
            note = f"  {first}–{last}/{state.length}"
        return [*segments, Segment(note, ground + ink.text)]

    def render_line(self, y: int) -> Strip:
        """Return one row, put together from the columns once for each picture."""
        found = self._rows.get(y)
        if found is None:
            found = self._rows[y] = self._row(y)
        return found

    def _row(self, y: int) -> Strip:
        width = self.size.width
        if self._extra is not None:
            if y == 0:
                return self._extra
            y -= 1
        if y >= len(self._left) or not self._columns:
            return Strip.blank(width, self.ground())
        segments = [self._left[y]]
        for piece in self._columns:
            segments.extend(piece[y])
        rest = width - AXIS - len(self._columns) * self.arrangement.width
        segments.append(Segment(" " * rest, self.ground()))
        return Strip(joined(segments), width)

    def step_at(self, x: int) -> int:
        """Return the step, 1-based, under a cell column; 0 none."""
        at = (x - AXIS) // self.arrangement.width
        return self.arrangement.first + at + 1 if x >= AXIS and 0 <= at < self.arrangement.shown else 0

    def on_click(self, event: events.Click) -> None:
        """Choose the step under the pointer; twice turns it into its opposite."""
        index = self.step_at(event.x)
        if index:
            self.watch_app.do(f"flip:{index}" if event.chain == 2 else f"/step:{index}")

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Raise the chosen step by a degree."""
        self._scroll(event.x, "+1")

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Lower the chosen step by a degree."""
        self._scroll(event.x, "-1")

    def _scroll(self, x: int, amount: str) -> None:
        # only over the step that was chosen first: a brushed wheel must not edit
        if self.step_at(x) and self.step_at(x) == self.watch_app.ui.selected:
            self.watch_app.do(f"pitch:{self.step_at(x)}:{amount}")


def _tiny(step: StepView, low: int, high: int) -> str:
    if not step.heard:
        return "·"
    return BARS[min(7, max(0, (step.note - low) * 8 // (high - low + 1)))]
