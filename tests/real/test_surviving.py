"""What must not stop the line, over real JACK ports: kills, signals, nonsense, storms."""

import json
import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

from tests import jack_server
from tests.real.peer import START, STOP, Peer, is_on
from tests.real.test_playing import PLAIN, patched

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]

LONG = (*PLAIN, "-p", "gate=1", "-p", "division=8bars")
"""One note in eight bars."""


def sounding(one: Peer) -> bool:
    return bool(one.hanging())


def strike_long_note(daemon, one: Peer) -> None:
    """Let the clock run before Start and on, so that the gate of the one note is known and long."""
    one.clocks(24, bpm=150)
    one.clocks(2000, bpm=150, first=(START,), wait=False)
    assert one.until(lambda: sounding(one))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_end_releases_every_note(play, peer, number):
    daemon = play(*LONG)
    one = patched(daemon, peer())
    strike_long_note(daemon, one)
    assert daemon.stop(number) == 0
    assert not sounding(one)
    assert daemon.children() == []
    assert not daemon.socket.exists()


SILENT_END = "from replank.player.stage import Stage\nStage.release = lambda self: None"


def test_end_without_releases_is_noticed(play, peer):
    """Negative control: a player that ends without its releases."""
    daemon = play(*LONG, broken=("replank.player", SILENT_END))
    one = patched(daemon, peer())
    strike_long_note(daemon, one)
    daemon.stop()
    assert sounding(one)


def kill_player(daemon, one: Peer) -> int:
    """Kill the player in a note; return its pid once another plays."""
    strike_long_note(daemon, one)
    before = daemon.pid("player")
    os.kill(before, signal.SIGKILL)
    assert one.until(lambda: daemon.pid("player") != before and daemon.state()["host"]["playing"])
    return before


def test_killed_player_is_released_and_replaced(play, peer):
    daemon = play(*LONG)
    one = patched(daemon, peer())
    line = daemon.pitches()
    kill_player(daemon, one)
    assert not sounding(one)
    assert one.until(lambda: len(one.hears()) >= 2)  # patched again, main and rescue
    one.received.clear()
    one.stop_clocks()
    one.send(STOP)
    strike_long_note(daemon, one)
    assert one.notes_on() == daemon.pitches()[:1] == line[:1]
    state = daemon.state()
    assert state["host"]["replaced"] == 1
    assert state["host"]["differences"] == 0


def test_killed_player_without_rescue_is_noticed(play, peer):
    """Negative control: nobody releases what a killed player left."""
    broken = "from replank.host.cables import Cables\nCables.rescue = lambda self, messages: 0"
    daemon = play(*LONG, broken=("replank.host", broken))
    one = patched(daemon, peer())
    strike_long_note(daemon, one)
    os.kill(daemon.pid("player"), signal.SIGSTOP)
    os.kill(daemon.process.pid, signal.SIGKILL)  # so that no other player takes its place and releases
    daemon.process.wait()
    os.kill(daemon.ready["pids"]["player"], signal.SIGKILL)
    time.sleep(1.0)
    assert sounding(one)


def test_killed_player_is_released_also_without_keeper(play, peer):
    daemon = play(*LONG)
    one = patched(daemon, peer())
    strike_long_note(daemon, one)
    os.kill(daemon.process.pid, signal.SIGKILL)
    daemon.process.wait()
    os.kill(daemon.ready["pids"]["player"], signal.SIGKILL)
    assert one.until(lambda: not sounding(one))


def waiting(tmp_path: Path) -> tuple[str, str]:
    """Return a rig whose player makes up no clock by itself: only the host's listener says where the clock is."""
    (tmp_path / "rig.yaml").write_text("rig: 1\nclock:\n  dropouts: wait\n")
    return "--rig", str(tmp_path / "rig.yaml")


SLOW = """import time
from replank.host.players import Players
missed = Players._missed
Players._missed = lambda self, listener: (time.sleep(0.2), missed(self, listener))[1]"""
"""Some clocks come while no player is there, also where the MIDI system stands still with its sender after a kill."""


def test_replaced_player_is_in_phase(play, peer, tmp_path):
    """The clock goes on while the player is dead; the host's listener says where it is."""
    daemon = play(*PLAIN, *waiting(tmp_path), broken=("replank.host", SLOW))
    one = patched(daemon, peer())
    steps = daemon.pitches()
    one.clocks(960, bpm=150, first=(START,), wait=False)
    assert one.until(lambda: len(one.notes_on()) > 8)
    before = daemon.pid("player")
    os.kill(before, signal.SIGKILL)
    assert one.until(lambda: daemon.pid("player") != before and daemon.state()["host"]["playing"])
    heard = len(one.notes_on())
    assert one.until(lambda: len(one.notes_on()) > heard + 8)
    one.stop_clocks()
    time.sleep(0.2)
    clock = daemon.transport()["song_clock"]
    assert clock == one.sent_clocks - 1
    one.send(STOP)
    assert one.until(lambda: not sounding(one))
    tail = one.notes_on()[heard + 2 :]
    assert tail == [steps[n % len(steps)] for n in range(clock // 6 - len(tail) + 1, clock // 6 + 1)]


NOT_TOLD = f"""{SLOW}
from replank.host import listener
Players._going_on = lambda self, missed: []
listener.Listener.lacking = lambda self, interval: ()"""


def test_phase_without_what_the_listener_heard_is_noticed(play, peer, tmp_path):
    """Negative control: a host that does not tell the next player which clocks it has missed, then or later."""
    one = patched(daemon := play(*PLAIN, *waiting(tmp_path), broken=("replank.host", NOT_TOLD)), peer())
    one.clocks(960, bpm=150, first=(START,), wait=False)
    assert one.until(lambda: len(one.notes_on()) > 8)
    before = daemon.pid("player")
    os.kill(before, signal.SIGKILL)
    assert one.until(lambda: daemon.pid("player") != before and daemon.state()["host"]["playing"])
    one.stop_clocks()
    time.sleep(0.2)
    assert daemon.transport()["song_clock"] != one.sent_clocks - 1


def test_stopped_player_counts_as_dead(play, peer):
    daemon = play(*LONG)
    one = patched(daemon, peer())
    strike_long_note(daemon, one)
    before = daemon.pid("player")
    os.kill(before, signal.SIGSTOP)
    assert one.until(lambda: daemon.pid("player") != before and daemon.state()["host"]["playing"])
    assert one.until(lambda: not sounding(one))


def test_killed_host_costs_no_note(play, peer):
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    steps = daemon.pitches()
    before = daemon.pid("host")
    one.clocks(480, bpm=150, first=(START,), wait=False)
    assert one.until(lambda: len(one.notes_on()) > 4)
    os.kill(before, signal.SIGKILL)
    one.until(lambda: one._clocks_left == 0)
    one.send(STOP)
    assert one.until(lambda: not sounding(one))
    assert one.notes_on() == (steps * 5)[:80]
    assert one.until(lambda: daemon.socket.exists() and daemon.pid("host") != before)
    state = daemon.state()
    assert state["performer"]["transport"]["song_clock"] == 479
    assert state["host"]["differences"] == 0
    assert state["host"]["generation"] == 1
    assert daemon.say("length=5")["ok"]


def test_second_play_says_where_the_first_is(play, peer):
    daemon = play()
    second = daemon.run("play", "--api", "jack", "--instance", daemon.instance)
    assert second.returncode == 2
    assert second.stderr.count("\n") == 1
    assert str(daemon.ready["pids"]["keeper"]) in second.stderr
    assert str(daemon.socket) in second.stderr


def test_killed_keeper_leaves_the_line_playing(play, peer):
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    host = daemon.pid("host")
    daemon.process.kill()
    daemon.process.wait()
    one.clocks(96, first=(START,))
    assert one.until(lambda: len(one.notes_on()) == 16)
    found = daemon.run("play", "--api", "jack", "--instance", daemon.instance)
    assert found.returncode == 2
    assert f"kill {host}" in found.stderr
    os.kill(host, signal.SIGTERM)
    assert one.until(lambda: daemon.children() == [])
    assert not sounding(one)
    again = play(*PLAIN, instance="again")
    assert again.ready["ready"]


def test_all_killed_goes_on_and_releases_first(play, peer):
    daemon = play(*LONG)
    one = patched(daemon, peer())
    daemon.say("length=7", "redraw@now")
    strike_long_note(daemon, one)
    line = daemon.pitches()
    time.sleep(0.5)  # what reached the pipe a moment ago is in the database
    for pid in daemon.children():
        os.kill(pid, signal.SIGKILL)
    daemon.process.wait()
    daemon.close_pipes()
    assert sounding(one)
    assert one.until(lambda: daemon.children() == [])
    daemon.start()
    assert one.until(lambda: not sounding(one))
    assert daemon.pitches() == line


NONSENSE = (
    b"\xff\xfe\x00\n",
    b"[]\n",
    b"{}\n",
    b'{"do":"fly"}\n',
    b'{"do":"set","values":{"length":"x"}}\n',
    b'{"do":"act","action":"pitch:99:+1"}\n',
    b'{"id":[1],"do":"ping"}\n',
    b"[" * 5000 + b"\n",
)


def test_nonsense_on_the_socket(play, peer):
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    one.clocks(480, first=(START,), wait=False)
    for data in NONSENSE:
        with socket.socket(socket.AF_UNIX) as raw:
            raw.settimeout(10)
            raw.connect(os.fspath(daemon.socket))
            raw.sendall(data)
            lines = raw.makefile("rb")
            assert json.loads(lines.readline())["protocol"] == 1
            answer = json.loads(lines.readline())
            assert answer["ok"] is False
            assert answer["error"]
    with socket.socket(socket.AF_UNIX) as raw:  # a line without end is cut off
        raw.settimeout(10)
        raw.connect(os.fspath(daemon.socket))
        try:
            for _ in range(100):
                raw.sendall(b"x" * 4096)
        except OSError:
            pass
        else:
            while raw.recv(4096):
                pass
    one.until(lambda: one._clocks_left == 0)
    one.send(STOP)
    assert one.until(lambda: not sounding(one))
    assert len(one.notes_on()) == 80


def test_slow_client_is_dropped_with_a_notice(play, peer):
    daemon = play(*PLAIN, "--clock", "internal", "--tempo", "400", "-p", "division=1c")
    daemon.say("start")
    with socket.socket(socket.AF_UNIX) as slow, daemon.client(timeout=60) as fast:
        fast.ask("subscribe", levels=["warn"], state=False)
        slow.connect(os.fspath(daemon.socket))
        slow.sendall(b'{"do":"subscribe"}\n' + b'{"do":"state"}\n' * 150)
        assert next(line for line in fast.lines() if line.get("notice") == "client")["text"].endswith("was dropped")
    assert daemon.transport()["running"]


def test_malformed_messages_are_counted_and_passed_over(play, peer):
    daemon = play(*PLAIN)
    one = patched(daemon, peer())
    for data in (b"\x90", b"\x3c\x40", b"\xf4", b"\xf2\x01", b"\xf0\x01\x02", b"\xf7", b"\x90\x3c\xff", b"\xfd"):
        one.send(data)
    one.clocks(96, first=(START,))
    one.send(STOP)
    assert one.until(lambda: len(one.notes_on()) == 16 and not sounding(one))
    assert daemon.state()["performer"]["inputs"][0]["malformed"] > 0


@pytest.mark.alone
def test_pulse_storm(play, peer, tmp_path):
    """10,000 pulses a second: no crash, no unbounded queue, no hanging note."""
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: 1\nclock:\n  mode: pulses\n  pulse: note\n")
    daemon = play(*PLAIN, "--rig", str(rig))
    one = patched(daemon, peer())
    player = daemon.pid("player")
    sent = 20_000
    one.storm([b"\x90\x24\x7f"] * sent, 10_000)
    one.until(lambda: not one._queue, seconds=60)
    assert one.until(lambda: len(one.received) > 100)
    one.send(STOP)
    assert one.until(lambda: not sounding(one))
    state = daemon.state()
    assert state["host"]["pids"]["player"] == player
    statistics = state["host"]["player"]
    assert state["performer"]["inputs"][0]["messages"] + statistics["queue_dropped"] <= sent + 1
    assert sum(is_on(d) for _, d in one.received) > 1000
    assert one.until(lambda: daemon.state()["host"]["sounding"] == [])


def test_ports_that_come_later_are_patched(play, peer, tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(
        "rig: 1\ninputs:\n- name: clock\n  role: clock\n  connect: drummer\noutputs:\n- name: out\n  connect: synth\n"
    )
    daemon = play(*PLAIN, "--rig", str(rig))
    patches = daemon.state()["host"]["patches"]
    assert patches["in:clock"]["wishes"] == ["drummer"]
    for _ in range(2):  # and again after it was pulled out
        drummer, synth = Peer("drummer"), Peer("synth")
        try:
            assert synth.until(lambda: len(synth.hears()) >= 2)  # noqa: B023
            assert synth.until(lambda: len(drummer.client.get_all_connections(drummer.send_port)) >= 2)  # noqa: B023
            drummer.clocks(24, first=(START,))
            drummer.send(STOP)
            assert synth.until(lambda: len(synth.notes_on()) == 4 and not sounding(synth))  # noqa: B023
        finally:
            drummer.close()
            synth.close()


def test_missing_server_is_waited_for(play):
    os_env = os.environ["JACK_DEFAULT_SERVER"]
    os.environ["JACK_DEFAULT_SERVER"] = "replank-nowhere"
    try:
        daemon = play(wait=False)
    finally:
        os.environ["JACK_DEFAULT_SERVER"] = os_env
    assert Peer.until(lambda: daemon.socket.exists())
    assert Peer.until(lambda: "waiting for MIDI" in daemon.state()["host"]["waiting"])
    assert "replank-nowhere" in daemon.state()["host"]["waiting"]
    daemon.stop()
    assert "waiting for MIDI" in daemon.errors


def start_server(name: str) -> subprocess.Popen:
    command = ["jackd", "-n", name, "-S", "--no-mlock", "-R", "-d", "dummy", "-r", "48000", "-p", "64"]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def test_restarted_server_is_survived_by_another_player(play):
    """A MIDI system that dies takes the ports with it; line and host go on, a new player opens them anew."""
    if shutil.which("jackd") is None:
        pytest.skip("no jackd to start and end (apt-get install jackd2)")
    name = f"replank-mortal-{os.getpid()}"
    server, before = start_server(name), os.environ["JACK_DEFAULT_SERVER"]
    os.environ["JACK_DEFAULT_SERVER"] = name
    try:
        daemon = play(*PLAIN, "--clock", "internal", "--tempo", "300")
        listing = {**os.environ}
    except BaseException:
        jack_server.end(server)
        raise
    finally:
        os.environ["JACK_DEFAULT_SERVER"] = before
    try:
        daemon.say("length=7", "redraw@now", "start")
        line = daemon.pitches()
        facts = daemon.state()["host"]
        server.kill()
        server.wait()
        assert Peer.until(lambda: "waiting for MIDI" in daemon.state()["host"]["waiting"])
        server = start_server(name)
        assert Peer.until(lambda: daemon.state()["host"]["playing"], 60)
        after = daemon.state()
        assert after["host"]["pids"]["host"] == facts["pids"]["host"]
        assert after["host"]["pids"]["player"] != facts["pids"]["player"]
        assert daemon.pitches() == line
        ports = subprocess.run(["jack_lsp"], capture_output=True, text=True, env=listing, check=False).stdout.split()
        assert set(after["host"]["ports"].values()) <= set(ports)
        assert after["performer"]["transport"]["running"]
    finally:
        try:
            daemon.stop()
        finally:
            jack_server.end(server)
