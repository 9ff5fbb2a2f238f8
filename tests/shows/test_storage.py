"""Disks and files that fail: the show goes on, says what is not kept, and goes on keeping."""

import contextlib
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from replank.host.shows import keeping, schema, store
from replank.host.shows.reading import Archive
from replank.host.shows.recorder import Recorder
from tests.shows.streams import SECOND, Told, busy, feed, kept, recorded, state, wait_until

ROOT = Path(__file__).parent.parent.parent


def begun(path: Path, told: Told, **more: object) -> tuple[Recorder, int]:
    recorder = Recorder(path, told, engine=1, **more)
    base = time.monotonic_ns()
    recorder.begin(state(base))
    return recorder, base


def test_a_full_disk_is_said_and_what_came_meanwhile_is_kept_once_there_is_room(tmp_path):
    told = Told()
    recorder, base = begun(tmp_path / "shows.db", told)
    fed = feed(recorder, busy(base, 2))
    wait_until(lambda: kept(recorder))
    recorder.limit_pages(1)  # SQLite keeps the present size as the least bound
    fed += feed(recorder, busy(base + 2 * SECOND, 60, seed=2))
    wait_until(lambda: "failing" in told.states())
    assert recorder.health()["state"] == "failing" and "the disk is full" in told[-1].data["text"]
    fed += feed(recorder, busy(base + 62 * SECOND, 2, seed=3))
    recorder.limit_pages(0)
    wait_until(lambda: kept(recorder))
    assert told.states() == ["failing", "ok"]
    assert recorder.close()
    with Archive(tmp_path / "shows.db") as archive:
        show = archive.find("last")
        assert len(list(archive.stream(show, "inputs"))) == fed and not archive.damage
        assert not archive.marks(show, schema.GAP), "nothing was lost, so nothing is marked"


def test_a_small_file_system_that_fills_up(tmp_path):
    """The same on a real file system of its own, where mounting is allowed."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(place)],
                             capture_output=True, check=False)  # fmt: skip
    if mounted.returncode:
        pytest.skip("elsewhere: mounting a file system needs rights that this user has not")
    try:
        told = Told()
        recorder, base = begun(place / "shows.db", told)
        wait_until(lambda: kept(recorder))
        ballast = place / "ballast"
        with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(4096))
        fed = feed(recorder, busy(base, 20))
        wait_until(lambda: "failing" in told.states())
        ballast.unlink()
        wait_until(lambda: kept(recorder))
        assert recorder.close()
        with Archive(place / "shows.db") as archive:
            assert len(list(archive.stream(archive.find("last"), "inputs"))) == fed
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def test_memory_for_pages_is_bounded_whatever_sqlite_was_built_with(tmp_path):
    # sqlite.org/pragma.html#pragma_cache_size: a negative number is KiB, and lasts as long as the connection
    opened = store.open_for_writing(tmp_path / "shows.db")
    with closing(opened.connection) as connection, closing(store.connect(opened.path)) as unbounded:
        bounds = [one.execute("PRAGMA cache_size").fetchone()[0] for one in (connection, unbounded)]
    assert bounds[0] == -1024
    assert bounds[1] != -1024, "negative control: by itself it has another bound"


def test_another_programs_lock_is_waited_out(tmp_path):
    told = Told()
    recorder, base = begun(tmp_path / "shows.db", told)
    wait_until(lambda: kept(recorder))
    with closing(sqlite3.connect(tmp_path / "shows.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        fed = feed(recorder, busy(base, 1))
        wait_until(lambda: "failing" in told.states())
        assert "locked" in told[-1].data["text"]
        other.execute("ROLLBACK")
    wait_until(lambda: kept(recorder))
    assert recorder.close()
    with Archive(tmp_path / "shows.db") as archive:
        assert len(list(archive.stream(archive.find("last"), "inputs"))) == fed


_AS_ANOTHER = """
import sys, time
from pathlib import Path
sys.path[:0] = sys.argv[2:]
from replank.host.shows.recorder import Recorder
told = []
recorder = Recorder(Path(sys.argv[1]), told.append, engine=1)
recorder.begin({"now": time.monotonic_ns(), "seed": 1})
while not told:
    time.sleep(0.01)
print(told[0].data["state"], told[0].data["text"])
print("closed in order:", recorder.close())
"""


def test_a_folder_that_may_not_be_written(tmp_path):
    place = tmp_path / "locked"
    place.mkdir()
    if os.getuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("elsewhere: root may write everywhere and there is no setpriv")
        for folder in (place, *place.parents):
            if folder.stat().st_uid == 0 and folder.is_relative_to("/tmp") and folder != Path("/tmp"):
                folder.chmod(0o755)
        before = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
    else:
        place.chmod(0o500)
        before = []
    source = tmp_path / "replank-source"  # the other user may not be allowed to read where the source lies
    shutil.copytree(ROOT / "daemon" / "replank", source / "replank", symlinks=False, ignore_dangling_symlinks=True)
    for file in (source, *source.rglob("*")):
        file.chmod(0o755)
    python = shutil.which("python3", path="/usr/local/bin:/usr/bin:/bin") if os.getuid() == 0 else sys.executable
    if python is None:
        pytest.skip("elsewhere: no Python that another user may run")
    said = subprocess.run([*before, python, "-B", "-c", _AS_ANOTHER, str(place / "shows.db"), str(source)],
                          capture_output=True, text=True, check=False, timeout=60)  # fmt: skip
    assert "failing" in said.stdout and "permission denied" in said.stdout, said.stderr
    assert "closed in order: False" in said.stdout


def damage(path: Path, random_: random.Random) -> None:
    data = bytearray(path.read_bytes())
    if random_.random() < 0.3:
        del data[random_.randrange(len(data)) :]
    else:
        for _ in range(random_.choice((1, 20, 400))):
            start = random_.randrange(len(data))
            for at in range(start, min(start + random_.choice((1, 64, 4096)), len(data))):
                data[at] = random_.randrange(256)
    path.write_bytes(data)


@pytest.mark.parametrize("seed", range(25))
def test_a_damaged_file_is_never_lost_and_never_in_the_way(tmp_path, seed):
    path = recorded(tmp_path / "shows.db", 2)
    damage(path, random.Random(seed))
    damaged = path.read_bytes()
    told = Told()
    recorder, base = begun(path, told)
    fed = feed(recorder, busy(base, 1))
    wait_until(lambda: kept(recorder))
    assert recorder.close()
    assert told.states() in ([], ["replaced"])
    if told:
        others = [file for file in tmp_path.glob("*.db") if str(file) != recorder.health()["path"]]
        assert [file.read_bytes() for file in others] == [damaged], "kept as it was"
        assert str(others[0]) in told[0].data["text"]
    with Archive(Path(recorder.health()["path"])) as archive:
        show = archive.find(str(recorder.health()["show"]))
        assert len(list(archive.stream(show, "inputs"))) == fed
        try:
            for other in archive.shows():  # damage that the check at opening does not see is met when it is read
                list(archive.stream(other, "inputs"))
        except store.Unusable:
            pass


def test_damage_that_shows_only_while_writing(tmp_path):
    path = tmp_path / "shows.db"
    told = Told()
    recorder, base = begun(path, told)
    feed(recorder, busy(base, 30))
    wait_until(lambda: kept(recorder))
    with closing(sqlite3.connect(path)) as sql:
        sql.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(path.stat().st_size - 4096))
    fed = 0
    for n in range(200):
        fed += feed(recorder, busy(base + (40 + n) * SECOND, 1, seed=n))
        time.sleep(0.02)
        if "replaced" in told.states():
            break
    wait_until(lambda: "replaced" in told.states())
    recorder.checkpoint(base + 300 * SECOND, state(base + 300 * SECOND))
    wait_until(lambda: kept(recorder))
    assert recorder.close()
    assert [file for file in tmp_path.iterdir() if "damaged" in file.name]
    with Archive(path) as archive:
        show = archive.find("last")
        kinds = [mark.kind for mark in archive.marks(show)]
        assert kinds[:2] == ["checkpoint", "gap"] and kinds[-1] == "checkpoint"
        assert show.closed == 1 and not archive.damage


def test_a_file_removed_under_the_recorder_is_begun_again(tmp_path):
    path = tmp_path / "shows.db"
    told = Told()
    recorder, base = begun(path, told)
    feed(recorder, busy(base, 1))
    wait_until(lambda: kept(recorder))
    for file in tmp_path.iterdir():
        file.unlink()
    wait_until(lambda: "replaced" in told.states())
    fed = feed(recorder, busy(base + 2 * SECOND, 1))
    assert recorder.close()
    with Archive(path) as archive:
        assert len(list(archive.stream(archive.find("last"), "inputs"))) == fed


def test_a_newer_file_is_left_untouched(tmp_path):
    path = recorded(tmp_path / "shows.db")
    with closing(sqlite3.connect(path)) as sql:
        sql.execute(f"PRAGMA user_version = {schema.RECORD + 1}")
        sql.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = path.read_bytes()
    told = Told()
    recorder, base = begun(path, told)
    fed = feed(recorder, busy(base, 1))
    assert recorder.close()
    assert path.read_bytes() == before
    assert "newer" in told[0].data["text"]
    with Archive(tmp_path / f"shows-record-{schema.RECORD}.db") as archive:
        assert len(list(archive.stream(archive.find("last"), "inputs"))) == fed
    with pytest.raises(store.Unusable, match="newer"):
        Archive(path)


def test_another_programs_file_is_left_untouched(tmp_path):
    path = tmp_path / "shows.db"
    with closing(sqlite3.connect(path)) as sql:
        sql.execute("CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    told = Told()
    recorder, _ = begun(path, told)
    assert recorder.close()
    assert path.read_bytes() == before and "another program" in told[0].data["text"]


def test_an_older_file_is_brought_forward_after_a_copy(tmp_path, monkeypatch):
    path = recorded(tmp_path / "shows.db")
    with closing(sqlite3.connect(path)) as sql:
        sql.execute("ALTER TABLE shows DROP COLUMN seed")
        sql.execute(f"PRAGMA user_version = {schema.RECORD - 1}")
    steps = {schema.RECORD - 1: lambda sql: sql.execute("ALTER TABLE shows ADD COLUMN seed TEXT NOT NULL DEFAULT '7'")}
    monkeypatch.setattr(schema, "MIGRATIONS", steps)
    told = Told()
    recorder, _ = begun(path, told)
    assert recorder.close()
    with Archive(path) as archive:
        assert [show.seed for show in archive.shows()] == ["7", "5"]
    with closing(sqlite3.connect(tmp_path / f"shows-before-{schema.RECORD}.db")) as sql:
        assert sql.execute("PRAGMA user_version").fetchone()[0] == schema.RECORD - 1
        assert sql.execute("SELECT count(*) FROM inputs").fetchone()[0]
    assert "brought from" in told[0].data["text"]


def test_a_migration_that_fails_changes_nothing(tmp_path, monkeypatch):
    path = recorded(tmp_path / "shows.db")
    with closing(sqlite3.connect(path)) as sql:
        sql.execute(f"PRAGMA user_version = {schema.RECORD - 1}")

    def breaks(sql: sqlite3.Connection) -> None:
        sql.execute("DROP TABLE marks")
        raise sqlite3.OperationalError("no")

    monkeypatch.setattr(schema, "MIGRATIONS", {schema.RECORD - 1: breaks})
    with pytest.raises(sqlite3.OperationalError):
        store.open_for_writing(path)
    with closing(sqlite3.connect(path)) as sql:
        assert sql.execute("PRAGMA user_version").fetchone()[0] == schema.RECORD - 1
        assert sql.execute("SELECT count(*) FROM marks").fetchone()[0]


def test_old_plain_shows_go_before_named_and_starred_ones_and_the_running_one_never(tmp_path):
    path = tmp_path / "shows.db"
    for _ in range(6):
        recorded(path, 1.2)
    with closing(sqlite3.connect(path)) as sql:
        sql.execute("UPDATE shows SET name = 'Open Night' WHERE id = 1")
        sql.execute("UPDATE shows SET stars = 1 WHERE id = 2")
        sql.execute("UPDATE shows SET closed = 0 WHERE id = 3")  # another daemon's, still running
        sql.commit()

    def left(most_shows: int, most_bytes: int = 1 << 40) -> list[int]:
        with closing(store.connect(path)) as sql:
            work = keeping.Keeping(most_shows, most_bytes)
            while work.step(sql, running=6, clock=1e9):
                pass
            return [row[0] for row in sql.execute("SELECT id FROM shows ORDER BY id")]

    assert left(6) == [1, 2, 3, 4, 5, 6]
    assert left(5) == [1, 2, 3, 5, 6]
    assert left(4) == [1, 2, 3, 6]
    assert left(3) == [2, 3, 6]
    assert left(1) == [3, 6], "neither the running one nor another daemon's"
    assert left(9, most_bytes=1) == [3, 6]
    with Archive(path) as archive:
        show = archive.find("6")
        assert list(archive.stream(show, "inputs")) and not archive.damage


def test_old_shows_that_cannot_be_removed_are_told_of_once_and_the_running_one_is_kept(tmp_path, monkeypatch):
    path = tmp_path / "shows.db"
    for _ in range(3):
        recorded(path, 1.2)
    with closing(sqlite3.connect(path)) as sql:
        sql.execute("CREATE TRIGGER stay BEFORE DELETE ON inputs BEGIN SELECT RAISE(ABORT, 'they stay'); END")
    monkeypatch.setattr(keeping.Keeping.__init__, "__defaults__", (1, 1 << 40))
    told = Told()
    recorder, base = begun(path, told)
    fed = feed(recorder, busy(base, 3))
    wait_until(lambda: kept(recorder) and told.states())
    fed += feed(recorder, busy(base + 3 * SECOND, 3, seed=2))
    wait_until(lambda: kept(recorder) and recorder.health()["commits"] > 1)
    time.sleep(0.3)  # some rounds more
    assert told.states() == ["not removed"] and "they stay" in told[0].data["text"]
    assert recorder.health()["state"] == "ok"
    assert recorder.close()
    with Archive(path) as archive:
        assert len(list(archive.stream(archive.find("last"), "inputs"))) == fed
