"""The judge of the clock: by how many clocks the song moves at each that comes.

Every clock counts one, except where it comes more than half an interval, and
more than three times the jitter, from where the last 96 clocks say.  Then a
trial opens (`replank.timing.trial`): missing clocks are credited, clocks that
came twice are swallowed, and 6, 12 and 24 calm intervals later the grid
(`replank.timing.fit`) says whether that was right.  Integers only; times are
nanoseconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any

from replank.timing.fit import KEPT, QUARTER, Fit, fit
from replank.timing.follower import LOST_AT_LEAST, ClockFollower
from replank.timing.trial import DOUBT, GRID, LEAST_NS, REVIEWS, SHIFTED, TEMPO, Trial, Verdict

LONGEST = 8_000_000_000
"""A clock that is back within 8 s is judged; later the line goes on from where it stopped, ns."""
WARY, WARY_TEMPO = 96, 24
"""Clocks without a credit at first and after a doubt; after a new tempo."""
BURNT = 192
"""Clocks without a credit after the grid was found shifted."""
ROUGH, ROUGH_TRIAL = 96, 192
"""Clocks for which an uneven look, or an uneven trial, makes the clock loose."""
NEVER_CALM = 240
"""Clocks after which a trial ends that never became calm."""
DOUBLED, DOUBLED_WITHIN = 8, 96
"""More clocks swallowed than this within so many: two senders, or a doubled cable."""
CREDITS = 8
"""Credits that the ear may still prove."""

HEAL, WAIT, COAST = "heal", "wait", "coast"
NONE, LOCKED, COUNTED, ESTIMATED, UNKNOWN = "none", "locked", "counted", "estimated", "unknown"
WORDS = (LOCKED, COUNTED, ESTIMATED, UNKNOWN)
"""From the best to the worst."""
_SURE, _COUNTED, _ESTIMATED, _UNKNOWN = range(4)


class Credit:
    """Clocks that were made up in a trial that has ended.

    Attributes:
        begins, ends: Stamps between which they were lost, ns.
        made: How many were made up.
        proved: How many the ear heard.
    """

    __slots__ = ("begins", "ends", "made", "proved")

    def __init__(self, begins: int, ends: int, made: int, proved: int) -> None:
        self.begins, self.ends, self.made, self.proved = begins, ends, made, proved


class ClockJudge:
    """Counts a MIDI clock, through its holes.

    Args:
        grain: What stamps are rounded to, ns: 0 for those of frames and of the kernel, the port's period for those
            that a callback took.
        dropouts: heal, wait or coast.

    Attributes:
        pace: The tempo, for people and for gates.
        grain: As given; may be set at any time.
        dropouts: As given; may be set at any time.
        number: Of the last clock, as this judge counts them.
        received: Clocks so far, swallowed ones included.
        last: When the last one came, ns; -1 never.
        ahead: By how many clocks the line is ahead of the count, since credits were taken back: it waits for these.
        given: Somebody said where the line is.
        running: Between Start or Continue and Stop.
        looks: True where `look` is to be called, once the clock's messages are sent.
        holes: Holes found so far, and `lost`: clocks that were lost in them.
        doubled: Clocks so far that came twice.
        news: (kind, clocks) since the last call of `tell`: made up, swallowed, taken back, shifted, missing, doubled.
    """

    __slots__ = (
        "_burnt", "_credits", "_doubt", "_fresh", "_look", "_numbers", "_rough", "_slow", "_stamps", "_swallows",
        "_trial", "_wary", "ahead", "doubled", "dropouts", "excuse", "given", "grain", "holes", "last", "looks",
        "lost", "news", "number", "pace", "received", "running", "since",
    )  # fmt: skip

    def __init__(self, grain: int = 0, dropouts: str = HEAL) -> None:
        self.pace = ClockFollower()
        self.grain = grain
        self.dropouts = dropouts
        self.number = self.received = 0
        self.last = self.since = -1
        self.ahead = self.holes = self.lost = self.doubled = 0
        self.given = self.running = self.looks = False
        self.excuse = False
        self.news: list[tuple[str, int]] = []
        self._numbers: deque[int] = deque(maxlen=KEPT)
        self._stamps: deque[int] = deque(maxlen=KEPT)
        self._trial: Trial | None = None
        self._credits: list[Credit] = []
        self._swallows: list[int] = []
        self._doubt = _SURE
        self._wary, self._burnt, self._rough = WARY, 0, 0
        self._look = 0
        self._slow = self._fresh = True

    # -- clocks ----------------------------------------------------------------

    def clock(self, now: int) -> int:
        """Take a clock that came at `now`; return by how many clocks the line moves, 0 or more."""
        pace, last = self.pace, self.last
        self.received = received = self.received + 1
        if self._slow or not 3 * pace.interval < 4 * (now - last) < 5 * pace.interval:
            return self._slowly(now)
        self.last = now
        self.number = number = self.number + 1
        self._numbers.append(number)
        self._stamps.append(now)
        pace.tick(now)
        if received >= self._look:
            self.looks = True
        if self.ahead and self.running:
            self.ahead -= 1
            return 0
        return 1

    def look(self) -> None:
        """Look at the grid, as is due each quarter note."""
        self.looks = False
        self._look = self.received + QUARTER
        if len(self._stamps) >= QUARTER and self._trial is None:
            self._fit()

    def _fit(self) -> Fit:
        found = fit(list(self._numbers), list(self._stamps), self.grain)
        if found.uneven:
            self._rough = max(self._rough, self.received + ROUGH)
            self._doubt = max(self._doubt, _COUNTED)
        return found

    def _slowly(self, now: int) -> int:
        """Take a clock that is not just the next one."""
        trial, gap = self._trial, now - self.last
        before = self.number
        if trial is not None and (gap > LONGEST or (self.excuse and 2 * gap > 3 * trial.fit.interval)):
            self._drop_trial()
            trial = None
        if trial is not None:
            self._try(trial, now, gap)
        elif len(self._stamps) < QUARTER or self.excuse:
            self._newly(now, gap)
        elif gap > LONGEST:
            self._begin_anew(_UNKNOWN, now)
        else:
            self._out_of_place(now, gap)
        if self.running:
            self.excuse = False
        self._slow = self._trial is not None or self.excuse or len(self._stamps) < QUARTER
        return self._moved(self.number - before)

    def _moved(self, by: int) -> int:
        """Return how the line moves where the count does so: never back."""
        if not self.running:
            return max(by, 0)
        if by < 0:
            self.ahead -= by
            return 0
        late = min(self.ahead, by)
        self.ahead -= late
        return by - late

    def _count(self, now: int, is_interval: bool = True) -> None:
        """Count one clock of the grid."""
        self.number += 1
        self._numbers.append(self.number)
        self._stamps.append(now)
        if not is_interval and self.pace.interval:
            self.pace.last = now - self.pace.interval
        self.pace.tick(now)
        self.last = now

    def _begin_anew(self, doubt: int, now: int) -> None:
        """Count one, from which a new grid begins."""
        self._doubt = max(self._doubt, doubt)
        self._numbers.clear()
        self._stamps.clear()
        if doubt == _UNKNOWN:
            self.pace.forget()
        self._fresh = True
        self._wary = max(self._wary, self.received + WARY)
        self._count(now, is_interval=False)

    def _newly(self, now: int, gap: int) -> None:
        """Count a clock of a grid that has fewer than 24, or the first one after a transport message."""
        stamps = self._stamps
        size = len(stamps)
        if not size:
            self._count(now, is_interval=False)
            return
        mean = (stamps[-1] - stamps[0]) // (size - 1) if size > 1 else 0
        if self.excuse and (2 * gap > 3 * (mean or self.pace.interval)):
            self._begin_anew(_SURE, now)
        elif gap > LONGEST or (size > 4 and gap > max(4 * mean, LOST_AT_LEAST)):
            self._begin_anew(_UNKNOWN, now)
        elif 4 < size < QUARTER and gap >= LEAST_NS and 2 * abs(gap - mean) >= mean + 2 * self.grain:
            self._begin_anew(_ESTIMATED, now)
        else:
            self._count(now)
            if size + 1 == QUARTER:
                whole = (stamps[-1] - stamps[0]) // size
                if any(2 * (b - a - self.grain) > 3 * whole for a, b in zip(stamps, list(stamps)[1:], strict=False)):
                    self._doubt = max(self._doubt, _ESTIMATED)

    # -- trials ----------------------------------------------------------------

    def _is_wary(self) -> bool:
        return self.received < self._wary

    def _is_burnt(self) -> bool:
        return self.received < self._burnt

    def _out_of_place(self, now: int, gap: int) -> None:
        """Take a clock that came unevenly: open a trial, if it is so far from the grid."""
        found = self._fit()
        interval, unit = found.interval, found.unit
        early = now - found.at - interval
        if 2 * abs(early) <= interval or abs(early) <= 3 * unit:
            self._count(now)
            return
        is_loose = self.received < self._rough
        trial = Trial(found, is_loose, self._fresh, self.received, self.last)
        trial.came, trial.before, trial.ends = 1, gap, now
        self._trial = trial
        may = self.dropouts != WAIT and not is_loose and not self._is_burnt()
        trial.place = 1
        if early > 0:
            trial.gap = gap_clocks = trial.slot(now)
            off = abs(now - found.at - gap_clocks * interval)
            tolerance = 3 * unit + interval // 32 + found.reach(gap_clocks)
            near = 4 * off <= interval and off <= tolerance
            is_tempo = trial.is_alike(gap, self.last - self._stamps[-2])
            if may and not self._is_wary() and not is_tempo and (near or (gap_clocks >= 4 and 4 * tolerance > interval)):
                trial.place = gap_clocks
                trial.credited = True
                self.news.append(("made up", gap_clocks - 1))
                self.pace.last = now - self.pace.interval
            if gap_clocks > 4 and (is_loose or 2 * tolerance > interval):
                self._doubt = _UNKNOWN
        elif may and not self._is_wary() and gap < min(interval // 4, LEAST_NS) and 12 * found.jitter <= interval:
            trial.place, trial.swallowed = 0, 1
            self._swallow()
            self.number += trial.place
            trial.before = self.last - self._stamps[-2]
            trial.calm = [self.last]
            return
        trial.calm = [now]
        self.number += trial.place
        self.pace.tick(now)
        self.last = now

    def _swallow(self) -> None:
        self.doubled += 1
        self.news.append(("swallowed", 1))
        oldest = self.received - DOUBLED_WITHIN
        self._swallows = [one for one in self._swallows if one > oldest] + [self.received]
        if len(self._swallows) > DOUBLED:
            self.news.append(("doubled", len(self._swallows)))
            self._swallows = []

    def _try(self, trial: Trial, now: int, gap: int) -> None:
        """Take a clock of an open trial."""
        before, was_credited, ends = trial.place, trial.credited, trial.ends
        may = self.dropouts != WAIT and not trial.loose and not self._is_burnt()
        may = may and (trial.credited or not self._is_wary())
        if not trial.take(now, gap, may):
            if was_credited:
                self.last = now  # late, not twice
                self.news.append(("swallowed", 1))
            else:
                self._swallow()
            return
        if trial.place < before + 1 and trial.alike:
            self.news.append(("taken back", before + 1 - trial.place))
            self.pace.last = trial.run[-2] - 1
            self.pace.begin([gap, gap])
        elif trial.place > before + 1:
            self.news.append(("made up", trial.place - before - 1))
            self.pace.last = now - self.pace.interval
        elif trial.coasted and now - self.pace.last > 2 * self.pace.interval:
            self.pace.last = now - self.pace.interval
        self.number += trial.place - before
        self.pace.tick(now)
        self.last = now
        if trial.is_new_tempo:
            self._close(trial, trial.run, TEMPO)
        elif len(trial.calm) - 1 in REVIEWS:
            self._review(trial)
        elif self.received - trial.started >= NEVER_CALM:
            self._burnt = self.received + BURNT
            self._doubt = max(self._doubt, _ESTIMATED)
            self._place(trial, trial.came)
            self._close(trial, [now], "")

    def _review(self, trial: Trial) -> None:
        size = len(trial.calm) - 1
        may = self.dropouts != WAIT and not trial.loose
        early = size < REVIEWS[-1]
        verdict = trial.review(self._is_burnt())
        kind, place = verdict.kind, verdict.place
        if not may or place < 0:
            place = trial.place if trial.coasted else trial.came
        if early:
            if kind == GRID and may and not self._is_wary() and not self._is_burnt():
                self._place(trial, place)
            elif kind == SHIFTED and may and (size > REVIEWS[0] or verdict.off >= 2 * verdict.tolerance):
                self._place(trial, place)
            self._hand_on(trial, verdict, size)
            if kind != GRID or size == REVIEWS[0] or trial.place != verdict.count:
                return
        else:
            self._place(trial, place)
        if 2 * verdict.tolerance > trial.fit.interval and (trial.gap > 4 or trial.place != trial.told):
            self._doubt = _UNKNOWN
        joins = kind == GRID or (kind == DOUBT and may and verdict.place >= 0 and 4 * verdict.off <= trial.fit.interval)
        if self.dropouts == WAIT and joins and verdict.count > trial.told:
            self.news.append(("missing", verdict.count - trial.told))
        self._close(trial, trial.calm, kind, joins and trial.place == verdict.count)

    def _hand_on(self, trial: Trial, verdict: Verdict, size: int) -> None:
        """Move the old grid's anchor, so that a hand is followed through a wobble."""
        if trial.credited and size == REVIEWS[0] and verdict.kind in (GRID, DOUBT):
            own = trial.fit.interval
            if verdict.count == trial.place and 2 * verdict.off <= verdict.tolerance and 4 * verdict.off <= own:
                trial.hand_on()

    def _place(self, trial: Trial, place: int) -> None:
        """Correct the count."""
        by, trial.place = place - trial.place, place
        trial.credited = place > trial.told
        self.number += by
        if by:
            self.news.append(("made up", by) if by > 0 else ("taken back", -by))

    def _close(self, trial: Trial, stamps: list[int], kind: str, joins: bool = False) -> None:
        """End a trial: its calm clocks join the grid, or are the new one."""
        made = trial.place - trial.told
        found = trial.fit
        if joins:
            if kind == DOUBT:
                self._doubt = max(self._doubt, _ESTIMATED)
            if made > 0:
                self._credit(Credit(trial.begins, trial.ends, made + trial.proved, trial.proved))
            elif made:
                self._doubt = max(self._doubt, _ESTIMATED)
        else:
            self._fresh = False
            self._numbers.clear()
            self._stamps.clear()
            if kind == TEMPO:
                self._wary = max(self._wary, self.received + WARY_TEMPO)
            elif kind == DOUBT:
                self._wary = max(self._wary, self.received + WARY)
            elif kind == SHIFTED:
                self._burnt = self.received + BURNT
            if kind == TEMPO and trial.is_new_tempo:
                pass
            elif made == 0 and 12 * found.jitter > found.interval and trial.gap <= 4:
                self._doubt = max(self._doubt, _COUNTED)
            else:
                self._doubt = max(self._doubt, _ESTIMATED)
            if kind == SHIFTED:
                self.news.append(("shifted", 0))
        if trial.loose or found.uneven:
            self._rough = max(self._rough, self.received + ROUGH_TRIAL)
        first = self.number - len(stamps) + 1
        self._numbers.extend(range(first, self.number + 1))
        self._stamps.extend(stamps)
        self._trial = None

    def _drop_trial(self) -> None:
        """End a trial that nothing can be said about any more: what was counted stays."""
        trial = self._trial
        if trial is None:
            return
        if trial.place > trial.told:
            self._credit(Credit(trial.begins, trial.ends, trial.place - trial.told + trial.proved, trial.proved))
        elif trial.place < trial.told or trial.gap > 1:
            self._doubt = max(self._doubt, _ESTIMATED)
        self._numbers.clear()
        self._stamps.clear()
        self._stamps.extend(trial.calm)
        self._numbers.extend(range(self.number - len(trial.calm) + 1, self.number + 1))
        self._trial = None
        self._slow = True

    def _credit(self, credit: Credit) -> None:
        self.holes += 1
        self.lost += credit.made
        self._credits.append(credit)
        if len(self._credits) > CREDITS:
            oldest = self._credits.pop(0)
            if oldest.proved < oldest.made:
                self._doubt = max(self._doubt, _ESTIMATED)

    # -- playing on ----------------------------------------------------------

    def coasts_at(self) -> int:
        """Return when `coast` is to be called if no clock comes until then, ns; -1 where the line does not play on."""
        interval, trial = self.pace.interval, self._trial
        if self.dropouts != COAST or not self.running or not interval or self.excuse:
            return -1
        if trial is not None and trial.coasted and self.last <= trial.ends:
            own = trial.fit.interval
            at = trial.fit.at + (trial.place + 1 - trial.base) * own
            return at if at - self.last <= LONGEST else -1
        return self.last + interval + interval // 2

    def coast(self, now: int) -> int:
        """Count a clock that has not come, at the moment of the grid; return by how many clocks the line moves.

        Where the clock is too uneven or too new to play on by, nothing moves,
        and `coasts_at` goes on from the next clock that comes.
        """
        trial = self._trial
        if self.dropouts != COAST or not self.running or len(self._stamps) < QUARTER:
            return 0
        if trial is None:
            found = self._fit()
            if self._is_wary() or self._is_burnt() or self.received < self._rough:
                return 0
            trial = self._trial = Trial(found, False, self._fresh, self.received, self.last)
            trial.before = found.interval
            self._slow = True
        elif not trial.coasted and (trial.loose or self._is_wary() or self._is_burnt()):
            return 0
        by = max(trial.slot(now), trial.place + 1) - trial.place
        trial.place += by
        trial.coasted += by
        trial.credited = True
        trial.ends = self.last
        trial.calm = []
        self.number += by
        if 2 * (3 * trial.fit.unit + trial.fit.reach(trial.place - trial.base)) > trial.fit.interval:
            self._doubt = _UNKNOWN
        return self._moved(by)

    # -- the ear ---------------------------------------------------------------

    def heard(self, stamps: Sequence[int]) -> int:
        """Take the stamps of clocks that the host's ear heard and that never came here; return as `clock` does."""
        before = self.number
        for stamp in stamps:
            if self.running and self.since < stamp < self.last:
                self._prove(stamp)
        return self._moved(self.number - before)

    def _prove(self, stamp: int) -> None:
        trial = self._trial
        if trial is not None and trial.begins < stamp:
            made = trial.place - trial.told
            trial.came += 1
            trial.proved += 1
            if made <= 0:
                trial.place += 1
                self.number += 1
            return
        for credit in self._credits:
            if credit.begins < stamp < credit.ends:
                credit.proved += 1
                if credit.proved > credit.made:
                    credit.made += 1
                    self._insert(stamp)
                return
        self._insert(stamp)

    def _insert(self, stamp: int) -> None:
        """A clock that nobody missed was lost: what came after it is one further."""
        moved = [number + (at > stamp) for number, at in zip(self._numbers, self._stamps, strict=True)]
        self._numbers = deque(moved, maxlen=KEPT)
        self.number += 1

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
        trial = self._trial
        if self.running and self.received:
            if trial is not None:
                by = trial.place - trial.came
                if by > 0:
                    self._place(trial, trial.came)
                    self._moved(-by)
            self._doubt = max(self._doubt, _ESTIMATED)
        self._excused(now)
        self.running = True

    def place(self, now: int) -> None:
        """Somebody gave the position: Song Position, `downbeat`."""
        self._excused(now)
        self._credits = []
        self._doubt = _SURE
        self.given = True
        self.ahead = 0

    def join(self, now: int) -> None:
        """The line joins a running clock: where it is nobody has said."""
        self.place(now)
        self.given = False
        self.running = True

    def _excused(self, now: int) -> None:
        self._drop_trial()
        self.excuse = self._slow = True
        self.since = now

    # -- what is known ---------------------------------------------------------

    @property
    def word(self) -> str:
        """Return none, locked, counted, estimated or unknown."""
        if not self.given:
            return UNKNOWN if self.running else NONE
        doubt = self._doubt
        if doubt < _COUNTED and (len(self._stamps) < QUARTER or self.received < self._rough):
            doubt = _COUNTED
        if doubt < _ESTIMATED and (
            self._trial is not None or any(credit.proved < credit.made for credit in self._credits)
        ):
            doubt = _ESTIMATED
        return WORDS[doubt]

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
        """True if a whole quarter note of clocks came evenly enough to estimate by, and nothing is on trial."""
        return self._trial is None and self.pace.steady

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
            "grid": [list(self._numbers), list(self._stamps)],
            "trial": None if self._trial is None else self._trial.save(),
            "credits": [[one.begins, one.ends, one.made, one.proved] for one in self._credits],
            "swallows": list(self._swallows),
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
        made._numbers.extend(numbers)
        made._stamps.extend(stamps)
        made._trial = None if plain["trial"] is None else Trial.restore(plain["trial"])
        made._credits = [Credit(*one) for one in plain["credits"]]
        made._swallows = list(plain["swallows"])
        made.news = [(kind, clocks) for kind, clocks in plain["news"]]
        return made


_PLAIN = (
    "grain", "dropouts", "number", "received", "last", "since", "ahead", "holes", "lost", "doubled", "given",
    "running", "looks", "excuse", "_doubt", "_wary", "_burnt", "_rough", "_look", "_slow", "_fresh",
)  # fmt: skip
