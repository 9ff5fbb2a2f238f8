"""What reached the host is in the database after every kill, though the host had not written it yet."""

import os
import signal
from contextlib import closing

import pytest

from replank.host.journal import LONG, Journal
from replank.host.shows.reading import Archive
from tests.host.test_adopting import is_new, pids, play, until

__all__ = ["play"]

LATE = "import replank.host.shows.recorder as recorder\nrecorder.COMMIT_EVERY = 1.5"
"""A host that writes so seldom that a kill finds it with things unwritten."""
FORGETFUL = f"{LATE}\nfrom replank.host.journal import Journal\nJournal.write = lambda self, data: None"


def begun(daemon) -> None:
    """Wait until the show stands in the database, right behind a commit."""
    before = daemon.state()["host"]["disk"]["commits"]
    assert until(lambda: daemon.state()["host"]["disk"]["commits"] > before)


def kept(daemon) -> list[dict]:
    """Return the values that were set, as the record of the last show has them."""
    with closing(Archive(daemon.folder / "state" / "replank" / "shows.db")) as archive:
        inputs = [item.what for item in archive.stream(archive.shows()[-1], "inputs")]
        return [what[1] for what in inputs if what[0] == "a"]


def killed_and_back(daemon, names: tuple[str, ...]) -> None:
    begun(daemon)
    daemon.say("length=7", "redraw@now")
    before = pids(daemon)
    if names:
        for name in names:
            os.kill(before[name], signal.SIGKILL)
        assert until(lambda: is_new(daemon, before, *names))
        return
    for pid in daemon.children():
        os.kill(pid, signal.SIGKILL)
    daemon.process.wait()
    assert until(lambda: daemon.children() == [])
    daemon.close_pipes()
    daemon.start()


@pytest.mark.parametrize("names", [(), ("host",), ("host", "player"), ("player", "host")])
def test_what_was_not_written_is_in_the_line_and_in_the_record(play, names):
    daemon = play(broken=("replank.host", LATE))
    daemon.say("start")
    killed_and_back(daemon, names)
    assert daemon.state()["performer"]["parameters"]["length"] == 7
    begun(daemon)
    assert {"length": 7} in kept(daemon)
    replayed = daemon.run("replay", "last")
    assert replayed.returncode == 0, replayed.stdout + replayed.stderr
    daemon.stop()
    assert not list((daemon.folder / "replank").glob("*journal*"))


@pytest.mark.parametrize("names", [(), ("host",)])
def test_a_host_without_a_journal_is_noticed(play, names):
    """Negative control."""
    daemon = play(broken=("replank.host", FORGETFUL))
    daemon.say("start")
    killed_and_back(daemon, names)
    begun(daemon)
    assert {"length": 7} not in kept(daemon)


def test_the_older_file_goes_only_when_the_database_has_it(tmp_path):
    journal = Journal(tmp_path / "x.journal")
    first, second, third = bytes([1]) * LONG, bytes([2]) * LONG, b"3"
    journal.write(first)
    journal.shorten(given=10, kept=0)  # nothing was ever kept: the recorder has not begun
    assert journal.read().data == first
    journal.shorten(given=10, kept=1)
    journal.write(second)
    journal.shorten(given=20, kept=9)
    assert journal.read().data == first + second
    journal.shorten(given=20, kept=10)
    journal.write(third)
    assert journal.read().data == second + third
    journal.base(5, "nonce")
    assert Journal(tmp_path / "x.journal").read() == (second + third, [(5, "nonce")])
    journal.clear()
    assert journal.read() == (b"", [])
