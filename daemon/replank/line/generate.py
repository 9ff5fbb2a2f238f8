"""A new line: drawn by a walk over the scale in returning cells, or written by a person.

The walk's probabilities are common practice turned into numbers, without a
published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from replank.line.chance import Numbers
from replank.line.fit import pick
from replank.line.lenses import Lens, reflect, root_pitch
from replank.line.metre import OFF, STRENGTHS
from replank.line.steps import STEPS, Rolls, Step, Written, as_written, rolls_of
from replank.line.walk import BY_ONE, BY_TWO, REPEATS, arrivals, ways

SLOTS = 16
"""Numbers that each step of a new line has for itself."""
(_MOVE, _WAY, _LEAP, _REST, _ACCENT, _VELOCITY, _LINK, _REST_KEY, _ACCENT_KEY, _SHIFT, _TURNED, _TURN, _CLOSE,
 _ENTRY, _ENTRY_WAY) = range(15)  # fmt: skip

SCHEMES = ("free", "aaba", "aaab", "abac", "abab")
CELLS = 4
"""Cells of a line that is not drawn free."""
TIED = 4
"""Tones at the end of a cell that lead to where a returning one begins."""
SHIFTS = (0, 0, -1, 1)
"""By how many degrees a returning cell is moved, each with the same chance."""
TURNED = 0.5
"""Chance that a returning cell's last tone is moved one degree more."""
ENTRIES = (2, 3, 4)
"""Degrees between a new letter's beginning and the tone before it."""
ROOT_CLOSE = 2.0 / 3.0
"""Chance that the line's last tone is the root; else it stands a fifth above."""

_BELOW_ONE = 1.0 - 2.0**-53


class Shape(NamedTuple):
    """What a line is drawn by.

    Attributes:
        leap: The largest move in degrees, 1 to 14.
        scheme: One of `SCHEMES`.
        length: Steps that are played, 1 to 64.
        metric: How much the meter decides which steps rest last, 0 to 1.
        places: The class of each of the 64 steps, from `metre.place_classes`.
    """

    leap: int
    scheme: str = "free"
    length: int = STEPS
    metric: float = 0.0
    places: tuple[int, ...] = (0,) + (OFF,) * (STEPS - 1)


def has_cells(scheme: str, length: int) -> bool:
    """Tell whether a line of this length is drawn by the scheme, not free."""
    return scheme != "free" and length >= 16 and length % CELLS == 0


def twin_marks(scheme: str, length: int) -> tuple[int, ...]:
    """Return the mark of each of the 64 steps of a drawn line, 0 for none.

    Steps at the same place of the same letter are twins; the last step of the
    line is none.  What follows `length` repeats it.
    """
    if not has_cells(scheme, length):
        return (0,) * STEPS
    marks = [1 + source for source in _sources(scheme, length)]
    marks[length - 1 :: length] = [0] * (STEPS // length)
    return tuple(marks)


def mean_twins(scheme: str, length: int) -> float:
    """Return the mean number of twins of the played steps of a line that was just drawn."""
    marks = twin_marks(scheme, length)[:length]
    return len([1 for mark in marks if mark for other in marks if other == mark]) / length - (
        len([1 for mark in marks if mark]) / length
    )


def _sources(scheme: str, length: int) -> list[int]:
    """Return for each of 64 steps the step of the same place in its letter's first cell."""
    cell = length // CELLS
    return [scheme.index(scheme[index % length // cell]) * cell + index % cell for index in range(STEPS)]


def draw(lens: Lens, shape: Shape, numbers: Numbers, before: Sequence[Step] | None = None) -> tuple[Step, ...]:
    """Draw a line of 64 steps.

    Step 1 is the root nearest to the middle of the register; then a walk over
    the scale tones of the register, which reflects at its edges, free or in
    the cells of the scheme.  Rest and accent rolls are given by rank, so that
    at this length a chance silences or accents exactly its share of the steps
    that are not pinned.

    Args:
        lens: Root, scale and register.
        shape: By what it is drawn.
        numbers: A fixed count is used: `SLOTS` a step, from its present slot.
        before: The line until now: its pinned steps are kept, and the walk
            goes on from them.
    """
    drawing = _Drawing(lens, shape, numbers, before)
    numbers.slot += SLOTS * STEPS
    marks = twin_marks(shape.scheme, shape.length)
    if has_cells(shape.scheme, shape.length):
        tones, velocities = drawing.cells(), _sources(shape.scheme, shape.length)
    else:
        tones, velocities = drawing.walked(0, STEPS, drawing.root, []), list(range(STEPS))
    rests = _rolls(drawing, marks, _REST_KEY, _REST, reverse=False)
    accents = _rolls(drawing, marks, _ACCENT_KEY, _ACCENT, reverse=True)
    steps = []
    for index, place in enumerate(tones):
        pinned = drawing.pinned[index]
        source = drawing.pinned[velocities[index]]
        if pinned:  # as it is, but among the twins of this drawing
            steps.append(pinned if pinned.twin == marks[index] else pinned._replace(twin=marks[index]))
            continue
        steps.append(Step(
            pitch=lens.tones[place],
            rest=rests[index],
            accent=accents[index],
            velocity=source.velocity if source else drawing.number(velocities[index], _VELOCITY),
            link=drawing.number(index, _LINK),
            twin=marks[index],
        ))  # fmt: skip
    return tuple(steps)


def written(line: Sequence[Written], numbers: Numbers, rolls: Sequence[Rolls] = ()) -> tuple[Step, ...]:
    """Return the 64 steps of a written line, repeated as often as it fits.

    Without rolls they are drawn, for each of the 64 steps.  The rest rolls then lie in the
    upper half, so that a written melody is whole until `rest_chance` passes one
    half, and thins from there.

    Args:
        line: What is written, 1 to 64 steps.
        numbers: A fixed count is used, as by `draw`.
        rolls: Of each step of `line`, repeated with it; empty: drawn.

    Raises:
        ValueError: No step.
    """
    if not line:
        raise ValueError("a written line needs at least one step")
    first = numbers.slot
    numbers.slot += SLOTS * STEPS
    steps = []
    for index in range(STEPS):
        place = index % len(line)
        drawn = _rolled(line[place].pitch, numbers, first + SLOTS * index, 0.9 if index == 0 else 0.5)
        steps.append(as_written(line[place], rolls[place] if rolls else rolls_of(drawn)))
    return tuple(steps)


def _rolled(pitch: int, numbers: Numbers, slot: int, lowest_rest: float) -> Step:
    """Return a step of a pitch with new rolls, its rest roll in [lowest_rest, 1)."""
    rest = lowest_rest + (1.0 - lowest_rest) * numbers.at(slot + _REST)
    return Step(
        pitch=pitch,
        rest=min(rest, _BELOW_ONE),
        accent=numbers.at(slot + _ACCENT),
        velocity=numbers.at(slot + _VELOCITY),
        link=numbers.at(slot + _LINK),
    )


class _Drawing:
    """A line that is being drawn, its tones counted as places among those of the register."""

    def __init__(self, lens: Lens, shape: Shape, numbers: Numbers, before: Sequence[Step] | None) -> None:
        self.lens = lens
        self.shape = shape
        self.count = len(lens.tones)
        self.root = lens.degree_index(root_pitch(lens))
        self.pinned = [step if step.pinned else None for step in before] if before else [None] * STEPS
        self._numbers, self._first = numbers, numbers.slot

    def number(self, index: int, slot: int) -> float:
        """Return one of the numbers of a step."""
        return self._numbers.at(self._first + SLOTS * index + slot)

    def held(self, index: int, place: int) -> int:
        """Return the place of a step: that of a pinned one, else the one given."""
        pinned = self.pinned[index]
        return place if pinned is None else self.lens.degree_index(self.lens.base(pinned))

    def walked(self, start: int, count: int, entry: int, arrive: Sequence[Sequence[float]]) -> list[int]:
        """Return the places of a walk over `count` steps that begins at `entry`.

        Args:
            start: Index of its first step.
            count: Its steps.
            entry: Place of its first step, unless that is pinned.
            arrive: For each number of moves that are left, the chance to arrive
                from each place at the tone to which the last steps are tied;
                nothing where none are.  The entry 0 is the tone itself.
        """
        place = self.held(start, entry)
        places = [place]
        for index in range(start + 1, start + count):
            left = start + count - index
            if left < len(arrive):
                place = self._led(index, place, arrive[left], arrive[0])
            else:
                place = reflect(place + _move(self.shape.leap, self, index), self.count)
            place = self.held(index, place)
            places.append(place)
        return places

    def _led(self, index: int, place: int, arrive: Sequence[float], goal: Sequence[float]) -> int:
        """Return the next place of a walk that has to arrive."""
        options = ways(self.count, self.shape.leap)[place]
        weights = [chance * arrive[there] for there, chance in options]
        if any(weights):
            able = [(there, weight) for (there, _), weight in zip(options, weights, strict=True) if weight]
            return able[pick([weight for _, weight in able], self.number(index, _MOVE))][0]
        away = goal.index(1.0) - place
        return place + max(-self.shape.leap, min(self.shape.leap, away))

    def cells(self) -> list[int]:
        """Return the places of 64 steps in the cells of the scheme."""
        scheme, size = self.shape.scheme, self.shape.length // CELLS
        places: list[int] = []
        shifts = [0] * CELLS
        for cell, letter in enumerate(scheme):
            start, source = cell * size, scheme.index(letter) * size
            if source < start:
                places += self._returned(start, places[source : source + size], shifts[cell])
                self._foresee(cell + 1, places, shifts)
                continue
            entry = self._entry(start, places[-1]) if places else self.root
            following = scheme[cell + 1 : cell + 2]
            if not following or scheme.index(following) > cell:
                places += self.walked(start, size, entry, [])
                continue
            self._foresee(cell + 1, places, shifts)
            walk = self._tied(start, size, entry, places, shifts[cell + 1])
            if following == letter and not self._fits(walk, shifts[cell + 1]):
                shifts[cell + 1] = 0
                walk = self._tied(start, size, entry, places, 0)
            places += walk
        last = self.shape.length - 1
        places[last] = self.held(last, self._close(places[last - 1]))
        return [self.held(index, places[index % self.shape.length]) for index in range(STEPS)]

    def _foresee(self, cell: int, places: Sequence[int], shifts: list[int]) -> None:
        """Decide by how much the returning cell of a number is moved."""
        scheme, size = self.shape.scheme, self.shape.length // CELLS
        if cell == CELLS or scheme.index(scheme[cell]) == cell:
            return
        shift = SHIFTS[int(self.number(cell * size, _SHIFT) * len(SHIFTS))]
        source = scheme.index(scheme[cell]) * size
        shifts[cell] = shift if self._fits(places[source : source + size], shift) else 0

    def _fits(self, places: Sequence[int], shift: int) -> bool:
        return all(0 <= place + shift < self.count for place in places)

    def _tied(self, start: int, size: int, entry: int, places: Sequence[int], shift: int) -> list[int]:
        """Return a walked cell whose end leads to the beginning of the returning cell after it."""
        source = self.shape.scheme.index(self.shape.scheme[(start + size) // size]) * size
        begins = places[source] if source < start else self.held(start, entry)
        goal = max(0, min(self.count - 1, self.held(start + size, begins + shift)))
        return self.walked(start, size, entry, arrivals(self.count, self.shape.leap, goal, min(TIED, size - 1)))

    def _returned(self, start: int, cell: Sequence[int], shift: int) -> list[int]:
        """Return a cell that comes again, moved as a whole, its last tone perhaps one degree more."""
        last = start + len(cell) - 1
        places = [place + shift for place in cell]
        if self.number(last, _TURNED) < TURNED and self.count > 1:
            way = 1 if self.number(last, _TURN) < 0.5 else -1
            places[-1] += way if 0 <= places[-1] + way < self.count else -way
        return [self.held(start + offset, place) for offset, place in enumerate(places)]

    def _entry(self, start: int, before: int) -> int:
        """Return where a new letter begins."""
        size = ENTRIES[int(self.number(start, _ENTRY) * len(ENTRIES))]
        way = 1 if self.number(start, _ENTRY_WAY) < 0.5 else -1
        if not 0 <= before + way * size < self.count:
            way = -way
        return reflect(before + way * size, self.count)

    def _close(self, before: int) -> int:
        """Return the line's last tone: a root or the tone a fifth above one, the nearest, ties downward."""
        lens = self.lens
        wanted = lens.root if self.number(self.shape.length - 1, _CLOSE) < ROOT_CLOSE else (lens.root + 7) % 12
        tones = [tone for tone in lens.tones if tone % 12 == wanted]
        tones = tones or [tone for tone in lens.tones if tone % 12 == lens.root]
        return lens.tones.index(min(tones, key=lambda tone: (abs(tone - lens.tones[before]), tone)))


def _move(leap: int, drawing: _Drawing, index: int) -> int:
    """Return one move of the walk, in degrees, up positive."""
    kind = drawing.number(index, _MOVE)
    if kind < REPEATS:
        return 0
    if kind < REPEATS + BY_ONE:
        size = 1
    elif kind < REPEATS + BY_ONE + BY_TWO:
        size = 2
    else:
        size = 3 + int(drawing.number(index, _LEAP) * max(leap - 2, 1))
    size = min(size, leap)
    return size if drawing.number(index, _WAY) < 0.5 else -size


def _rolls(drawing: _Drawing, marks: Sequence[int], key_slot: int, roll_slot: int, reverse: bool) -> list[float]:
    """Return a roll for each step by the rank of its key, in each stretch of the line's length.

    The weakest gets the lowest; with `reverse` the strongest.  Twins share the
    number of the first of them and the mean of their strengths, so that they
    stand side by side.
    """
    shape = drawing.shape
    numbered = [marks.index(mark) if mark else index for index, mark in enumerate(marks)]
    rolls = [0.0] * STEPS
    for begin in range(0, STEPS, shape.length):
        stretch = range(begin, min(begin + shape.length, STEPS))
        groups: dict[int, list[int]] = {}
        for index in stretch:
            groups.setdefault(numbered[index], []).append(index)
        keys: dict[int, float] = {}
        for first, group in groups.items():
            strength = 0.0
            for index in group:
                strength += STRENGTHS[shape.places[index]]
            strength /= len(group)
            key = shape.metric * strength + (1.0 - shape.metric) * drawing.number(first, key_slot)
            keys.update((index, key) for index in group)
        able = [index for index in stretch if drawing.pinned[index] is None]
        able.sort(key=lambda index: (index == 0, keys[index], -index), reverse=reverse)
        for rank, index in enumerate(able):
            rolls[index] = min((rank + drawing.number(index, roll_slot)) / len(able), _BELOW_ONE)
    return rolls
