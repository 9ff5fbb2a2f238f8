"""From a stage clock to notes, over real JACK ports, heard by an independent peer."""

import re
import shutil
import subprocess
import time

import jack
import pytest

from tests.real.peer import CLOCK, CONTINUE, START, STOP, is_off, is_on, song_position

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]

PLAIN = ("-p", "rest_chance=0", "-p", "slide_chance=0", "-p", "mutation_chance=0")
"""Every step sounds, none is linked, nothing changes."""


def patched(daemon, one):
    one.patch(clock=daemon.port["clock"], out=daemon.port["out"])
    # the host mirrors the patch: until then a kill could not be answered
    assert one.until(lambda: len(one.hears()) >= 2)
    return one


def connects(client, source, sink):
    """A port can be seen a moment before its client is active and can be connected."""
    try:
        client.connect(source, sink)
    except jack.JackError:
        return False
    return True


def test_ready_line_names_ports_as_the_system_does(play, jack_server):
    daemon = play()
    listed = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=True).stdout.split()
    assert set(daemon.ready) == {"ready", "protocol", "ports", "socket", "pids"}
    assert daemon.ready["ready"] is True
    assert daemon.ready["protocol"] == 1
    assert set(daemon.port) == {"clock", "knobs", "out"}
    assert set(daemon.port.values()) <= set(listed)
    assert daemon.ready["socket"] == str(daemon.socket)
    assert daemon.ready["pids"]["keeper"] == daemon.process.pid


def test_clock_brings_notes_balanced_and_behind_their_controllers(play, peer):
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    one.clocks(24)  # MIDI 1.0, p. 30: clock while stopped is legal and moves nothing
    assert one.notes_on() == []
    one.clocks(2 * 96, first=(START,))
    one.send(STOP)
    assert one.until(lambda: not one.hanging())
    assert one.notes_on() == daemon.pitches() * 2
    batches: dict[int, list[bytes]] = {}
    for frame, data in one.received:
        batches.setdefault(frame, []).append(data)
    for batch in batches.values():
        if any(is_on(data) for data in batch):
            kinds = ["on" if is_on(d) else "off" if is_off(d) else "cc" for d in batch]
            assert kinds.index("on") == len(kinds) - 1, batch  # release, controllers, then the note
    assert sum(is_on(d) for _, d in one.received) == sum(is_off(d) for _, d in one.received)
    state = daemon.state()
    assert state["host"]["differences"] == 0
    assert state["performer"]["inputs"][0]["messages"] == 24 + 192 + 2


def test_second_peer_hears_the_same(play, peer):
    """The second independent peer is jack_midi_dump of the JACK example tools."""
    if shutil.which("jack_midi_dump") is None:
        pytest.skip("no jack_midi_dump (apt-get install jack-example-tools or jackd2)")
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    dump = subprocess.Popen(["jack_midi_dump", "stage-dump"], stdout=subprocess.PIPE, text=True, bufsize=1)
    try:
        assert one.until(lambda: connects(one.client, daemon.port["out"], "stage-dump:input"))
        one.clocks(96, first=(START,))
        one.send(STOP)
        one.until(lambda: not one.hanging())
        time.sleep(0.3)
    finally:
        dump.terminate()
        text = dump.communicate(timeout=10)[0]
    heard = [int(found[1], 16) for found in re.finditer(r"\b9[0-9a-f] ([0-9a-f]{2}) (?!00)[0-9a-f]{2}\b", text)]
    assert heard == one.notes_on()
    assert len(heard) == 16


def test_continue_after_song_position_strikes_that_step(play, peer):
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    steps = daemon.pitches()
    one.clocks(30, first=(START,))
    one.send(STOP)
    one.received.clear()
    one.send(song_position(9))  # sixteenths from the start (MIDI 1.0, p. 27): the step at index 9
    one.clocks(13, first=(CONTINUE,))
    one.send(STOP)
    assert one.until(lambda: not one.hanging())
    assert one.notes_on() == steps[9:12]


def test_clocks_while_locating_are_not_lost(play, peer):
    """MIDI 1.0 Detailed Specification, p. 28: SPP 4, Continue, three clocks at once: play from clock 27."""
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    steps = daemon.pitches()
    one.clocks(3, first=(song_position(4), CONTINUE, CLOCK, CLOCK, CLOCK))  # up to clock 29
    assert one.until(lambda: daemon.transport()["song_clock"] == 29)
    assert one.notes_on() == [steps[4]]
    one.send(STOP, song_position(4))
    one.received.clear()
    one.clocks(4, first=(CONTINUE, CLOCK, CLOCK, CLOCK))  # up to clock 30: the next sixteenth
    assert one.until(lambda: daemon.transport()["song_clock"] == 30)
    assert one.until(lambda: len(one.notes_on()) == 2)
    assert one.notes_on() == steps[4:6]


def test_commands_from_the_shell(play, peer):
    daemon = play(*PLAIN)
    done = daemon.run("send", "--instance", daemon.instance, "length=7", "scale=dorian")
    assert (done.returncode, done.stderr) == (0, "")
    wrong = daemon.run("send", "--instance", daemon.instance, "length=9", "lenght=8")
    assert wrong.returncode == 2
    assert wrong.stderr.count("\n") == 1
    assert "length" in wrong.stderr
    assert daemon.state()["performer"]["parameters"]["length"] == 7
    assert "parameters" in daemon.run("status", "--instance", daemon.instance, "--json").stdout
    said = daemon.run("status", "--instance", daemon.instance)
    assert said.returncode == 0
    assert daemon.port["clock"] in said.stdout
    ports = daemon.run("ports", "--api", "jack")
    assert daemon.port["out"] in ports.stdout
    assert daemon.run("send", "--instance", "nobody", "redraw").returncode == 3


def test_internal_clock_plays_by_itself(play, peer):
    daemon = play(*PLAIN, "--clock", "internal", "--tempo", "300")
    one = peer()
    one.patch(out=daemon.port["out"])
    daemon.say("start")
    assert one.until(lambda: len(one.notes_on()) >= 20)
    daemon.say("stop")
    assert one.until(lambda: not one.hanging())
    steps = daemon.pitches()
    notes = one.notes_on()
    assert notes == (steps * 20)[: len(notes)]
