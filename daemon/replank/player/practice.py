"""The practice clock: a drummer who wavers, on a cable that fails.

For rehearsing without a stage: MIDI clock bytes as they would come in on the
clock port, with a tempo that drifts, drop-outs of a few seconds, and a Stop
and Start (or Continue) now and then.  Everything is drawn from a seed, so a
rehearsal can be repeated.  It reads no clock itself.
"""

from __future__ import annotations

from random import Random

START, CLOCK, CONTINUE, STOP = b"\xfa", b"\xf8", b"\xfb", b"\xfc"
FIRST_AFTER_NS = 300_000_000
"""Start is sent so long after the clock was set going."""
WANDER = 0.04
"""How far the tempo may go in a clock, as a share of the whole drift."""
BREAK_CLOCKS = (32 * 96, 64 * 96)
"""Clocks (24 to the quarter) between a Start and the next Stop."""
PAUSE_CLOCKS = (24, 96)
"""Clocks between that Stop and going on."""
DROPOUT_NS = (1_500_000_000, 6_000_000_000)


class PracticeClock:
    """A stream of timed MIDI clock bytes.

    Args:
        now: Present time, ns.
        tempo: BPM, 20 to 400.
        drift: Share by which the tempo wavers, 0 to 0.5 (0.03 is 3 %).
        dropouts: Drop-outs per minute, 0 to 30.
        seed: Of its chance.
        breaks: False leaves out Stop and Start.
        song_clock: Where to go on with Continue; None begins with Start.

    Attributes:
        lost_cables: Drop-outs so far in which the sender went on unheard.
        pauses: Drop-outs so far in which it stood still.
    """

    def __init__(
        self,
        now: int,
        tempo: float,
        drift: float = 0.0,
        dropouts: float = 0.0,
        seed: int = 0,
        breaks: bool = True,
        song_clock: int | None = None,
    ) -> None:
        self.tempo = tempo
        self._drift = drift
        self._dropouts = dropouts
        self._breaks = breaks
        self._random = Random(seed)  # only random() and seeding are promised to stay the same
        self._lean = 0.0
        self._next = now + FIRST_AFTER_NS
        self._waiting = [START if song_clock is None else CONTINUE]
        self._running = False
        self._until_break = self._between(*BREAK_CLOCKS)
        self._dropout_at = self._draw_dropout(self._next)
        self._unheard_until = 0
        self.lost_cables = 0
        self.pauses = 0

    def next_time(self) -> int:
        """Return when the next bytes are due, ns."""
        return self._next

    def take(self, now: int) -> list[bytes]:
        """Return the messages due at or before `now`, in order, and go on.

        Clocks that were due long ago are not made up for: a source that was
        held up goes on from the present.
        """
        found: list[bytes] = []
        while self._next <= now:
            heard = self._one()
            if self._next > self._unheard_until:
                found += heard
            self._advance(now)
        return found

    def _one(self) -> list[bytes]:
        """Return what is sent at one clock."""
        found = [*self._waiting, CLOCK]
        if self._waiting:
            self._running = self._waiting[-1] in (START, CONTINUE)
            self._waiting = []
        self._until_break -= 1
        if self._breaks and self._until_break <= 0:
            if self._running:
                self._waiting = [STOP]
                self._until_break = self._between(*PAUSE_CLOCKS)
            else:
                self._waiting = [START if self._random.random() < 0.5 else CONTINUE]
                self._until_break = self._between(*BREAK_CLOCKS)
        return found

    def _advance(self, now: int) -> None:
        self._lean += (self._random.random() * 2 - 1) * WANDER - self._lean * WANDER / 20
        self._lean = max(-1.0, min(1.0, self._lean))
        interval = 60e9 / (24 * self.tempo * (1 + self._drift * self._lean))
        self._next = max(self._next + int(interval), now - int(interval))
        if self._next >= self._dropout_at:
            self._drop_out()

    def _drop_out(self) -> None:
        length = self._between(*DROPOUT_NS)
        if self._random.random() < 0.5:
            self._unheard_until = self._next + length  # the cable: the sender plays on
            self.lost_cables += 1
        else:
            self._next += length  # the sender stands still
            self.pauses += 1
        self._dropout_at = self._draw_dropout(self._next + length)

    def _draw_dropout(self, after: int) -> int:
        """Return when the next drop-out begins: between half and one and a half mean distances."""
        if self._dropouts <= 0:
            return 1 << 62
        return after + int(60e9 / self._dropouts * (0.5 + self._random.random()))

    def _between(self, low: int, high: int) -> int:
        return low + int(self._random.random() * (high - low))
