"""`replank shows`, `replay` and `export` as a person types them, with wrong input too."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import mido
import pytest
from click.testing import CliRunner, Result

from replank.cli.main import main
from replank.performer.events import Act, Assign
from tests.shows.stage import BUSY, CLOCK, START, record

ROOT = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("state")
    named = [(0, Act("star", ("the turn",))), (0, Act("name_show", ("Open Night",)))]
    record(place / "shows.db", [START, BUSY, *[CLOCK] * 900, *named, *[CLOCK] * 100])
    record(place / "shows.db", [START, *[CLOCK] * 200, (0, Assign({"root": "A"})), *[CLOCK] * 20], seed=6)
    return place


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(main, [*words, "--state-dir", str(folder)])


def test_shows_lists_what_there_is(folder):
    lines = run(folder, "shows").output.splitlines()
    assert len(lines) == 3 and "Open Night" in lines[1]
    rows = json.loads(run(folder, "shows", "--json").output)
    assert [row["show"] for row in rows] == [1, 2] and rows[0]["name"] == "Open Night" and rows[1]["seed"] == "6"
    one = run(folder, "shows", "open night").output
    assert "star" in one and "the turn" in one


def test_replay_says_what_was_played_and_the_same_each_time(folder):
    digests = {json.loads(run(folder, "replay", "1", "--json").output)["digest"] for _ in range(2)}
    assert len(digests) == 1
    other = json.loads(run(folder, "replay", "2", "--json").output)["digest"]
    assert other not in digests


def test_check_exits_1_where_the_record_differs(folder, tmp_path):
    fine = run(folder, "replay", "1", "--check")
    assert fine.exit_code == 0 and "replays to the same notes" in fine.output
    with closing(sqlite3.connect(folder / "shows.db")) as sql, closing(sqlite3.connect(tmp_path / "shows.db")) as copy:
        sql.backup(copy)
        copy.execute("DELETE FROM inputs WHERE key = (SELECT min(key) + 3 FROM inputs)")
        copy.commit()
    wrong = run(tmp_path, "replay", "1", "--check")
    assert wrong.exit_code == 1 and "missing" in wrong.output
    plain = json.loads(run(tmp_path, "replay", "1", "--check", "--json").output)
    assert plain["same"] is False and plain["first"]


def test_a_show_of_another_engine_is_not_replayed_but_exported(folder, tmp_path):
    with closing(sqlite3.connect(folder / "shows.db")) as sql, closing(sqlite3.connect(tmp_path / "shows.db")) as copy:
        sql.backup(copy)
        copy.execute("UPDATE shows SET engine = 99, program = '9.9.9'")
        copy.commit()
    result = run(tmp_path, "replay", "1", "--check")
    assert result.exit_code == 3 and "9.9.9" in result.output
    assert run(tmp_path, "export", "1", "--out", str(tmp_path / "x.mid")).exit_code == 0


def test_export_writes_a_file_whole_or_not_at_all(folder, tmp_path):
    out = tmp_path / "night.mid"
    said = json.loads(run(folder, "export", "open night", "--out", str(out), "--json").output)
    assert said["notes"] > 50 and out.stat().st_size == said["bytes"]
    assert mido.MidiFile(out).length == pytest.approx(said["seconds"], abs=0.1)
    assert [file.name for file in tmp_path.iterdir()] == ["night.mid"]
    before = out.read_bytes()
    assert run(folder, "export", "1", "--from", "0:05", "--to", "0:04", "--out", str(out)).exit_code == 2
    assert out.read_bytes() == before
    piece = tmp_path / "tonight.yaml"
    assert run(folder, "export", "1", "--cycle", "5", "--out", str(piece)).exit_code == 0
    assert CliRunner().invoke(main, ["check", str(piece)]).exit_code == 0


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("shows", "9"), 2, "there are 1 to 2"),
        (("shows", "opn night"), 2, "Open Night"),
        (("replay", "nobody"), 2, "no show called"),
        (("replay", "1", "--check", "--live"), 2, "one of them"),
        (("replay", "1", "--from", "3"), 2, "--live"),
        (("replay", "1", "--live", "--from", "0"), 2, "--from"),
        (("export", "1", "--cycle", "999"), 2, "does not hold that cycle"),
        (("export", "1", "--cycle", "3", "--from", "1"), 2, "--cycle"),
        (("export", "1", "--from", "later"), 2, "h:mm:ss"),
        (("export", "1", "--from", "5:00"), 2, "long"),
        (("export", "1", "--out", "/nowhere/at/all.mid"), 2, "cannot write"),
        (("export", "1", "--out", "tonight.yaml"), 2, "name it tonight.mid"),
        (("export", "1", "--cycle", "5", "--out", "tonight.mid"), 2, "name it tonight.yaml"),
    ],
)
def test_wrong_input_is_one_clear_line(folder, words, code, says):
    result = run(folder, *words)
    assert (result.exit_code, len(result.output.splitlines())) == (code, 1)
    assert says in result.output


def test_no_database_and_no_sqlite_file(tmp_path):
    absent = run(tmp_path, "shows")
    assert absent.exit_code == 3 and "no show has been recorded" in absent.output
    (tmp_path / "shows.db").write_text("these are not the shows" * 100)
    broken = run(tmp_path, "shows")
    assert broken.exit_code == 2 and "cannot be read" in broken.output


_LISTENER = """
import sys, time, jack
client = jack.Client("listener")
port = client.midi_inports.register("in")
heard = []
@client.set_process_callback
def process(frames):
    for _, data in port.incoming_midi_events():
        heard.append(bytes(data))
with client:
    print("ready", flush=True)
    end = time.monotonic() + 40
    while time.monotonic() < end and not client.get_ports("replank replay", is_midi=True, is_output=True):
        time.sleep(0.05)
    for source in client.get_ports("replank replay", is_midi=True, is_output=True):
        if "second" not in source.name:
            client.connect(source, port)
    print("patched", flush=True)
    sys.stdin.readline()
    for data in heard:
        print(data.hex())
"""


@pytest.mark.real
def test_live_sends_the_notes_of_the_show_and_releases_them(jack_server, folder):
    code = "from replank.cli.main import main; main()"
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "daemon"), "JACK_DEFAULT_SERVER": jack_server}
    listener = subprocess.Popen([sys.executable, "-c", _LISTENER], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                text=True, env=environment)  # fmt: skip
    assert listener.stdout is not None
    assert listener.stdout.readline() == "ready\n"
    command = [sys.executable, "-c", code, "replay", "2", "--live", "--api", "jack", "--wait", "4",
               "--state-dir", str(folder)]  # fmt: skip
    live = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    guard = threading.Timer(50, live.kill)
    guard.start()
    try:
        said, _ = live.communicate()
        heard, _ = listener.communicate("\n")
    finally:
        guard.cancel()
        listener.kill()
    assert live.returncode == 0 and "the show is over" in said
    messages = [bytes.fromhex(word) for word in heard.split()[1:]]
    whole = json.loads(run(folder, "replay", "2", "--json").output)
    ons = [data for data in messages if data[0] & 0xF0 == 0x90 and data[2]]
    offs = [data for data in messages if data[0] & 0xF0 == 0x80]
    assert 10 < len(ons) < whole["notes"], "one of two outputs is heard"
    assert len(ons) == len(offs)


@pytest.mark.real
def test_live_ended_by_hand_releases_what_sounds(jack_server, folder):
    code = "from replank.cli.main import main; main()"
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "daemon"), "JACK_DEFAULT_SERVER": jack_server}
    command = [sys.executable, "-u", "-c", code, "replay", "1", "--live", "--api", "jack", "--wait", "0", "--from", "3",
               "--state-dir", str(folder)]  # fmt: skip
    live = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    assert live.stdout is not None
    assert "ports are open" in live.stdout.readline() and "begins in" in live.stdout.readline()
    live.send_signal(signal.SIGTERM)
    said, _ = live.communicate(timeout=30)
    assert live.returncode == 130 and "all notes released" in said
