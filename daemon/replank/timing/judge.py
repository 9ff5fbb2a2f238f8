"""The judge of the clock: by how many clocks the song moves at each that comes.

Every clock counts one, except where it comes more than half an interval, and
more than three times the jitter, from where the last 96 clocks say.  Then a
trial opens (`replank.timing.trial`): missing clocks are credited, clocks that
came twice are swallowed, and 6, 12 and 24 calm intervals later the grid
(`replank.timing.fit`) says whether that was right.

The count may be taken back; the line never is: it waits until the count has
passed it (`ahead`).  Integers only; times are nanoseconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

from replank.timing import trying
from replank.timing.fit import KEPT, QUARTER, Fit, fit
from replank.timing.follower import LOST_AT_LEAST, ClockFollower
from replank.timing.proofs import Credits
from replank.timing.trial import LEAST_NS, Trial
from replank.timing.trying import COUNTED, ESTIMATED, SURE, UNKNOWN

LONGEST = 8_000_000_000
"""A clock that is back within 8 s is judged; later the line goes on from where it stopped, ns."""
WARY = 96
"""Clocks without a credit at first."""
ROUGH = 96
"""Clocks for which an uneven look makes the clock loose."""

HEAL, WAIT, COAST = "heal", "wait", "coast"
"""What is done about missing clocks: made up; nothing; played on without them."""
WORDS = ("locked", "counted", "estimated", "unknown")
"""What the count is worth: SURE, COUNTED, ESTIMATED, UNKNOWN."""


class ClockJudge:
    """Counts a MIDI clock, through its holes.

    Args:
        grain: What stamps are rounded to, ns: 0 for those of frames and of the kernel, the port's period for those
            that a callback took.
        dropouts: heal, wait or coast.

    Attributes:
        grain, dropouts: As given; may be set at any time.
        pace: The tempo, for people and for gates.
        number: Of the last clock, as this judge counts them.
        received: Clocks so far, swallowed ones included.
        last: When the last one came, ns; -1 never.
        ahead: By how many clocks the line is ahead of the count, since credits were taken back: it waits for these.
        given: Somebody said where the line is.
        running: Between Start or Continue and Stop.
        looks: True where `look` is to be called, once the clock's messages are sent.
        holes: Holes so far, and `lost`, clocks that were lost in them.
        doubled: Clocks so far that came twice.
        news: (kind, clocks) since `tell`: made up, swallowed, taken back, missing, played on; shifted and two senders
            with 0.
        since: When the position was given or the transport changed: what the ear heard before is no matter, ns.
        excuse: A transport message came: a gap up to the next clock is none.
        numbers, stamps: The grid.
        fresh: It begins where the clock began, and not where a trial ended.
        trial: The open one.
        credits: What was made up and may be proved.
        swallows: `received` at the last clocks that came twice.
        doubt: What the count is worth, beside `trial` and `credits`.
        wary, burnt, rough: Until so many clocks are received nothing is credited at once, nothing is credited at all,
            the clock is loose.
    """

    __slots__ = (
        "_look", "_slow", "_turns", "ahead", "burnt", "credits", "doubled", "doubt", "dropouts", "excuse", "fresh",
        "given", "grain", "holes", "last", "looks", "lost", "news", "number", "numbers", "pace", "received", "rough",
        "running", "since", "stamps", "swallows", "trial", "wary",
    )  # fmt: skip

    def __init__(self, grain: int = 0, dropouts: str = HEAL) -> None:
        self.grain, self.dropouts = grain, dropouts
        self.pace = ClockFollower()
        self.number = self.received = self.ahead = self.holes = self.lost = self.doubled = 0
        self.last = self.since = -1
        self.given = self.running = self.looks = self.excuse = False
        self.news: list[tuple[str, int]] = []
        self.numbers: deque[int] = deque(maxlen=KEPT)
        self.stamps: deque[int] = deque(maxlen=KEPT)
        self.trial: Trial | None = None
        self.credits = Credits()
        self.swallows: list[int] = []
        self.doubt = SURE
        self.wary, self.burnt, self.rough = WARY, 0, 0
        self._look = self._turns = 0
        self._slow = self.fresh = True

    # -- clocks ----------------------------------------------------------------

    def clock(self, now: int) -> int:
        """Take a clock that came at `now`; return by how many clocks the line moves, 0 or more.  Times never fall."""
        pace = self.pace
        self.received = received = self.received + 1
        if received >= self._look:
            self.looks = True
        if self._slow or not 3 * pace.interval < 4 * (now - self.last) < 5 * pace.interval:
            return self._slowly(now)
        self.last = now
        self.number = number = self.number + 1
        self.numbers.append(number)
        self.stamps.append(now)
        pace.tick(now)
        if self.ahead and self.running:
            self.ahead -= 1
            return 0
        return 1

    def look(self) -> None:
        """Look at the grid, as is due each quarter note: nothing waits for it."""
        self.looks = False
        self._look = self.received + QUARTER
        latest: list[int] = []
        if self.trial is not None:
            latest = self.trial.latest
        elif len(self.stamps) > QUARTER and self.fit_grid().uneven:
            latest = [b - a for a, b in pairwise(list(self.stamps)[-QUARTER - 1 :])]
        if len(latest) == QUARTER and self.received >= self._turns and trying.is_interleaved(latest, self.grain):
            self._turns = self.received + 4 * QUARTER
            self.news.append(("two senders", 0))

    def fit_grid(self) -> Fit:
        """Return what the grid says, and mind whether it is uneven."""
        found = fit(list(self.numbers), list(self.stamps), self.grain)
        if found.uneven:
            self.rough = max(self.rough, self.received + ROUGH)
            self.doubts(COUNTED)
        return found

    def _slowly(self, now: int) -> int:
        """Take a clock that is not just the next one."""
        before, gap, trial = self.number, now - self.last, self.trial
        if trial is not None and (gap > LONGEST or (self.excuse and 2 * gap > 3 * trial.fit.interval)):
            trying.drop(self)
        if self.trial is not None:
            trying.go_on(self, self.trial, now, gap)
        elif len(self.stamps) < QUARTER or self.excuse:
            self._newly(now, gap)
        elif gap > LONGEST:
            self._anew(UNKNOWN, now)
        else:
            trying.out_of_place(self, now, gap)
        if self.running:
            self.excuse = False
        self._slow = self.trial is not None or self.excuse or len(self.stamps) < QUARTER
        return self._moved(self.number - before)

    def _moved(self, by: int) -> int:
        """Return how the line moves where the count does so: never back."""
        if not self.running:
            return max(by, 0)
        if by < 0:
            self.ahead -= by
            return 0
        waits = min(self.ahead, by)
        self.ahead -= waits
        return by - waits

    def count(self, now: int) -> None:
        """Count one clock of the grid."""
        self.number += 1
        self.numbers.append(self.number)
        self.stamps.append(now)
        self.pace.tick(now)
        self.last = now

    def _anew(self, doubt: int, now: int) -> None:
        """Count one, from which a new grid begins."""
        self.doubts(doubt)
        self.begin_grid(())
        self.fresh = True
        self.wary = max(self.wary, self.received + WARY)
        if doubt == UNKNOWN:
            self.pace.forget()
        self.pace.bridge(now)
        self.count(now)

    def _newly(self, now: int, gap: int) -> None:
        """Count a clock of a grid that has fewer than 24, or the first one after a transport message."""
        stamps, size = self.stamps, len(self.stamps)
        mean = (stamps[-1] - stamps[0]) // (size - 1) if size > 1 else 0
        if not size:
            self.pace.bridge(now)
            self.count(now)
        elif self.excuse and 2 * gap > 3 * (mean or self.pace.interval):
            self._anew(SURE, now)
        elif gap > LONGEST or (size > 4 and gap > max(4 * mean, LOST_AT_LEAST)):
            self._anew(UNKNOWN, now)
        elif 4 < size < QUARTER and gap >= LEAST_NS and 2 * abs(gap - mean) >= mean + 2 * self.grain:
            self._anew(ESTIMATED, now)
        else:
            self.count(now)
            if size + 1 == QUARTER:
                longest = max(b - a for a, b in pairwise(stamps))
                if 2 * (longest - self.grain) * size > 3 * (now - stamps[0]):
                    self.doubts(ESTIMATED)

    def begin_grid(self, stamps: Iterable[int]) -> None:
        """Let the grid be these clocks, of which the last is the last one counted."""
        self.numbers.clear()
        self.stamps.clear()
        self.append(stamps)
        self._slow = True

    def append(self, stamps: Iterable[int]) -> None:
        """Let these clocks join the grid; the last of them is the last one counted."""
        given = list(stamps)
        self.stamps.extend(given)
        self.numbers.extend(range(self.number - len(given) + 1, self.number + 1))

    def played_on(self, by: int) -> int:
        """The line played on by so many clocks of its own; return by how many it moves."""
        self._slow = True
        self.number += by
        return self._moved(by)

    # -- the ear ---------------------------------------------------------------

    def heard(self, stamps: Sequence[int]) -> int:
        """Take clocks that the host's ear heard and that never came here, by their stamps; return as `clock` does."""
        before = self.number
        for stamp in stamps:
            if not self.running or not self.since < stamp < self.last:
                continue
            trial = self.trial
            if trial is not None and trial.begins < stamp:
                self.number += trial.prove()
            elif self.credits.prove(stamp):
                # what came after it is one further; between its neighbours nobody had missed it
                moved = [number + (at > stamp) for number, at in zip(self.numbers, self.stamps, strict=True)]
                self.numbers = deque(moved, maxlen=KEPT)
                self.number += 1
        return self._moved(self.number - before)

    # -- transport -------------------------------------------------------------

    def start(self, now: int) -> None:
        """Start came: the position is given, and clocks move the line."""
        self.place(now)
        self.running = True

    def stop(self, now: int) -> None:
        """Stop came: clocks move nothing."""
        self._excused(now)
        self.running = False

    def go_on(self, now: int) -> None:
        """Continue came; while the line runs it tells that a Stop was lost."""
        if self.running and self.received:
            if self.trial is not None:
                before = self.number
                trying.take_back(self, self.trial)
                self._moved(self.number - before)
            self.doubts(ESTIMATED)
        self._excused(now)
        self.running = True

    def place(self, now: int) -> None:
        """Somebody gave the position: Song Position, `downbeat`."""
        self._excused(now)
        self.credits.forget()
        self.doubt, self.given, self.ahead = SURE, True, 0

    def join(self, now: int) -> None:
        """The line joins a running clock: where it is nobody has said."""
        self.place(now)
        self.given, self.running = False, True

    def _excused(self, now: int) -> None:
        trying.drop(self)
        self.excuse = self._slow = True
        self.since = now

    # -- what is known ---------------------------------------------------------

    def doubts(self, doubt: int) -> None:
        """The count is worth no more than this, until somebody gives the position."""
        self.doubt = max(self.doubt, doubt)

    @property
    def word(self) -> str:
        """Return none, locked, counted, estimated or unknown."""
        if not self.given:
            return "unknown" if self.running else "none"
        doubt = self.doubt
        trial = self.trial
        if len(self.stamps) <= QUARTER or self.is_loose or trial is not None:
            doubt = max(doubt, COUNTED)
        if (trial is not None and not trial.is_counted) or not self.credits.all_proved:
            doubt = max(doubt, ESTIMATED)
        return WORDS[doubt]

    @property
    def heals(self) -> bool:
        """True where missing clocks are made up and doubled ones swallowed."""
        return self.dropouts != WAIT

    @property
    def is_wary(self) -> bool:
        """True where nothing is credited at once: the clock is new, or was doubted."""
        return self.received < self.wary

    @property
    def is_burnt(self) -> bool:
        """True where nothing is credited: the grid was found shifted a short while ago."""
        return self.received < self.burnt

    @property
    def is_loose(self) -> bool:
        """True where everything that comes is counted: the clock is uneven, or was a short while ago."""
        return self.received < self.rough

    def tell(self) -> list[tuple[str, int]]:
        """Return what there is to tell, and forget it."""
        news, self.news = self.news, []
        return news

    # -- as the follower -------------------------------------------------------

    @property
    def interval(self) -> int:
        """Mean of the last intervals, ns; 0 unknown."""
        return self.pace.interval

    @property
    def steady(self) -> bool:
        """True if a whole quarter note came evenly enough to estimate by, and nothing is on trial."""
        return self.trial is None and self.pace.steady

    def tempo(self) -> float | None:
        """Return quarter notes per minute, for people; None while unknown."""
        return self.pace.tempo()

    def jitter(self) -> dict[str, float] | None:
        """Return p50, p95, p99, max in ms of the last deviations from the mean interval."""
        return self.pace.jitter()

    def lost_after(self) -> int:
        """Return when, in ns, the clock counts as lost if none comes until then."""
        return self.last + max(4 * self.pace.interval, LOST_AT_LEAST)

    # -- saving ----------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """Return everything as plain data."""
        return {
            "plain": [getattr(self, name) for name in _PLAIN],
            "pace": self.pace.save(),
            "grid": [list(self.numbers), list(self.stamps)],
            "trial": None if self.trial is None else self.trial.save(),
            "credits": self.credits.save(),
            "swallows": list(self.swallows),
            "news": [list(one) for one in self.news],
        }

    @classmethod
    def restore(cls, plain: dict[str, Any]) -> ClockJudge:
        """Rebuild what `save` took apart."""
        made = cls()
        for name, value in zip(_PLAIN, plain["plain"], strict=True):
            setattr(made, name, value)
        made.pace = ClockFollower.restore(plain["pace"])
        numbers, stamps = plain["grid"]
        made.numbers.extend(numbers)
        made.stamps.extend(stamps)
        made.trial = None if plain["trial"] is None else Trial.restore(plain["trial"])
        made.credits = Credits.restore(plain["credits"])
        made.swallows = list(plain["swallows"])
        made.news = [(kind, clocks) for kind, clocks in plain["news"]]
        return made


_PLAIN = (
    "grain", "dropouts", "number", "received", "last", "since", "ahead", "holes", "lost", "doubled", "given",
    "running", "looks", "excuse", "doubt", "wary", "burnt", "rough", "fresh", "_look", "_slow", "_turns",
)  # fmt: skip
