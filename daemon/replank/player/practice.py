"""The practice clock: a drummer who wavers, on a cable that fails.

For rehearsing without a stage: MIDI clock bytes as they would come in on the
clock port, with a tempo that drifts, a Stop and Start (or Continue) now and
then, and drop-outs as a stage has them, from a single lost clock to a cable
that is out for seconds (`FAULTS`).  Everything is drawn from a seed, so a
rehearsal can be repeated.  It reads no clock itself.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
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
MS = 1_000_000
FAULTS: dict[str, tuple[float, int, int]] = {
    "lost clock": (0.2, 1, 1),  # one is not heard
    "crackle": (0.15, 2, 12),  # holes of a plug that wobbles
    "hole": (0.2, 10 * MS, 500 * MS),  # the cable is out, the sender plays on
    "clock twice": (0.1, MS, 4 * MS),  # how long after the first
    "late burst": (0.1, 50 * MS, 400 * MS),  # held up somewhere, then all at once; nothing is lost
    "cable": (0.15, 1_500 * MS, 6_000 * MS),  # as a hole
    "pause": (0.1, 1_500 * MS, 6_000 * MS),  # the sender stands still
}
"""Drop-outs: what share of them, and from what to below what: clocks, holes, ns."""
CRACKLE_CLOCKS = (1, 3)
"""Clocks that are lost in a hole of a crackle."""
CRACKLE_APART = (1, 20)
"""Clocks that are heard between two of its holes."""


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
        faults: Drop-outs so far, by the names of `FAULTS`.
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
        self._unheard = (0, 0)  # from, until; ns
        self._held_until = 0
        self._crackle: deque[bool] = deque()  # whether each of the next clocks is heard
        self._twice_after = 0
        self._on_the_way: list[tuple[int, int, bytes]] = []  # due, order, message
        self._count = 0
        self.faults = dict.fromkeys(FAULTS, 0)

    def next_time(self) -> int:
        """Return when the next bytes are due, ns."""
        return min(self._next, self._on_the_way[0][0]) if self._on_the_way else self._next

    def take(self, now: int) -> list[bytes]:
        """Return the messages due at or before `now`, in order, and go on.

        Clocks that were due long ago are not made up for: a source that was
        held up goes on from the present.
        """
        while self._next <= now:
            self._carry(self._one())
            self._advance(now)
        found: list[bytes] = []
        while self._on_the_way and self._on_the_way[0][0] <= now:
            found.append(self._on_the_way.pop(0)[2])
        return found

    def _carry(self, messages: list[bytes]) -> None:
        """Send messages through the cable, which may lose, hold or double them."""
        is_heard = self._crackle.popleft() if self._crackle else True
        if not is_heard or self._unheard[0] <= self._next < self._unheard[1]:
            return
        due = max(self._next, self._held_until)
        for message in messages:
            self._put(due, message)
        if self._twice_after:
            self._put(due + self._twice_after, CLOCK)
            self._twice_after = 0

    def _put(self, due: int, message: bytes) -> None:
        self._count += 1
        insort(self._on_the_way, (due, self._count, message))

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
        name = self._draw_fault()
        self.faults[name] += 1
        _, low, high = FAULTS[name]
        length = self._between(low, high)
        if name == "lost clock":
            self._crackle.append(False)
        elif name == "crackle":
            for _ in range(length):
                self._crackle.extend([False] * self._between(CRACKLE_CLOCKS[0], CRACKLE_CLOCKS[1] + 1))
                self._crackle.extend([True] * self._between(CRACKLE_APART[0], CRACKLE_APART[1] + 1))
        elif name == "clock twice":
            self._twice_after = length
        elif name == "late burst":
            self._held_until = self._next + length
        elif name == "pause":
            self._next += length
        else:
            begin = self._next + int(self._random.random() * 60e9 / (24 * self.tempo))
            self._unheard = (begin, begin + length)  # the cable may be out between two clocks
        self._dropout_at = self._draw_dropout(max(self._next, self._unheard[1], self._held_until))

    def _draw_fault(self) -> str:
        """Return the name of a drop-out."""
        drawn = self._random.random()
        for name, (share, _, _) in FAULTS.items():
            drawn -= share
            if drawn < 0:
                return name
        return "pause"  # the shares' sum is a float

    def _draw_dropout(self, after: int) -> int:
        """Return when the next drop-out begins: between half and one and a half mean distances."""
        if self._dropouts <= 0:
            return 1 << 62
        return after + int(60e9 / self._dropouts * (0.5 + self._random.random()))

    def _between(self, low: int, high: int) -> int:
        return low + int(self._random.random() * (high - low))
