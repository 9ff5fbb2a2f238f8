"""A running daemon whose database is full, read-only or slow: the show goes on, and keeping resumes by itself."""

import threading
import time
from collections import deque
from pathlib import Path

import pytest

from replank.host.shows import writing
from tests.faults.stage import PATIENCE, Peer
from tests.faults.test_disk import disk, replayed
from tests.faults.witness import Witness

pytestmark = [pytest.mark.real, pytest.mark.timeout(600)]

HOOK = """\
import os, pathlib, time
from replank.host.shows import writing
place = pathlib.Path(os.environ["XDG_STATE_HOME"]) / "what-fails"
plain = writing.Writer.tick
def tick(self, clock):
    what = place.read_text() if place.exists() else ""
    self.pages = 1 if what == "full" else 0
    if self.opened is not None:
        sql = self.opened.connection
        sql.execute(f"PRAGMA query_only = {int(what == 'read-only')}")
        waits = [2.5]  # seconds, within a transaction: longer than what is called slow
        sql.set_progress_handler((lambda: time.sleep(waits.pop() if waits else 0)) if what == "slow" else None, 1)
    plain(self, clock)
writing.Writer.tick = tick
"""
"""SQLite's own means: max_page_count, query_only, and a step that takes long."""
DEAF = """\
from replank.performer import clocking
from replank.timing.judge import ClockJudge
tick_of, ticks = clocking.tick, []
def one_short(performer):
    ticks.append(performer)
    if len(ticks) != 40:
        tick_of(performer)
    else:
        performer.transport.judge.clock(performer.now)
clocking.tick = one_short
ClockJudge.word = "locked"
"""
"""Performer of player and host alike, so that both agree on the wrong count, and are sure of it."""
WORDS = {"full": "the disk is full", "read-only": "it is read-only", "slow": "the disk is slow"}


def trouble(playing, stage, what: str, more: str = "", patience: float = PATIENCE, player: str = "") -> list[str]:
    """Let the database fail amid a line; return what is wrong.

    Args:
        more: Breaks the host further, `player` the player.
        patience: Seconds until what has not come does not come; only what is broken on purpose has few.
    """
    daemon = playing(breaks={"replank.host": HOOK + more, "replank.player": player or "pass"})
    place = Path(daemon.env["XDG_STATE_HOME"]) / "what-fails"
    trial = stage(daemon)
    ports = daemon.port
    cables = {"clock": f"{trial.clock.name}:send", "out": ports["out"], "second": ports["second"]}
    said: list[str] = []
    with Witness(f"{daemon.instance}-witness", **cables) as witness, daemon.client() as listening:
        trial.begin()
        listening.ask("subscribe", levels=["event", "warn", "error"], state=False)
        threading.Thread(target=lambda: _note(listening, said), daemon=True).start()
        trial.fault()
        place.write_text(what)
        if what == "full":  # until the room is used up
            trial.clock.storm([b"\xb0\x07\x40"] * 6000, 3000)
        found = []
        if not Peer.until(lambda: any(WORDS[what] in text for text in list(said)), patience):
            found.append(f"nothing was said of it: {said}")
        trial.settle()
        trial.hear(8)
        place.unlink()
        # asking for the state is dear: only when it has been said
        resumed = Peer.until(lambda: any("being kept again" in text for text in list(said)), patience)
        if not (resumed and Peer.until(lambda: disk(daemon) == "ok", patience)):
            found.append(f"keeping did not resume: {daemon.state()['host']['disk']}, {said}")
        found += witness.complaints(trial.end())
    kept = Path(daemon.state()["host"]["disk"]["path"]).parent
    daemon.stop()
    report = replayed(daemon, kept)
    if not report["same"] or report["gaps"] or report["notes"] < 8:
        found.append(f"the record is not whole: {report}")
    return found


def _note(listening, said: list[str]) -> None:
    try:
        said += (line["text"] for line in listening.lines() if line.get("notice") == "disk")
    except (OSError, ValueError):
        time.sleep(0)  # closed: the trial is over


@pytest.mark.parametrize("what", WORDS)
def test_the_show_goes_on_and_is_kept_again(playing, stage, what):
    found = trouble(playing, stage, what)
    assert found == [], found


def test_a_recorder_that_does_not_try_again_is_rejected(playing, stage):
    """Negative control."""
    found = trouble(playing, stage, "full", "writing.RETRY = 1e9\n", 8.0)
    assert any("did not resume" in one for one in found), found


def test_a_recorder_that_says_nothing_is_rejected(playing, stage):
    """Negative control."""
    found = trouble(playing, stage, "read-only", "writing.Writer._say = lambda *given: None\n", 8.0)
    assert any("nothing was said" in one for one in found), found


def test_a_daemon_that_passes_over_a_clock_is_rejected(playing, stage):
    """Negative control: nothing is taken for lost that reached everyone."""
    found = trouble(playing, stage, "read-only", DEAF, player=DEAF)
    assert any("the daemon counts clock" in one for one in found), found


def test_a_disk_that_is_slow_from_the_first_write_is_said_to_be(tmp_path, monkeypatch):
    """Neither for ever opened, nor failing, where things are kept slowly."""
    said: list = []
    writer = writing.Writer(tmp_path / "shows.db", deque(), said.append, 1, "0", "", 0)
    for late, state in ((0.0, "slow"), (1e9, "ok")):
        monkeypatch.setattr(writing, "LATE", late)
        writer.queue.append(("begin", 1, {"now": 1}, False))
        writer.tick(1.0)
        assert writer.state == state
    monkeypatch.setattr(writing, "LATE", 0.0)
    writer.state = "failing"
    writer.queue.append(("begin", 1, {"now": 1}, False))
    writer.tick(1.0)
    writer.finish()
    assert [one.data["state"] for one in said] == ["slow", "ok", "slow"]
