"""A running daemon whose database is full, read-only or slow: the show goes on, and keeping resumes by itself."""

import threading
import time
from pathlib import Path

import pytest

from tests.faults.stage import Peer, complaints
from tests.faults.test_disk import disk, replayed

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
WORDS = {"full": "the disk is full", "read-only": "it is read-only", "slow": "the disk is slow"}


def trouble(playing, stage, what: str, more: str = "", patience: float = 30.0) -> list[str]:
    """Let the database fail amid a line; return what is wrong."""
    daemon = playing(breaks={"replank.host": HOOK + more})
    place = Path(daemon.env["XDG_STATE_HOME"]) / "what-fails"
    trial = stage(daemon)
    trial.begin()
    said: list[str] = []
    with daemon.client() as listening:
        listening.ask("subscribe", levels=["event", "warn", "error"], state=False)
        reader = threading.Thread(target=lambda: _note(listening, said), daemon=True)
        reader.start()
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
        if not Peer.until(
            lambda: disk(daemon) == "ok" and any("being kept again" in one for one in list(said)), patience
        ):
            found.append(f"keeping did not resume: {daemon.state()['host']['disk']}, {said}")
    found += complaints(trial.end())
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
    assert trouble(playing, stage, what) == []


def test_a_recorder_that_does_not_try_again_is_rejected(playing, stage):
    """Negative control."""
    found = trouble(playing, stage, "full", "writing.RETRY = 1e9\n", 8.0)
    assert any("did not resume" in one for one in found), found
