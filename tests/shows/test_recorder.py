"""The recorder: order, bounds, what survives a kill, and how much room a show takes."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from replank.control.notices import Notice
from replank.host.shows import schema
from replank.host.shows.reading import Archive
from replank.host.shows.recorder import Recorder
from tests.shows.streams import SECOND, Told, busy, feed, kept, recorded, state, wait_until

ROOT = Path(__file__).parent.parent.parent


def test_streams_and_marks_come_back_in_order(tmp_path):
    base = time.monotonic_ns()
    calls = list(busy(base, 3))
    recorder = Recorder(tmp_path / "shows.db", engine=1, instance="stage")
    recorder.begin(state(base))
    feed(recorder, iter(calls))
    recorder.notice(Notice("star", base + 3 * SECOND, {"text": "the turn", "cycle": 4}))
    recorder.notice(Notice("name", base + 3 * SECOND, {"text": "Open Night"}))
    recorder.checkpoint(base + 3 * SECOND, state(base + 3 * SECOND))
    assert recorder.close()
    assert recorder.health()["state"] == "closed"
    with Archive(tmp_path / "shows.db") as archive:
        show = archive.find("open night")
        assert (show.name, show.stars, show.closed, show.engine, show.instance) == ("Open Night", 1, 1, 1, "stage")
        inputs = [(now, *rest) for what, now, *rest in calls if what == "input"]
        outputs = [(now, list(rest)) for what, now, *rest in calls if what == "output"]
        assert [(item.now, item.what) for item in archive.stream(show, "inputs")] == inputs
        assert [(item.now, item.what) for item in archive.stream(show, "outputs")] == outputs
        kinds = [item.what[0] for item in archive.stream(show, "notices")]
        assert kinds[-2:] == ["star", "name"] and "cycle" not in kinds
        assert [mark.kind for mark in archive.marks(show)] == ["checkpoint", "star", "name", "checkpoint"]
        last = archive.marks(show)[-1]
        assert (last.inputs, last.outputs) == (len(inputs), len(outputs))
        assert archive.state(last) == state(base + 3 * SECOND)
        assert not archive.damage


def test_reading_may_begin_anywhere(tmp_path):
    with Archive(recorded(tmp_path / "shows.db")) as archive:
        show = archive.find("last")
        whole = list(archive.stream(show, "inputs"))
        for start in (0, 1, len(whole) // 2, len(whole) - 1, len(whole), len(whole) + 5):
            assert list(archive.stream(show, "inputs", start)) == whole[start:]


def test_a_show_can_be_read_while_it_is_recorded(tmp_path):
    recorder = Recorder(tmp_path / "shows.db", engine=1)
    base = time.monotonic_ns()
    recorder.begin(state(base))
    fed = feed(recorder, busy(base, 2))
    wait_until(lambda: kept(recorder))
    with Archive(tmp_path / "shows.db") as archive:
        assert len(list(archive.stream(archive.find("last"), "inputs"))) == fed
        feed(recorder, busy(base + 2 * SECOND, 1, seed=2))
        wait_until(lambda: kept(recorder))
    assert recorder.close()


def test_the_files_are_their_owners_alone(tmp_path):
    recorder = Recorder(tmp_path / "new" / "shows.db", engine=1)
    recorder.begin(state(time.monotonic_ns()))
    wait_until(lambda: kept(recorder))
    files = list((tmp_path / "new").iterdir())
    assert len(files) == 3, "the database, its write-ahead log, and the index of that"
    assert {file.stat().st_mode & 0o777 for file in files} == {0o600}
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o700
    assert recorder.close()


def test_no_method_waits_while_the_queue_is_full(tmp_path):
    (tmp_path / "taken").write_text("a file where a folder is wanted")
    told = Told()
    recorder = Recorder(tmp_path / "taken" / "shows.db", told, engine=1, queue=50)
    base = time.monotonic_ns()
    recorder.begin(state(base))
    for n in range(500):
        recorder.input(base + n, ["m", 0, b"\xf8"])
    wait_until(lambda: bool(told))
    health = recorder.health()
    assert health["queued"] <= 50 and health["dropped"] >= 450 and health["state"] == "failing"
    (tmp_path / "taken").unlink()
    wait_until(lambda: kept(recorder))
    recorder.input(base + 600, ["m", 0, b"\xf8"])
    wait_until(lambda: kept(recorder) and recorder.health()["wants_checkpoint"])
    recorder.checkpoint(base + 700, state(base + 700))
    assert recorder.close()
    assert told.states() == ["failing", "ok"]
    with Archive(tmp_path / "taken" / "shows.db") as archive:
        show = archive.find("last")
        assert [mark.kind for mark in archive.marks(show)] == ["checkpoint", "gap", "checkpoint"]
        gap = archive.marks(show, schema.GAP)[0]
        assert archive.state(gap)["dropped"] == 451 and show.gaps == 1


def test_what_is_not_plain_data_ends_nothing(tmp_path):
    recorder = Recorder(tmp_path / "shows.db", engine=1)
    base = time.monotonic_ns()
    recorder.begin(state(base))
    recorder.input(base, ["m", object()])
    recorder.input(base + 5, ["m", 0, b"\xf8"])
    assert recorder.close()
    with Archive(tmp_path / "shows.db") as archive:
        show = archive.find("last")
        assert len(list(archive.stream(show, "inputs"))) == 1
        assert "could not be packed" in archive.marks(show, schema.GAP)[0].text


def test_times_may_stand_still_or_jump(tmp_path):
    recorder = Recorder(tmp_path / "shows.db", engine=1)
    base = time.monotonic_ns()
    recorder.begin(state(base))
    times = [base, base, base + 5 * SECOND, base + 5 * SECOND, base + 4 * SECOND, base + 3700 * SECOND]
    for now in times:
        recorder.input(now, ["m", 0, b"\xf8"])
    assert recorder.close()
    with Archive(tmp_path / "shows.db") as archive:
        assert [item.now for item in archive.stream(archive.find("last"), "inputs")] == times


_WRITER = """
import sys, time
from pathlib import Path
from replank.host.shows.recorder import Recorder
recorder = Recorder(Path(sys.argv[1]), engine=1)
base = time.monotonic_ns()
recorder.begin({"now": base, "seed": 1})
for n in range(100000):
    recorder.input(base + n * 5_000_000, ["m", 0, n.to_bytes(3, "big")])
    commits = recorder.health()["commits"]
    sys.stdout.write(f"{n + 1} {commits}\\n")
    sys.stdout.flush()
    time.sleep(0.002)
"""


@pytest.mark.parametrize("wanted", [2, 5])
def test_a_killed_process_loses_only_what_no_commit_has_taken(tmp_path, wanted):
    path = tmp_path / "shows.db"
    writer = subprocess.Popen([sys.executable, "-c", _WRITER, str(path)], stdout=subprocess.PIPE, text=True,
                              env={**os.environ, "PYTHONPATH": str(ROOT / "daemon")})  # fmt: skip
    assert writer.stdout is not None
    given_before: dict[int, int] = {}  # commits -> items given when that count was first seen
    for line in writer.stdout:
        given, commits = map(int, line.split())
        given_before.setdefault(commits, given)
        if commits >= wanted + 1:
            break
    writer.send_signal(signal.SIGKILL)
    writer.wait()
    writer.stdout.close()
    with Archive(path) as archive:
        show = archive.find("last")
        items = list(archive.stream(show, "inputs"))
        assert show.closed == 0 and not archive.damage
        # what stood in the queue a whole commit before the kill is on the disk
        assert len(items) >= given_before[wanted] - 1
        assert [int.from_bytes(item.what[2], "big") for item in items] == list(range(len(items)))


def test_every_commit_reaches_the_disk_before_the_next(tmp_path):
    path = recorded(tmp_path / "shows.db")
    recorder = Recorder(path, engine=1)
    recorder.begin(state(time.monotonic_ns()))
    wait_until(lambda: kept(recorder))
    sql = recorder._writer.opened.connection
    assert sql.execute("PRAGMA synchronous").fetchone()[0] == 2, "FULL: SQLite, PRAGMA synchronous"
    assert sql.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    recorder.close()


def test_a_show_that_was_cut_off_just_now_goes_on(tmp_path):
    path = tmp_path / "shows.db"
    first = Recorder(path, engine=1)
    base = time.monotonic_ns()
    first.begin(state(base))
    fed = feed(first, busy(base, 1.5))
    wait_until(lambda: kept(first))
    first._writer.finish = lambda: None  # as a killed process: no end is written
    first.close()
    with closing(sqlite3.connect(path)) as sql:
        assert sql.execute("SELECT closed FROM shows").fetchall() == [(0,)]
    second = Recorder(path, engine=1)
    again = base + int(1.6 * SECOND)
    second.begin(state(again))
    fed += feed(second, busy(again, 1.5, seed=9))
    assert second.close()
    with Archive(path) as archive:
        assert len(archive.shows()) == 1
        show = archive.find("last")
        assert len(list(archive.stream(show, "inputs"))) == fed and not archive.damage
        assert [mark.kind for mark in archive.marks(show)] == ["checkpoint", "gap", "checkpoint"]
    third = Recorder(path, engine=1)
    third.begin(state(again))
    assert third.close()
    with Archive(path) as archive:
        assert len(archive.shows()) == 2, "a show that ended in order is not gone on with"


def test_three_hours_at_300_bpm_stay_under_50_megabytes(tmp_path):
    """Measured on three minutes; a show's room grows with its length and nothing else."""
    path = tmp_path / "shows.db"
    recorder = Recorder(path, engine=1, queue=1_000_000)
    base = time.monotonic_ns()
    recorder.begin(state(base, 4000))
    for minute in range(3):
        feed(recorder, busy(base + minute * 60 * SECOND, 60, seed=minute))
        # a full trail, 32 snapshots and their rolls: about 100 kB of numbers that do not compress
        recorder.checkpoint(base + (minute + 1) * 60 * SECOND, state(base, 12_000))
    assert recorder.close(60)
    assert path.stat().st_size * 60 < 50_000_000
