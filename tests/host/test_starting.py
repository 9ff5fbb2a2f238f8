"""How a show begins after another one: cut off, ended in order, with another boot in between."""

from dataclasses import replace

import pytest

from replank.control.setup import Piece, Setup
from replank.host import starting
from replank.host.shows import lasting
from replank.performer import Performer
from replank.performer.events import Act, Midi

START, CLOCK = Midi(0, b"\xfa"), Midi(0, b"\xf8")


def evening(values=None):
    """A performer that has played, kept something and changed a parameter."""
    p = Performer(Setup(values=values or {}, pieces=(Piece("First Light"), Piece("Meridian", {"root": "A"}))), 5, 10**9)
    p.receive(START, p.now)
    for _ in range(96 * 12):
        p.receive(CLOCK, p.now + 20_833_333)
    p.receive(Act("keep", ("blue",)), p.now)
    p.receive(Act("piece", ("2",), "now"), p.now)
    p.receive(Act("rotate", ("1",), "now"), p.now)
    return p


@pytest.fixture
def after(monkeypatch):
    """Return a start after `evening`, as it would be found in the record."""

    def begin(in_order, boot_ns=0, **facts):
        p = evening()
        now = starting.time.monotonic_ns()
        saved = p.save()
        if not boot_ns:
            shift = now - 10**9 - saved["now"]
            saved = Performer.restore(saved).save()
            saved["now"] += shift
        clock = starting.time.time_ns() - now + boot_ns
        last = lasting.LastState(saved, [] if in_order else [(0, 1, 50)], in_order, clock)
        monkeypatch.setattr(starting, "last_state", lambda path: last)
        return p, *starting.new_performer({"seed": 9, **facts}, p.setup, None)

    return begin


def test_a_show_that_was_cut_off_goes_on_exactly(after):
    p, new, cut = after(in_order=False)
    assert cut.sounding == [(0, 1, 50)]
    assert new.melody.save() == p.melody.save()
    assert new.transport.song_clock == p.transport.song_clock


def test_after_another_boot_the_line_goes_on_when_start_comes(after):
    p, new, cut = after(in_order=False, boot_ns=3600 * 10**9)
    assert "its line goes on" in cut.text and cut.sounding == [(0, 1, 50)]
    assert new.melody.form(16) == p.melody.form(16)
    assert new.values == p.values and new.piece == 2
    assert list(new.melody.snapshots) == ["blue"]
    assert not new.transport.running and new.deadlines == []
    assert abs(new.now - starting.time.monotonic_ns()) < 10**10
    new.receive(Act("undo"), new.now)
    assert new.melody.form(16).steps != p.melody.form(16).steps, "the trail came along"


def test_after_an_orderly_end_a_new_show_begins_with_snapshots_and_pieces_as_left(after):
    p, new, cut = after(in_order=True)
    assert cut is None
    assert new.melody.form(16) != p.melody.form(16) and new.piece == 1
    assert list(new.melody.snapshots) == ["blue"]
    assert new.as_left == p.as_left and new.as_left


def test_resume_lets_the_line_go_on_and_fresh_leaves_everything(after):
    p, new, cut = after(in_order=True, resume=True)
    assert cut is not None and new.melody.form(16) == p.melody.form(16)
    _, new, cut = after(in_order=False, fresh=True)
    assert cut is None and new.melody.snapshots == {}


def test_a_line_whose_scale_is_unknown_tonight_is_said_and_a_new_one_begins(after, monkeypatch):
    p = evening()
    saved = p.save()
    saved["values"]["scale"] = "of another rig"
    last = lasting.LastState(saved, [], False, 0)
    monkeypatch.setattr(starting, "last_state", lambda path: last)
    new, cut = starting.new_performer({"seed": 9}, replace(p.setup), None)
    assert "cannot go on here" in cut.text
    assert new.values["scale"] == "minor pentatonic"
