"""The shadow: sounding notes, live comparison, releases; and what a broken build looks like."""

import pytest

from replank import wire
from replank.control.setup import Setup
from replank.host.shadow import Shadow, Sounding
from replank.performer import Performer
from replank.performer.events import Midi

ON, OFF = b"\x90\x3c\x40", b"\x80\x3c\x40"


def test_a_note_on_counts_when_written_and_an_off_only_when_sent():
    sounding = Sounding()
    sounding.written([(0, ON)], False)
    assert sounding.notes == {(0, 1, 60)}
    sounding.written([(0, OFF), (0, b"\x90\x3e\x40")], False)
    assert sounding.notes == {(0, 1, 60), (0, 1, 62)}  # killed here, both are released
    sounding.sent()
    assert sounding.notes == {(0, 1, 62)}
    sounding.written([(0, b"\x90\x3e\x00")], True)
    assert sounding.notes == set()


def test_a_repeated_pitch_in_one_batch_sounds():
    sounding = Sounding()
    sounding.written([(0, ON)], False)
    sounding.written([(0, OFF), (0, ON)], False)
    sounding.sent()
    assert sounding.notes == {(0, 1, 60)}


@pytest.mark.parametrize("is_told", [True, False])
def test_a_note_that_was_released_does_not_sound_again(is_told):
    """The player tells of no strike alone, and what it does tell is the last batch."""
    sounding = Sounding()
    sounding.written([(0, ON)], False)
    sounding.written([(0, OFF)], True)  # by a deadline
    sounding.written([(0, b"\x90\x3e\x40")], False)
    sounding.written([(0, b"\x80\x3e\x40"), (0, b"\x90\x40\x40")], False)
    if is_told:
        sounding.sent()
    assert sounding.notes == ({(0, 1, 64)} if is_told else {(0, 1, 62), (0, 1, 64)})


class Line:
    """A player and its shadow without the processes between."""

    def __init__(self):
        setup = Setup(values={"rest_chance": 0.0})
        self.player = Performer(setup, 7, 0)
        self.differs, self.inputs, self.outputs = [], [], []
        self.shadow = Shadow(
            Performer(setup, 7, 0),
            lambda now, event, serial, notices: self.inputs.append((now, event, serial)),
            lambda now, output, data: self.outputs.append((now, output, data)),
            lambda notices: None,
            self.differs.append,
        )

    def play(self, data, now, change=lambda messages: messages):
        event = Midi(0, data)
        due = self.player.next_deadline()
        if due is not None and due <= now:
            self.pass_on(self.player.advance(due).messages, due, wire.FROM_DEADLINE, change)
        messages = self.player.receive(event, now).messages
        self.shadow.input(*wire.pack_input(event, self.player.now, 0))
        self.pass_on(messages, self.player.now, 0, change)

    def pass_on(self, messages, now, flags, change=lambda messages: messages):
        if messages:
            self.shadow.output(wire.pack_output(change(messages), now, flags))
            self.shadow.sent()

    def clocks(self, count, start=0, **how):
        for number in range(start, start + count):
            self.play(b"\xf8", number * 20_000_000, **how)


def test_the_record_gives_what_was_sent():
    line = Line()
    line.play(b"\xfa", 0)
    line.clocks(200)
    assert line.differs == []
    assert len(line.inputs) == 201
    assert sum(wire.is_note_on(data) for _, _, data in line.outputs) == 34
    assert {(o, c, n) for o, c, n in line.player.sounding()} == line.shadow.sounding.notes


def test_another_note_than_the_record_gives_is_noticed():
    """Negative control: a player that sends what its performer did not give."""
    line = Line()
    line.play(b"\xfa", 0)
    line.clocks(30)
    line.clocks(30, 30, change=lambda messages: [(o, bytes((d[0], (d[1] + 1) % 128, *d[2:]))) for o, d in messages])
    assert line.differs
    assert "the record gives" in line.differs[0]


def test_a_message_that_was_not_sent_is_noticed():
    """Negative control: a player that keeps a message back."""
    line = Line()
    line.play(b"\xfa", 0)
    line.clocks(60, change=lambda messages: messages[:-1] or messages)
    assert line.differs


def test_releases_cover_what_the_record_says_sounds():
    line = Line()
    line.play(b"\xfa", 0)
    line.clocks(1)
    line.shadow.output(wire.pack_output([(0, b"\x91\x30\x40")], 1, 0))  # the performer knows nothing of it
    held = set(line.shadow.sounding.notes)
    assert len(held) == 2
    offs = {(o, (d[0] & 15) + 1, d[1]) for o, d in line.shadow.released() if wire.is_note_off(d)}
    assert offs >= held
    assert line.shadow.sounding.notes == set()


def test_after_a_gap_nothing_is_compared():
    line = Line()
    line.play(b"\xfa", 0)
    line.clocks(10)
    line.shadow.gap()
    line.shadow.is_true = False
    line.shadow.output(wire.pack_output([(0, ON)], 1, 0))
    line.clocks(10, 10)
    assert line.differs == []
