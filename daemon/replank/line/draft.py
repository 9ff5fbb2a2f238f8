"""The played line while mutations are decided: what each step sounds as, who stands beside whom, what may be undone."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from replank.line.fit import NEARNESS, neighbours
from replank.line.heard import is_heard
from replank.line.lenses import Lens
from replank.line.steps import Step, same_music


class Draft:
    """A line and what follows from it, kept up as steps change.

    Attributes:
        steps: The played steps as they are by now.
        home: Their home.
        lens: Root, scale and register.
        places: For each step the index, among the tones of the register, of
            what it sounds as; of a free one the tone nearest to it.
        heard: For each step whether it sounds.
        was: What the steps were that have changed since `begin`.
    """

    __slots__ = (
        "_bases",
        "_beside",
        "_counts",
        "_fit",
        "_marks",
        "_rest_chance",
        "_variety",
        "heard",
        "home",
        "lens",
        "places",
        "steps",
        "was",
    )  # fmt: skip

    def __init__(self, steps: Sequence[Step], home: Sequence[Step], lens: Lens, rest_chance: float, fit: float) -> None:
        self.steps = list(steps)
        self.home = home
        self.lens = lens
        self._rest_chance = rest_chance
        self._fit = fit
        table = lens.table
        self._bases = [step.pitch if step.free else table[step.pitch] for step in self.steps]
        self.places = [lens.places[base] for base in self._bases]
        self.heard = [is_heard(step, rest_chance) for step in self.steps]
        self.was: dict[int, Step] = {}
        self._beside: dict[int, tuple[int, int]] = {}
        self._marks: dict[int, list[int]] | None = None
        self._counts: dict[int, int] = {}
        for base, heard in zip(self._bases, self.heard, strict=True):
            if heard:
                self._counts[base] = self._counts.get(base, 0) + 1
        self._variety = (0, 0, 0)

    # -- changing ----------------------------------------------------------------

    def begin(self) -> None:
        """Let what has changed so far stand; what changes from here on may be taken back."""
        self.was = {}
        self._variety = self._heard_variety()

    def take_back(self) -> None:
        """Undo what has changed since `begin`."""
        changed, self.was = self.was, {}
        for index, step in changed.items():
            self.put(index, step)
        self.was = {}

    def put(self, index: int, step: Step) -> None:
        """Make `step` the form of the step `index`."""
        self.was.setdefault(index, self.steps[index])
        self.steps[index] = step
        heard, base = is_heard(step, self._rest_chance), self.lens.base(step)
        if heard == self.heard[index] and base == self._bases[index]:
            return
        counts, before = self._counts, self._bases[index]
        if self.heard[index]:
            counts[before] -= 1
            if not counts[before]:
                del counts[before]
        if heard:
            counts[base] = counts.get(base, 0) + 1
        if heard != self.heard[index]:
            self._beside.clear()
        self.heard[index] = heard
        self._bases[index] = base
        self.places[index] = self.lens.places[base]

    def move(self, targets: Iterable[tuple[int, int, bool]]) -> None:
        """Move steps together, each as (index, pitch, whether it is free).

        Nothing else writes a pitch in a mutation.
        """
        for index, pitch, free in targets:
            self.put(index, self.steps[index]._replace(pitch=pitch, free=free))

    def exchange(self, name: str, index: int, roll: float, other: int) -> None:
        """Give a roll to a step and the one that it had to the step that had this; -1 where none had it.

        Nothing else writes a rest or accent roll in a mutation, so that the
        rolls of a line stay the same ones, whatever step has them.
        """
        had = getattr(self.steps[index], name)
        for one, given in ((index, roll), (other, had)):
            if one >= 0:
                step = self.steps[one]
                self.put(one, step._replace(rest=given) if name == "rest" else step._replace(accent=given))

    # -- asking ------------------------------------------------------------------

    def is_home(self, index: int) -> bool:
        """Tell whether a step is at home."""
        return self.steps[index] is self.home[index] or same_music(self.steps[index], self.home[index])

    def holder(self, name: str, index: int) -> int:
        """Return the unpinned step that has a step's home roll without being at home in it; -1 for none."""
        roll = getattr(self.home[index], name)
        for other, step in enumerate(self.steps):
            if getattr(step, name) == roll and not step.pinned and getattr(self.home[other], name) != roll:
                return other
        return -1

    def twins(self, index: int, able: Collection[int]) -> list[int]:
        """Return the twins of a step among `able`."""
        mark = self.steps[index].twin
        if not mark:
            return []
        if self._marks is None:
            self._marks = {}
            for place, step in enumerate(self.steps):
                if step.twin:
                    self._marks.setdefault(step.twin, []).append(place)
        return [twin for twin in self._marks[mark] if twin != index and twin in able]

    def is_alike(self, one: int, other: int) -> bool:
        """Tell whether two steps are as many degrees apart as their home forms are."""
        places, home = self.places, self._home_place
        return places[one] - places[other] == home(one) - home(other)

    def _home_place(self, index: int) -> int:
        return self.lens.places[self.lens.base(self.home[index])]

    def fit(self, moved: dict[int, int]) -> float:
        """Return what the places of some steps weigh, as they would stand together.

        Args:
            moved: Places by step.
        """
        weight, places, even, full = 1.0, self.places, 1.0 - self._fit, self._fit
        for index, place in moved.items():
            beside = self._beside.get(index)
            if beside is None:
                beside = self._beside[index] = neighbours(self.heard, index)
            before, after = beside
            if before < 0:
                continue
            before = moved[before] if before in moved else places[before]
            after = moved[after] if after in moved else places[after]
            weight *= even + full * NEARNESS[abs(place - before)] * NEARNESS[abs(place - after)]
        return weight

    # -- variety -----------------------------------------------------------------

    def _heard_variety(self) -> tuple[int, int, int]:
        """Return how many pitches are heard, the most steps on one of them, and the heard steps."""
        counts, total = self._counts.values(), 0
        for count in counts:
            total += count
        return len(counts), max(counts, default=0), total

    def is_poorer(self) -> bool:
        """Tell whether what changed since `begin` leaves too little of a melody."""
        pitches, most, heard = self._heard_variety()
        pitches_before, most_before, heard_before = self._variety
        if not heard or not heard_before:
            return False
        if pitches < pitches_before and pitches < min(4, (heard + 1) // 2):
            return True
        return most * heard_before > most_before * heard and 2 * most > heard
