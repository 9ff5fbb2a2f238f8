"""What the next player is told of what came meanwhile (MIDI 1.0 Detailed Specification, p. 27 to 32)."""

import pytest

from replank.control.setup import Setup
from replank.host.gaps import Tail, going_on
from replank.performer import Performer
from replank.performer.events import Event, Midi, Resume, event_from_plain, to_plain

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
POSITION = b"\xf2\x04\x00"
INTERVAL = 20_833_333


def gone_on(*messages: bytes) -> list[Event]:
    return [event for _, event in going_on(list(enumerate(messages)), 0)]


def test_clocks_move_the_position_while_the_line_runs():
    assert gone_on(CLOCK, CLOCK, CLOCK) == [Resume((0, 1, 2))]
    assert gone_on() == []


def test_transport_messages_are_performed_where_they_came():
    assert gone_on(CLOCK, STOP, CLOCK, CONTINUE, CLOCK) == [
        Resume((0,)), Midi(0, STOP), Resume((2,)), Midi(0, CONTINUE), Resume((4,)),
    ]  # fmt: skip
    assert gone_on(POSITION, CONTINUE, CLOCK) == [Midi(0, POSITION), Midi(0, CONTINUE), Resume((2,))]
    assert gone_on(CLOCK, START) == [Resume((0,)), Midi(0, START)]
    assert gone_on(b"\x90\x3c\x40", b"\xf2\x04") == []


class Line:
    """A performer and the time."""

    def __init__(self) -> None:
        self.performer = Performer(Setup(), 7, 0)
        self.port = next(i for i, one in enumerate(self.performer.setup.inputs) if one.role == "clock")
        self.now = 10**9

    def hear(self, *messages: bytes) -> None:
        for data in messages:
            self.now += INTERVAL if data == CLOCK else 1000
            self.performer.receive(Midi(self.port, data), self.now)

    def miss(self, *messages: bytes) -> None:
        """Let another performer take this one's place, as a host does."""
        missed = []
        for data in messages:
            self.now += INTERVAL if data == CLOCK else 1000
            missed.append((self.now, data))
        events = going_on(missed, self.port)
        self.performer = Performer.restore(self.performer.save())
        for stamp, event in events:
            self.performer.receive(event_from_plain(to_plain(event)), stamp)

    def place(self) -> tuple[object, ...]:
        t = self.performer.transport
        return t.song_clock, t.running, t.armed, t.next_step, t.playhead.peek()[0], t.judge.word


@pytest.mark.parametrize(
    "missed",
    [[CLOCK], [CLOCK] * 5, [CLOCK] * 40, [STOP], [CLOCK, CLOCK, STOP, CLOCK, CLOCK], [START], [START, CLOCK],
     [CLOCK, START, *[CLOCK] * 9], [STOP, POSITION, CONTINUE, *[CLOCK] * 7], [STOP, CLOCK, CONTINUE], [POSITION, CLOCK],
     [CLOCK, STOP, START, CLOCK, CLOCK]],
)  # fmt: skip
@pytest.mark.parametrize("before", [0, 10, 200])
def test_a_replaced_player_goes_on_where_one_that_heard_it_all_is(missed: list[bytes], before: int):
    whole, replaced = Line(), Line()
    for line in (whole, replaced):
        line.hear(START, *[CLOCK] * before)
    whole.hear(*missed)
    replaced.miss(*missed)
    for _ in range(60):
        for line in (whole, replaced):
            line.hear(CLOCK)
        assert whole.place()[:3] == replaced.place()[:3]
    assert whole.place() == replaced.place()


def test_a_stopped_line_stays_where_it_is():
    line = Line()
    line.hear(START, *[CLOCK] * 30, STOP, *[CLOCK] * 30)
    before = line.place()
    line.miss(*[CLOCK] * 20)
    assert line.place() == before


def test_what_both_heard_is_dropped_and_what_was_late_stands_for_what_was_heard():
    tail = Tail()
    assert tail.missing() is None
    for n in range(10):
        tail.heard(n * INTERVAL, CLOCK)
    for n in range(6):
        tail.recorded(n * INTERVAL + (9_000_000 if n == 5 else 100_000), CLOCK)
    assert tail.missing() == [(n * INTERVAL, CLOCK) for n in range(6, 10)]
    assert tail.missing() == [(n * INTERVAL, CLOCK) for n in range(6, 10)], "asking changes nothing"


def test_another_message_at_the_same_moment_is_not_the_same():
    tail = Tail()
    tail.heard(0, CLOCK)
    tail.heard(INTERVAL, START)
    tail.heard(INTERVAL, CLOCK)
    tail.recorded(0, CLOCK)
    tail.recorded(INTERVAL, START)
    assert tail.missing() == [(INTERVAL, CLOCK)]


def test_a_tail_that_begins_anew_knows_nothing_unless_it_is_told():
    tail = Tail()
    tail.heard(0, CLOCK)
    tail.recorded(0, CLOCK)
    assert tail.missing() == []
    tail.forget(is_known=False)
    tail.heard(INTERVAL, CLOCK)
    assert tail.missing() is None
    tail.forget(is_known=True)
    tail.heard(2 * INTERVAL, CLOCK)
    assert tail.missing() == [(2 * INTERVAL, CLOCK)]
