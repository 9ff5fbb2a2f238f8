"""Where the song is: clock numbers, bars, playhead, tempo, phase."""

from __future__ import annotations

from typing import Any

from replank.performer.settings import Settings
from replank.timing.bars import Bars
from replank.timing.boundaries import restart_before
from replank.timing.follower import PulseFollower
from replank.timing.judge import ClockJudge
from replank.timing.phrases import Phrase
from replank.timing.playhead import Playhead, Roll


class Transport:
    """Time as the line knows it.

    Attributes:
        running: A clock moves the line (pulses always do).
        halted: Stop came, and neither Start nor Continue since.
        owed: Clocks of the last pulse that a receiver of made clocks has not been sent yet.
        told: What such a receiver was last told: 0 nothing, FA to begin at
            the next pulse, F8 that it runs, FC that it stands.
        entering: What begins at `song_clock` is being done; only within one event.
        armed: Start or Continue came; the next clock begins.
        song_clock: Number of the last clock since Start; the next is one more.
        next_step, next_bar: Song clocks at which the next step and bar begin.
        origin: Song clock of step 1 from which positions are counted.
        judge: Counts the clock, and says what the count is worth.
        word: What it was said to be worth last: none, locked, counted, estimated or unknown.
        news, told_at: What is still to be said of the clock, by kind, and when that was last done (ns).
        trouble: What was last said of the clock, and when (ns).
        age: While a hole is gone through, how long ago its present clock should have come, ns; 0 else.
        upto: The last clock of that hole.
        is_expecting: A deadline waits for a clock that may not come, to play on.
        lost: The clock stopped coming while the line was running.
        watching: A deadline looks for the loss of the clock.
        counted: [song clock, kind, arguments]: what waits for a clock, in order.
        tie: LINK_NONE or 0; LINK_SLIDE, the sounding note slides into the next; LINK_TIE, it is
            held through it; SUSTAINED, it is held as long as steps rest by chance.
        keeps_form: Start or a new song position: the coming cycle's end mutates nothing.
        ended_by: Why the next return to step 1 happens, if not by itself.
        since_moment: Steps since the last mutation moment, for `mutate_every` steps.
        cycles_ended: Cycles since the last mutation moment, for `mutate_every: phrase`.
        closed: Where the last phrase that has had its close ends, as phrases count; -1 none.
        phrase_origin: With pulses, the cycle in which phrase 1 began.
        sustain: While a note holds through rests by chance, or closes a phrase: the note,
            and the song clock at which that ends at the latest.
        losses: How often the clock was lost.
        beginning, step_clock: Time (ns) and song clock of the last step's beginning.
    """

    def __init__(self, settings: Settings, roll: Roll) -> None:
        self.running = self.halted = self.entering = False
        self.armed = False
        self.song_clock = -1
        self.next_step = 0
        self.next_bar = 0
        self.origin = 0
        self.lost = False
        self.watching = False
        self.ticking = False
        self.counted: list[list[Any]] = []
        self.tie = 0
        self.keeps_form = False
        self.ended_by = ""
        self.since_moment = self.cycles_ended = 0
        self.closed = -1
        self.phrase_origin = 1
        self.phrase: tuple[Settings, Phrase] | None = None  # the last one that was worked out
        self.sustain: list[int] = []
        self.losses = self.owed = self.told = 0
        self.beginning = self.step_clock = -1
        self.bars = Bars(settings.meter)
        self.judge = ClockJudge()
        self.word = "none"
        self.news: dict[str, int] = {}
        self.told_at = 0
        self.trouble: list[Any] = []
        self.age = self.upto = 0
        self.is_expecting = False
        self.pulse = PulseFollower()
        self.playhead = Playhead(settings.length, settings.direction, roll)
        self._roll = roll

    def fit(self, settings: Settings) -> None:
        """Let playhead and bars follow changed settings."""
        head = self.playhead
        if head.length != settings.length or head.direction != settings.direction:
            if head.length != settings.length:
                head.set_length(settings.length)
            if head.direction != settings.direction:
                head.set_direction(settings.direction)
            self.reanchor(settings.division)
        if self.bars.meter != settings.meter:
            at = self.song_clock if self.running and self.bars.is_bar(self.song_clock) else self.song_clock + 1
            at = self.bars.next_bar(max(at, 0))
            self.bars.set_meter(settings.meter, at)
            self.next_bar = at if at > self.song_clock else at + self.bars.bar_length

    def reanchor(self, division: int) -> None:
        """Count positions so that the step now stays the step now."""
        if self.playhead.phase >= 0:
            self.origin = self.next_step - (self.playhead.phase + 1) * division

    def from_the_top(self) -> None:
        """The next clock is the first of bar 1, beat 1, step 1."""
        self.song_clock = -1
        self.next_step = self.next_bar = self.origin = 0
        self.bars.set_origin(0)
        self.playhead.reset()
        self.since_moment = self.cycles_ended = 0
        self.closed, self.phrase = -1, None
        self.counted = []

    def here(self) -> int:
        """Return the first song clock at which a step may still begin."""
        return self.song_clock if self.entering else self.next_step

    def locate(self, clock: int, settings: Settings) -> int:
        """Make `clock` the next one; return the 0-based place in the line that comes next."""
        self.song_clock = clock - 1
        base = self.origin if self.origin <= clock else 0
        base = max(base, restart_before(self.bars, settings.restart_every, clock))
        steps = -((base - clock) // settings.division)
        self.origin = base
        self.next_step = base + steps * settings.division
        self.next_bar = self.bars.next_bar(clock)
        self.closed = -1
        self.counted = []
        self.playhead.locate(steps)
        return self.playhead.peek()[0]

    def has_bars(self, pulses: bool) -> bool:
        """Tell whether bars are being counted now."""
        return self.running and not pulses and not self.lost

    def save(self) -> dict[str, Any]:
        """Return everything as plain data."""
        return {
            "plain": [getattr(self, name) for name in _PLAIN],
            "counted": [list(item) for item in self.counted],
            "sustain": list(self.sustain),
            "bars": self.bars.save(),
            "judge": self.judge.save(),
            "news": [dict(self.news), list(self.trouble)],
            "pulse": self.pulse.save(),
            "playhead": self.playhead.save(),
        }

    def load(self, plain: dict[str, Any]) -> None:
        """Take over what `save` returned."""
        for name, value in zip(_PLAIN, plain["plain"], strict=True):
            setattr(self, name, value)
        self.counted = [list(item) for item in plain["counted"]]
        self.sustain = list(plain["sustain"])
        self.bars = Bars.restore(plain["bars"])
        self.judge = ClockJudge.restore(plain["judge"])
        news, trouble = plain["news"]
        self.news, self.trouble = dict(news), list(trouble)
        self.pulse = PulseFollower.restore(plain["pulse"])
        self.playhead = Playhead.restore(plain["playhead"], self._roll)


_PLAIN = (
    "running", "armed", "song_clock", "next_step", "next_bar", "origin", "word", "told_at", "is_expecting",
    "lost", "watching",
    "ticking", "tie", "keeps_form", "ended_by", "since_moment", "losses", "beginning",
    "step_clock", "halted", "owed", "told", "cycles_ended", "closed", "phrase_origin",
)  # fmt: skip
