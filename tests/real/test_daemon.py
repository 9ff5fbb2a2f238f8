"""What tests start is ended, also where it does not end by itself."""

import os
import signal
from pathlib import Path

import pytest

from tests.real.daemon import Daemon

BARE = ("--api", "none", "--clock", "internal")


def lives(pid: int) -> bool:
    """Tell whether a process runs; one that nobody has waited for yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def test_a_daemon_that_does_not_end_is_ended_with_all_of_it(monkeypatch):
    daemon = Daemon(*BARE)
    monkeypatch.setattr(Daemon, "PATIENCE", 0.2)
    pids = daemon.children()
    assert set(daemon.ready["pids"].values()) <= set(pids)
    os.kill(daemon.process.pid, signal.SIGSTOP)  # hears no SIGTERM
    with pytest.raises(AssertionError, match="did not end"):
        daemon.clean()
    assert daemon.children() == []
    assert not [pid for pid in pids if lives(pid)]
    assert not daemon.folder.exists()


def test_a_daemon_that_is_never_ready_is_ended_with_all_of_it(monkeypatch):
    made = []
    monkeypatch.setattr(Daemon, "wait_ready", lambda self: made.append(self) or 1 / 0)
    with pytest.raises(ZeroDivisionError):
        Daemon(*BARE)
    assert made[0].children() == []
    assert not made[0].folder.exists()
