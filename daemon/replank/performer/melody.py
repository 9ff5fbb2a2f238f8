"""The line's memory: its form, home, trail, snapshots, and what a cycle's end does.

The melody knows nothing of time or MIDI.  It decides mutations when the last
step of a cycle begins and applies them before the next first step, so that
whoever looks ahead over the seam sees the step that will sound.
"""

from __future__ import annotations

from collections import deque
from typing import Any, NamedTuple

from replank.control.setup import Piece
from replank.line.chance import DRAW, HAND, MUTATE, Numbers
from replank.line.generate import Shape, draw, written
from replank.line.kinds import Chances
from replank.line.lenses import Lens
from replank.line.mutation import by_turn, may_change, mutate, sparing
from replank.line.steps import STEPS, Change, Form, Step, home_as_written
from replank.line.trail import Trail

HISTORY = 64
"""Cycles whose notes are kept for the history picture."""


class Kept(NamedTuple):
    """A snapshot: the exact copy of a form and of what shaped it.

    Attributes:
        name: Its name.
        cycle: The cycle in which it sounded; 0 came with the set.
        form: Steps, home, length.
        values: Every parameter that snapshots keep.
    """

    name: str
    cycle: int
    form: Form
    values: dict[str, Any]

    def save(self) -> list[Any]:
        """Return plain data."""
        return [self.name, self.cycle, save_form(self.form), dict(self.values)]

    @classmethod
    def restore(cls, plain: list[Any]) -> Kept:
        """Rebuild what `save` took apart."""
        return cls(plain[0], plain[1], load_form(plain[2]), dict(plain[3]))


def save_form(form: Form) -> list[Any]:
    """Return a form as lists."""
    return [[list(s) for s in form.steps], [list(s) for s in form.home], form.length]


def load_form(plain: list[Any]) -> Form:
    """Rebuild a form."""
    return Form(tuple(Step(*s) for s in plain[0]), tuple(Step(*s) for s in plain[1]), plain[2])


class Melody:
    """The line and all that happened to it."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.steps: list[Step] = [Step()] * STEPS
        self.home: list[Step] = [Step()] * STEPS
        self.trail = Trail()
        self.snapshots: dict[str, Kept] = {}
        self.forgotten: list[tuple[Kept, int]] = []  # with the number of the trail's last unit then
        self.cycle = 1  # counts through the whole show
        self.passes = 1  # cycles since the piece began; what turns and dice count
        self.moment = 0  # mutation moments since the piece began
        self.draws = 0
        self.by_hand = 0
        self.played = 0  # bit i: step i was heard as itself, sounding or resting, since the last moment
        self.edited = [0] * STEPS  # cycle in which a hand last touched the step
        self.changed: list[tuple[int, str]] = [(0, "")] * STEPS
        self.pending: list[Change] = []
        self.is_decided = False
        self.decided = 0  # moments that `pending` stands for
        self.advances = 0  # steps in this cycle
        self.has_ended = False  # a cycle has ended, the next has not begun; only within one event
        self.muted_advances = 0
        self.settle_need = 0
        self.settle_left = 0  # cycles still to be heard in full
        self.settle_from = 0  # advances of this cycle that came before the settling began
        self.shortest_whole = 0  # steps of the last cycle that was cut short, while settling
        self.last: Kept | None = None
        self.sounded: list[int] = [-2] * STEPS  # notes of this cycle; -1 rest, -2 not reached
        self.stood_in: dict[int, Step] = {}  # steps that sounded in this cycle in place of the line's own
        self.history: deque[tuple[int, tuple[int, ...]]] = deque(maxlen=HISTORY)
        self.mutations = 0

    # -- form ------------------------------------------------------------------

    def form(self, length: int) -> Form:
        """Return the form as it is now."""
        return Form(tuple(self.steps), tuple(self.home), length)

    def take(self, form: Form) -> None:
        """Make a form the present one."""
        self.steps = list(form.steps)
        self.home = list(form.home)
        self.pending = []

    def redraw(self, lens: Lens, shape: Shape) -> None:
        """Draw a new line over all unpinned steps; it is its own home."""
        numbers = Numbers(self.seed, DRAW, self.draws)
        self.draws += 1
        self.steps = list(draw(lens, shape, numbers, self.steps))
        self.home = list(self.steps)
        self.pending = []

    def write(self, piece: Piece) -> None:
        """Make a piece's written line the present one, and its home the home."""
        numbers = Numbers(self.seed, DRAW, self.draws)
        self.draws += 1
        self.steps = list(written(piece.line, numbers, piece.rolls))
        self.home = list(home_as_written(self.steps, piece.home, piece.home_rolls))
        self.pending = []

    def begin_piece(self, seed: int) -> None:
        """Begin the chances of a piece at its seed."""
        self.seed = seed
        self.moment = self.draws = self.by_hand = 0
        self.passes = 1
        self.pending, self.is_decided = [], False
        self.played = 0

    # -- settling --------------------------------------------------------------

    def settle(self, cycles: int) -> None:
        """Let no mutation happen until so many cycles were heard in full."""
        self.settle_need = self.settle_left = cycles
        self.settle_from = self.advances
        self.shortest_whole = 0
        self.pending = []

    def left_after_this_cycle(self, by_itself: bool) -> int:
        """Return how many cycles are still to be heard once this one has ended."""
        # A cycle counts when it was heard whole since the settling began.  A
        # clock that resets the line before its end in the same place each time
        # plays a shorter line, and one that answers is silent in the same
        # places: those count too, or the line would never move.
        heard = self.advances - self.muted_advances
        whole = self.settle_from == 0 and heard > 0
        if whole and (self.muted_advances or not by_itself):
            whole = self.shortest_whole > 0 and heard >= self.shortest_whole
        return max(0, self.settle_left - whole)

    # -- steps and cycles ------------------------------------------------------

    def step_begins(self, index: int, itself: bool, silent: bool = False) -> None:
        """Note that a step is played, as a note or a rest.

        Args:
            index: From 0.
            itself: It is heard as itself, so that it may mutate: not silenced, not covered.
            silent: Nothing of it is heard, so that it does not count towards settling.
        """
        self.advances += 1
        self.muted_advances += silent
        if itself:
            self.played |= 1 << index

    def candidates(self, length: int) -> list[int]:
        """Return the steps that may mutate: heard as themselves, unpinned, not forced to rest, not just edited."""
        return [
            i
            for i in range(length)
            if self.played >> i & 1 and may_change(self.steps[i]) and self.edited[i] != self.cycle
        ]

    def decide(self, length: int, lens: Lens, chance: float, chances: Chances, moments: int = 1) -> None:
        """Decide this moment's mutations.  Uses a fixed count of numbers whatever comes of it.

        Args:
            length: Played steps.
            lens: Root, scale and register.
            chance: Of mutations, in each moment.
            chances: How steps mutate.
            moments: Moments that happen one after another, each upon the former ones.
        """
        self.is_decided, self.decided = True, moments
        self.pending = []
        steps, able = self.steps[:length], self.candidates(length)
        for _ in range(moments):
            numbers = Numbers(self.seed, MUTATE, self.moment, slot=1)
            self.moment += 1
            if numbers.at(0) < chance:
                first_turn = self.pending[-1].turn + 1 if self.pending else 0
                made = mutate(steps, self.home, able, lens, chances, numbers, first_turn)
                for change in made:
                    steps[change.index] = change.after
                self.pending += made

    def mutate_by_hand(self, length: int, lens: Lens, chances: Chances) -> list[Change]:
        """Mutate now, also under hold and while settling; return the changes made."""
        numbers = Numbers(self.seed, HAND, self.by_hand, slot=1)
        self.by_hand += 1
        able = [i for i in range(length) if may_change(self.steps[i])]
        played = [i for i in able if self.played >> i & 1] or able
        steps = self.steps[:length]
        made = self.apply(mutate(steps, self.home, played, lens, chances, numbers))
        if not made:
            # A homing that found its step at home changes nothing; a hand that asks for a change gets one.
            numbers.slot = 1
            away = chances._replace(homing=0.0)
            made = self.apply(mutate(steps, self.home, played, lens, away, numbers))
        self.pending = sparing(self.pending, {change.index for change in made})
        return made

    def ahead(self, index: int, over_seam: bool) -> Step:
        """Return the step `index` as it will be when it is next played."""
        if over_seam and self.pending:
            for change in reversed(self.pending):
                if change.index == index:
                    return change.after
        return self.steps[index]

    def apply(self, changes: list[Change]) -> list[Change]:
        """Apply each turn whose steps are still as they were when it was decided; return what has changed.

        Changes of a step that later ones return to what it was are left out.
        """
        before, done = list(self.steps), []
        for turn in by_turn(changes):
            if all(self.steps[change.index] == change.before for change in turn):
                for change in turn:
                    self.steps[change.index] = change.after
                done += turn
        done = [change for change in done if self.steps[change.index] != before[change.index]]
        for change in done:
            self.changed[change.index] = (self.cycle, change.kind)
        self.mutations += len({change.turn for change in done})
        return done

    def end_cycle(self, length: int, values: dict[str, Any], by_itself: bool) -> None:
        """Close a cycle: remember it as it sounded, count what settles."""
        form = self.form(length)
        if self.stood_in:  # what is kept is what was heard
            form = form._replace(steps=tuple(self.stood_in.get(i, step) for i, step in enumerate(form.steps)))
            self.stood_in = {}
        self.last = Kept(f"cycle-{self.cycle}", self.cycle, form, values)
        self.history.append((self.cycle, tuple(self.sounded[:length])))
        self.settle_left = self.left_after_this_cycle(by_itself)
        self.shortest_whole = self.advances - self.muted_advances if not self.settle_from else 0
        self.has_ended = True
        self.settle_from = self.muted_advances = self.advances = 0
        self.cycle += 1
        self.passes += 1
        self.sounded = [-2] * STEPS

    def release_decided(self, may: bool) -> list[Change]:
        """Apply the decided mutations, or drop them where `may` is False; begin a new moment."""
        changes, self.pending, self.is_decided = self.pending, [], False
        self.played = 0
        return self.apply(changes) if may else []

    def interrupted(self) -> None:
        """Begin the present cycle anew: nothing of it has been heard, nothing is decided."""
        self.pending, self.is_decided = [], False
        self.played = self.advances = self.muted_advances = 0
        self.stood_in = {}
        self.sounded = [-2] * STEPS

    def save(self) -> dict[str, Any]:
        """Return everything as plain data."""
        return {
            "seed": self.seed,
            "form": save_form(self.form(0)),
            "trail": self.trail.save(),
            "snapshots": [kept.save() for kept in self.snapshots.values()],
            "forgotten": [[kept.save(), number] for kept, number in self.forgotten],
            "counts": [getattr(self, name) for name in _COUNTS],
            "edited": list(self.edited),
            "changed": [list(pair) for pair in self.changed],
            "pending": [[*c[:2], list(c.before), list(c.after), *c[4:]] for c in self.pending],
            "decided": [self.is_decided, self.decided],
            "last": self.last.save() if self.last else None,
            "sounded": list(self.sounded),
            "stood_in": [[index, list(step)] for index, step in self.stood_in.items()],
            "history": [[cycle, list(notes)] for cycle, notes in self.history],
        }

    @classmethod
    def restore(cls, plain: dict[str, Any]) -> Melody:
        """Rebuild what `save` took apart."""
        made = cls(plain["seed"])
        made.take(load_form(plain["form"]))
        made.trail = Trail.restore(plain["trail"])
        made.snapshots = {kept.name: kept for kept in map(Kept.restore, plain["snapshots"])}
        made.forgotten = [(Kept.restore(kept), number) for kept, number in plain["forgotten"]]
        for name, value in zip(_COUNTS, plain["counts"], strict=True):
            setattr(made, name, value)
        made.edited = list(plain["edited"])
        made.changed = [(cycle, kind) for cycle, kind in plain["changed"]]
        made.pending = [Change(i, kind, Step(*a), Step(*b), *more) for i, kind, a, b, *more in plain["pending"]]
        made.is_decided, made.decided = plain["decided"]
        made.last = Kept.restore(plain["last"]) if plain["last"] else None
        made.sounded = list(plain["sounded"])
        made.stood_in = {index: Step(*step) for index, step in plain["stood_in"]}
        made.history.extend((cycle, tuple(notes)) for cycle, notes in plain["history"])
        return made


_COUNTS = (
    "cycle", "passes", "moment", "draws", "by_hand", "played", "advances", "muted_advances",
    "settle_need", "settle_left", "settle_from", "shortest_whole", "mutations",
)  # fmt: skip
