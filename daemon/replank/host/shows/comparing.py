"""Laying a replay beside the record: the same messages, at times that fit, and the same states."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from itertools import islice
from typing import Any, NamedTuple

from replank.host.shows import schema
from replank.host.shows.packing import Damaged
from replank.host.shows.reading import Archive, Item, Mark, Show, clock_text
from replank.host.shows.replaying import Played, Stretch, perform, stretches
from replank.performer import Performer
from replank.pipes import decode, encode
from replank.wire import is_note_on

LOOK_AHEAD = 64
"""Messages searched for where record and replay meet again."""
LATE = schema.SECOND // 4
"""How much later than its next input a player's deadline may be recorded, ns: it stamps deadlines when it wakes."""
TAIL = 2 * schema.SECOND
"""Before a gap, messages of so many ns may be missing in the record: they were on their way."""


class Difference(NamedTuple):
    """Where the record and its replay part.

    Attributes:
        kind: missing (in the record), extra (in the record), message, time, state or damage.
        now: Performer time, ns.
        cycle: Of the line; 0 unknown.
        step: 1-based; 0 unknown.
        input: Number of the last input before it; -1 before the first.
        text: One sentence.
    """

    kind: str
    now: int
    cycle: int
    step: int
    input: int
    text: str


class Report:
    """What a check found.

    Attributes:
        differences: The first `most`, in order.
        total: How many there are.
        inputs, messages, notes: How many were replayed.
        stretches: Parts of the record between gaps.
        gaps: The gaps.
        unkept: Messages just before a gap or the end that the replay sends and the record lacks.
        states: Checkpoints whose whole state was compared.
    """

    def __init__(self, most: int = 10) -> None:
        self.differences: list[Difference] = []
        self.most, self.total = most, 0
        self.inputs = self.messages = self.notes = self.stretches = self.unkept = self.states = 0
        self.gaps: list[Mark] = []

    def add(self, difference: Difference) -> None:
        """Put a difference down."""
        self.total += 1
        if len(self.differences) < self.most:
            self.differences.append(difference)


class Comparison:
    """One stretch: its recorded outputs and states beside what a performer sends."""

    def __init__(self, archive: Archive, show: Show, stretch: Stretch, report: Report) -> None:
        self.archive, self.show, self.stretch, self.report = archive, show, stretch, report
        begin = stretch.start
        most = None if stretch.outputs < 0 else max(stretch.outputs - begin.outputs, 0)
        recorded = islice(archive.stream(show, "outputs", begin.outputs), most)
        # what the state that it starts from had already sent
        self.recorded: Iterator[Item] = (item for item in recorded if item.now > begin.now or begin.outputs == 0)
        self.ahead: deque[Item] = deque()
        self.checks = deque(stretch.checks)
        self.cycle = self.step = 0
        self.performer: Performer | None = None
        self.input = begin.inputs - 1

    def run(self) -> None:
        """Perform the stretch and compare it whole."""
        try:
            for played in perform(self.archive, self.show, self.stretch, at_input=self._check_state):
                self._take(played)
        except Damaged as error:
            at = self.stretch.start.now if self.performer is None else self.performer.now
            self._differ("damage", at, str(error))
            return
        self._end()

    def _take(self, played: Played) -> None:
        self.performer = played.performer
        self.report.inputs += played.input - self.input
        self.input = played.input
        for notice in played.notices:
            if notice.kind in ("step", "cycle"):
                self.cycle = int(notice.data.get("cycle", self.cycle))
                self.step = int(notice.data.get("index", self.step))
        # the player may be late, never early: what it sent before this cannot be met any more
        while self._fill(1) and self.ahead[0].now < played.now and tuple(self.ahead[0].what) not in played.messages:
            self._extra(self.ahead.popleft())
        for sent in played.messages:
            self.report.messages += 1
            self.report.notes += is_note_on(sent[1])
            self._compare(sent, played)

    def _compare(self, sent: tuple[int, bytes], played: Played) -> None:
        if not self._fill(1):
            if self.stretch.is_cut and played.now >= self.stretch.end - TAIL:
                self.report.unkept += 1
            else:
                self._differ("missing", played.now, f"the replay sends {words(sent)}, the record has nothing more")
            return
        item = self.ahead[0]
        if tuple(item.what) == sent:
            self.ahead.popleft()
            if not played.now <= item.now <= self._latest(played):
                text = f"{words(sent)} was sent at {self._at(item.now)}, in the replay at {self._at(played.now)}"
                self._differ("time", min(played.now, item.now), text)
            return
        self._fill(LOOK_AHEAD)
        later = next((n for n, other in enumerate(self.ahead) if tuple(other.what) == sent), -1)
        if later > 0 and self.ahead[later].now <= self._latest(played):
            for _ in range(later):
                self._extra(self.ahead.popleft())
            self.ahead.popleft()
        elif item.now <= self._latest(played):
            self.ahead.popleft()
            self._differ("message", min(played.now, item.now),
                         f"{words(tuple(item.what))} was sent, the replay sends {words(sent)}")  # fmt: skip
        else:
            self._differ("missing", played.now, f"the replay sends {words(sent)}, the record has nothing there")

    def _end(self) -> None:
        """What is left in the record may be what was due at the very end, and the releases behind it."""
        self._fill(1 << 20)
        best = list(self.ahead)
        for is_fired in (False, True):
            beside = Performer.restore(self.performer.save()) if self.performer is not None else None
            if beside is not None:
                messages = [*beside.advance(self.stretch.end).messages] if is_fired else []
                best = min(best, self._beyond([*messages, *beside.releases()]), key=len)
        for item in best:
            self._extra(item)

    def _beyond(self, allowed: list[tuple[int, bytes]]) -> list[Item]:
        """Return what is left that is neither among `allowed`, in their order, nor a mere release."""
        rest, beyond = deque(allowed), []
        for item in self.ahead:
            sent = tuple(item.what)
            if sent in rest:
                while rest.popleft() != sent:
                    pass
            elif not is_release(item.what[1]):
                beyond.append(item)
        return beyond

    def _check_state(self, number: int, performer: Performer) -> None:
        self.performer = performer
        while self.checks and self.checks[0].inputs <= number:
            mark = self.checks.popleft()
            saved = self.archive.state(mark)
            self.report.states += 1
            if where := self._state_differs(saved, performer, mark, is_last=not self.checks):
                text = f"the state kept at {self._at(mark.now)} differs in {where}"
                self.report.add(Difference("state", mark.now, mark.cycle, 0, self.input, text))

    @staticmethod
    def _state_differs(saved: dict[str, Any], performer: Performer, mark: Mark, is_last: bool) -> str:
        """Return where a kept state differs from the replay's.

        Deadlines due at the very time of the checkpoint may have been fired
        before it or after, and the last one may come after the releases that
        end a show.
        """
        beside, found = Performer.restore(performer.save()), ""
        for until in (mark.now - 1, mark.now):
            beside.advance(until)
            for is_released in (False, True) if is_last else (False,):
                ended = Performer.restore(beside.save())
                if is_released:
                    ended.releases()
                where = first_difference(saved, decode(encode(ended.save())))
                if not where:
                    return ""
                found = found or where
        return found

    @staticmethod
    def _latest(played: Played) -> int:
        return played.now if played.latest == played.now else played.latest + LATE

    def _extra(self, item: Item) -> None:
        self._differ("extra", item.now, f"{words(tuple(item.what))} was sent, the replay does not send it")

    def _fill(self, count: int) -> bool:
        self.ahead.extend(islice(self.recorded, max(count - len(self.ahead), 0)))
        return bool(self.ahead)

    def _at(self, now: int) -> str:
        return clock_text(max(now - self.show.base, 0))

    def _differ(self, kind: str, now: int, text: str) -> None:
        self.report.add(Difference(kind, now, self.cycle, self.step, self.input, text))


def check(archive: Archive, show: Show, most: int = 10) -> Report:
    """Replay a whole show from its inputs and say where it differs from what was sent."""
    report = Report(most)
    for stretch in stretches(archive, show):
        report.stretches += 1
        Comparison(archive, show, stretch, report).run()
    report.gaps = archive.marks(show, schema.GAP)
    for _ in archive.stream(show, "notices"):  # read for its checksums
        pass
    for damage in archive.damage:
        text = f"a second of {damage.stream} at {clock_text(damage.now - show.base)}: {damage.text}"
        report.add(Difference("damage", damage.now, 0, 0, -1, text))
    return report


def first_difference(a: Any, b: Any, where: str = "") -> str:
    """Return the first place where two plain values differ, such as ``line.steps.3``; empty where they do not."""
    if isinstance(a, dict) and isinstance(b, dict):
        for key in [*a, *(key for key in b if key not in a)]:
            if key not in a or key not in b:
                return f"{where}.{key}".lstrip(".")
            if found := first_difference(a[key], b[key], f"{where}.{key}"):
                return found
        return ""
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for number, (one, other) in enumerate(zip(a, b, strict=True)):
            if found := first_difference(one, other, f"{where}.{number}"):
                return found
        return ""
    if a == b and type(a) is type(b):
        return ""
    return f"{where.lstrip('.') or 'everything'} ({a!r:.40}, replayed {b!r:.40})"


def is_release(message: bytes) -> bool:
    """Tell what can only end notes: note-off, note-on of velocity 0, channel mode messages."""
    kind = message[0] & 0xF0 if message else 0
    return kind == 0x80 or (kind == 0x90 and message[2:] == b"\x00") or (kind == 0xB0 and message[1] >= 120)


def words(sent: tuple[int, bytes]) -> str:
    """Return an (output, message) pair in words."""
    return f"{sent[1].hex(' ')} on output {sent[0] + 1}"
