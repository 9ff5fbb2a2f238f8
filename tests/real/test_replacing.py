"""A player that is replaced while a clock is heard that is more than clocks, one of another release, and a host."""

import os
import signal
import time

import pytest

from tests.host.test_adopting import of_another_release
from tests.real.peer import START, STOP, Peer, is_off
from tests.real.test_playing import PLAIN, patched
from tests.real.test_surviving import LONG, strike_long_note

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

SENSING = b"\xfe"
PULSE, PULSE_OFF = b"\x90\x24\x7f", b"\x80\x24\x40"


def replaced(daemon, before: dict[str, int], *names: str) -> bool:
    """Wait until others have taken the places of processes, and play."""

    def is_so() -> bool:
        try:
            host = daemon.state()["host"]
        except Exception:  # the host is being replaced
            return False
        return host["playing"] and all(host["pids"][name] != before[name] for name in names)

    return Peer.until(is_so, 60)


def clock_with_sensing(daemon, one: Peer) -> int:
    """Kill a player under a clock whose sender also senses; return by how many clocks the next one is wrong."""
    one.clocks(1500, bpm=150, first=(START,), wait=False)
    for _ in range(30):
        one.send(SENSING)
    assert one.until(lambda: len(one.notes_on()) > 8)
    before = daemon.state()["host"]["pids"]
    os.kill(before["player"], signal.SIGKILL)
    assert replaced(daemon, before, "player")
    one.stop_clocks()
    time.sleep(0.3)
    return daemon.transport()["song_clock"] - (one.sent_clocks - 1)


def test_active_sensing_does_not_spoil_the_phase(play, peer):
    daemon = play(*PLAIN)
    assert clock_with_sensing(daemon, patched(daemon, peer())) == 0


ALL_MISSED = """from replank.host.listener import Listener
Listener.missing = lambda self, interval=0: [one for one in self._tail._heard] or None
Listener.recorded = lambda self, stamp, data: None"""


def test_a_host_that_takes_all_that_it_heard_for_missed_is_noticed(play, peer):
    """Negative control."""
    daemon = play(*PLAIN, broken=("replank.host", ALL_MISSED))
    assert clock_with_sensing(daemon, patched(daemon, peer())) != 0


def pulses(daemon, one: Peer) -> tuple[list[int], list[int]]:
    """Pulse, kill the player, pulse on while nobody plays and after; return what sounded then and what should have."""
    steps = daemon.pitches()
    for number in range(20):
        one.send(PULSE, PULSE_OFF)
        assert one.until(lambda: len(one.notes_on()) > number)  # noqa: B023
    before = daemon.state()["host"]["pids"]
    os.kill(before["player"], signal.SIGKILL)
    for _ in range(5):  # most of them come while nobody plays; all of them are over when somebody does
        one.send(PULSE, PULSE_OFF)
    assert replaced(daemon, before, "player")
    time.sleep(0.5)
    one.received.clear()
    for number in range(4):
        one.send(PULSE, PULSE_OFF)
        assert one.until(lambda: len(one.notes_on()) > number)  # noqa: B023
    return one.notes_on(), [steps[number % len(steps)] for number in range(25, 29)]


def by_pulses(play, tmp_path, **options):
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: 1\nclock:\n  mode: pulses\n  pulse: note\n")
    daemon = play(*PLAIN, "--rig", str(rig), **options)
    daemon.say("redraw@now")
    return daemon


def test_pulses_missed_in_a_replacement_are_made_up_for(play, peer, tmp_path):
    daemon = by_pulses(play, tmp_path)
    heard, wanted = pulses(daemon, patched(daemon, peer()))
    assert heard == wanted


NOT_MADE_UP = "from replank.host.players import Players\nPlayers._make_up_for = lambda self, messages: None"


def test_pulses_that_are_not_made_up_for_are_noticed(play, peer, tmp_path):
    """Negative control."""
    daemon = by_pulses(play, tmp_path, broken=("replank.host", NOT_MADE_UP))
    heard, wanted = pulses(daemon, patched(daemon, peer()))
    assert heard != wanted


def test_a_player_of_another_release_plays_until_stop(play, peer, tmp_path):
    """An upgrade in the middle of a piece, then a host that is replaced: not a note is lost to it."""
    daemon = play(*PLAIN, broken=("replank.host", of_another_release(str(tmp_path / "flag"))))
    site = daemon.folder / "broken" / "sitecustomize.py"
    both = "in (['-m', 'replank.host'], ['-m', 'replank.player'])"
    site.write_text(site.read_text().replace("== ['-m', 'replank.host']", both))
    one = patched(daemon, peer())
    daemon.say("length=7")
    steps = daemon.pitches()
    before = daemon.state()["host"]["pids"]
    one.clocks(600, bpm=150, first=(START,), wait=False)
    assert one.until(lambda: len(one.notes_on()) > 4)
    os.kill(before["host"], signal.SIGKILL)
    assert one.until(lambda: one._clocks_left == 0)
    assert before["player"] in daemon.children()
    assert one.until(lambda: len(one.notes_on()) == 100)
    assert one.notes_on() == (steps * 20)[:100]
    one.send(STOP)
    assert replaced(daemon, before, "host", "player")
    assert one.until(lambda: not one.hanging())
    assert daemon.pitches() == steps
    one.received.clear()
    assert one.until(lambda: len(one.client.get_all_connections(one.send_port)) >= 2 and len(one.hears()) >= 2)
    one.clocks(24, bpm=150, first=(START,))
    assert one.until(lambda: len(one.notes_on()) == 4)
    assert one.notes_on() == steps[:4]


def released_by_the_next_host(daemon, one: Peer, struck_too: bool) -> tuple[set[int], bool]:
    """Strike a long note and kill the host; return the notes that get a note-off, and whether CC 123 came.

    Args:
        struck_too: Wait for the note-off of the struck note, not for those of all others.
    """
    strike_long_note(daemon, one)
    struck = {one.notes_on()[-1]}
    before = daemon.state()["host"]["pids"]
    one.received.clear()
    os.kill(before["host"], signal.SIGKILL)
    assert replaced(daemon, before, "host")

    def released() -> set[int]:
        return {data[1] for _, data in list(one.received) if is_off(data)}

    awaited = struck if struck_too else set(range(128)) - struck
    one.until(lambda: released() >= awaited, seconds=5)
    time.sleep(0.1)
    return released() ^ struck, b"\xb0\x7b\x00" in [data for _, data in one.received]


def test_killed_host_cuts_no_note_and_lets_none_hang(play, peer):
    """The next one silences no receiver whose cable stayed in, but releases whatever does not sound.

    A note-off may be lost where a client ends, and there was nobody to send it again.
    """
    daemon = play(*LONG)
    assert released_by_the_next_host(daemon, patched(daemon, peer()), struck_too=False) == (set(range(128)), False)
    assert daemon.state()["host"]["differences"] == 0


NEWLY_PLUGGED = "from replank.host.cables import Cables\nCables.adopt = lambda self: None"


def test_host_that_takes_known_cables_for_new_is_noticed(play, peer):
    """Negative control: the note is cut, as for a receiver that is back."""
    daemon = play(*LONG, broken=("replank.host", NEWLY_PLUGGED))
    released, silenced = released_by_the_next_host(daemon, patched(daemon, peer()), struck_too=True)
    assert released != set(range(128)) and silenced


NOT_SWEPT = """from replank.host.players import Players
async def sweep(self): pass
Players.sweep = sweep"""


def test_host_that_sweeps_nothing_is_noticed(play, peer):
    """Negative control: what a receiver missed would sound on."""
    daemon = play(*LONG, broken=("replank.host", NOT_SWEPT))
    released, silenced = released_by_the_next_host(daemon, patched(daemon, peer()), struck_too=False)
    assert len(released) == 1 and not silenced
