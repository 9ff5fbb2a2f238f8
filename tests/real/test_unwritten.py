"""Notes that reached no record when everything was killed, over real JACK ports."""

import os
import signal

import pytest

from tests.real.peer import Peer, is_on
from tests.real.test_playing import patched
from tests.real.test_surviving import LONG, strike_long_note

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]


def killed_before_anything_was_kept(daemon, one: Peer) -> set[bytes]:
    """Strike a note while the host stands still, kill all, start again; return the note-offs that are missing."""
    os.kill(daemon.pid("host"), signal.SIGSTOP)  # what the player records stays in the pipe, and is lost with it
    strike_long_note(daemon, one)
    struck = {bytes((0x80 | data[0] & 15, data[1])) for _, data in one.received if is_on(data)}
    for pid in daemon.children():
        os.kill(pid, signal.SIGKILL)
    daemon.process.wait()
    daemon.close_pipes()
    assert one.until(lambda: daemon.children() == [])
    one.stop_clocks()
    one.received.clear()
    daemon.start()
    one.until(lambda: len(one.received) > 3, 3.0)
    return struck - {data[:2] for _, data in one.received}


def test_a_note_that_no_record_holds_is_released_at_the_next_start(play, peer):
    daemon = play(*LONG)
    assert killed_before_anything_was_kept(daemon, patched(daemon, peer())) == set()


def test_a_note_that_nobody_marked_is_noticed(play, peer):
    """Negative control: a player that marks no notes; the next start cannot know this one."""
    daemon = play(*LONG, broken=("replank.player", "import replank.struck\nreplank.struck.mark = lambda *_: None"))
    assert len(killed_before_anything_was_kept(daemon, patched(daemon, peer()))) == 1
