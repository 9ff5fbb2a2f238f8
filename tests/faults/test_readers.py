"""Bytes through every reader of what comes from outside: the socket, YAML files, the show database.

Hypothesis makes them, with a budget of its own: REPLANK_READER_EXAMPLES examples of each (default 40;
scripts/fuzz takes many more).
"""

import contextlib
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import tempfile
import time
from pathlib import Path

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from replank.control.parameters import DEFAULTS
from replank.host.files import BadFile
from replank.host.files.kinds import check_file
from replank.host.files.rig import RIG_KEYS
from replank.host.files.sets import SET_KEYS
from replank.host.shows import store
from replank.host.shows.comparing import check
from replank.host.shows.lasting import last_state, snapshot_forms
from replank.host.shows.packing import Damaged
from replank.host.shows.reading import Archive
from tests.faults.fuzzing import LINES, ROOT
from tests.real.daemon import COMMAND, Daemon
from tests.shows.make_golden import GOLDEN

EXAMPLES = int(os.environ.get("REPLANK_READER_EXAMPLES", "40"))
budget = settings(
    max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck), print_blob=True
)

texts = st.one_of(st.text(max_size=30), st.sampled_from(("1/16", "D", "recall:x@now", "length=3", "☾", "\x1b[2J", "")))
leaves = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), texts)
plain = st.recursive(
    leaves,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(texts, inner, max_size=4)),
    max_leaves=8,
)
WORDS = ("do", "id", "values", "action", "words", "levels", "state", "name", "show", "cycle", "number")
DOES = ("ping", "state", "subscribe", "set", "act", "say", "reload", "forms", "nothing", "", "x" * 400)
requests = st.dictionaries(st.sampled_from(WORDS), plain, max_size=4).flatmap(
    lambda rest: st.one_of(st.sampled_from(DOES), leaves).map(lambda do: {**rest, "do": do})
)


@st.composite
def lines(draw) -> bytes:
    """Return bytes for the socket: requests, damaged ones, and any others."""
    whole = b""
    for _ in range(draw(st.integers(1, 3))):
        request = draw(st.one_of(requests, st.sampled_from(LINES)))
        data = bytearray(json.dumps(request).encode())
        for _ in range(draw(st.integers(0, 2))):
            at = draw(st.integers(0, len(data)))
            data[at : at + draw(st.integers(0, 3))] = draw(st.binary(max_size=4))
        whole += bytes(data) + b"\n"
    return draw(st.one_of(st.just(whole), st.binary(max_size=600)))


@pytest.fixture(scope="module")
def daemon():
    made = Daemon("--api", "none", "--clock", "internal", "-p", "mutation_chance=0", "--seed", "7")
    yield made  # stopped: what was accepted and falls due later would look like a change by what came meanwhile
    made.clean()


def facts(daemon) -> dict:
    """What no refused request may change."""
    performer = daemon.state()["performer"]
    return {name: performer[name] for name in ("parameters", "snapshots", "pieces", "piece")} | {
        "steps": [(s["pitch"], s["rhythm"], s["pinned"], s["rest_roll"]) for s in performer["line"]["steps"]],
        "running": performer["transport"]["running"],
    }


def converse(daemon, data: bytes) -> list[dict]:
    """Send bytes and then a ping; return what is answered until that ping or the end."""
    answers = []
    with socket.socket(socket.AF_UNIX) as raw:
        raw.settimeout(30)
        raw.connect(os.fspath(daemon.socket))
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            raw.sendall(data + b'\n{"id":"the last","do":"ping"}\n')
            for line in raw.makefile("rb"):
                answers.append(json.loads(line))
                if answers[-1].get("id") == "the last":
                    break
    return answers


@budget
@given(data=lines())
def test_bytes_on_the_socket(daemon, data):
    """Each line has one answer or ends the connection; what is refused changes nothing; host and player stay."""
    before, pids = facts(daemon), daemon.state()["host"]["pids"]
    answers = converse(daemon, data)
    assert answers and answers[0]["protocol"] == 1
    told = [one for one in answers if "ok" in one]
    assert len(told) <= data.count(b"\n") + 2  # an answer a line, an unfinished one too
    assert all(isinstance(one.get("error"), str) and one["error"] for one in told if not one["ok"])
    assert not any("its log says why" in one.get("error", "") for one in told)
    if not any(one["ok"] for one in told if one.get("id") != "the last"):
        assert facts(daemon) == before
    after = daemon.state()
    assert after["host"]["pids"] == pids and after["host"]["clients"] <= 2


TRIPS = """\
from replank.host.requests import Requests
plain = Requests.ask
async def ask(self, request, who):
    return {}[who] if request["do"] == "fly" else await plain(self, request, who)
Requests.ask = ask"""


def test_a_host_that_fails_on_a_request_is_rejected():
    """Negative control: a reader that trips over a request of an unknown kind."""
    made = Daemon("--api", "none", broken=("replank.host", TRIPS))
    try:
        with pytest.raises(AssertionError):
            test_bytes_on_the_socket.hypothesis.inner_test(made, b'{"do":"fly"}\n')
    finally:
        made.clean()


KEYS = sorted({key.name for key in (*RIG_KEYS, *SET_KEYS)} | set(DEFAULTS) | {"rig", "set", "profile", "controls"})
values = st.recursive(
    st.one_of(leaves, st.sampled_from(("C4", "note 36", "cc 30", "1/8t", "clock", "line", "out", "4/4"))),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(KEYS), inner, max_size=4)),
    max_leaves=12,
)
SOURCES = [one.read_text() for folder in ("examples", "profiles") for one in sorted((ROOT / folder).glob("*.yaml"))]


@st.composite
def documents(draw) -> bytes:
    """Return a file: made of our keys, a shipped one with a value changed, or anything."""
    way = draw(st.integers(0, 2))
    if way == 0:
        top = draw(st.dictionaries(st.sampled_from(KEYS), values, max_size=6))
        return yaml.safe_dump({draw(st.sampled_from(("rig", "set", "profile"))): 1, **top}, allow_unicode=True).encode()
    if way == 1:
        rows = draw(st.sampled_from(SOURCES)).splitlines()
        at = draw(st.integers(0, len(rows) - 1))
        rows[at] = rows[at].partition(":")[0] + ": " + draw(st.one_of(texts, values.map(json.dumps)))
        return "\n".join(rows).encode("utf-8", "surrogatepass")
    return draw(st.binary(max_size=300))


@budget
@given(data=documents())
def test_bytes_of_a_yaml_file(data):
    """It is read, or refused with the place of every mistake; nothing else."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "file.yaml"
        path.write_bytes(data)
        began = time.process_time()
        try:
            assert check_file(path).kind in ("rig", "set", "profile")
        except BadFile as error:
            assert error.mistakes
            for mistake in error.mistakes:
                assert mistake.line >= 1 and mistake.column >= 1 and mistake.what
                assert "\x1b" not in str(mistake) and "\n" not in str(mistake)
        assert time.process_time() - began < 20.0


@st.composite
def edits(draw) -> list[tuple[int, int, bytes]]:
    """Return what to do to a show database: from where, how many bytes, by what they are replaced."""
    size, found = (GOLDEN / "engine-2.db").stat().st_size, []
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.one_of(st.integers(0, 200), st.integers(0, size - 1)))
        length, put = draw(st.sampled_from(((1, 0), (20, 0), (4096, 4096), (size, 0), (0, 1))))
        found.append((at, length, bytes(put) if put > 1 else draw(st.binary(min_size=length % 4096, max_size=60))
                      if length < size else b""))  # fmt: skip
    return found


@settings(budget, max_examples=max(10, EXAMPLES // 2))
@given(changes=edits())
def test_bytes_of_a_show_database(changes):
    """What can be read is; the rest is refused by name; a daemon that opens it for writing has a whole one then."""
    data = bytearray((GOLDEN / "engine-2.db").read_bytes())
    for at, length, put in changes:
        data[at : at + length] = put
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shows.db"
        path.write_bytes(data)
        with contextlib.suppress(store.Unusable, Damaged, FileNotFoundError), Archive(path) as archive:
            for show in archive.shows():
                with contextlib.suppress(store.Unusable, Damaged):
                    check(archive, show)
        last_state(path)
        with contextlib.suppress(store.Unusable, Damaged, ValueError):
            snapshot_forms(path, "last")
        again = Path(folder) / "again.db"
        shutil.copy(path, again)
        opened = store.open_for_writing(again)
        assert opened.connection.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
        opened.close()


KINDS = [("inputs", "first"), ("outputs", "count"), ("marks", "now"), ("notices", "blob")]


@pytest.mark.parametrize(("table", "column"), KINDS)
def test_a_value_of_another_kind_is_damage_and_the_rest_is_exported(tmp_path, table, column):
    """What no check of SQLite's sees: a number that became a text; the export says what is left out."""
    path = Path(shutil.copy(GOLDEN / "engine-2.db", tmp_path / "shows.db"))
    with contextlib.closing(sqlite3.connect(path)) as sql:
        key = sql.execute(f"SELECT rowid FROM {table} ORDER BY rowid LIMIT 1 OFFSET 4").fetchone()[0]
        sql.execute(f"UPDATE {table} SET {column} = 'x' WHERE rowid = ?", (key,))
        sql.commit()
    command = ["export", "1", "--file", str(path), "--out", str(tmp_path / "out.mid")]
    done = subprocess.run([*COMMAND, *command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out.mid").stat().st_size > 1000
    assert "Traceback" not in done.stderr and ("left out" in done.stderr or table == "marks")


@pytest.mark.parametrize("length", [0, 30, 5000, 100_000])
def test_a_database_that_cannot_be_read_is_one_line(tmp_path, length):
    path = tmp_path / "shows.db"
    path.write_bytes((GOLDEN / "engine-2.db").read_bytes()[:length])
    for command in ("export", "replay"):
        done = subprocess.run(
            [*COMMAND, command, "last", "--file", str(path)], capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
        assert str(path) in done.stderr
