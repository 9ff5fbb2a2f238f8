"""The service manager's protocol (sd_notify(3), sd_watchdog_enabled(3)) against a socket of our own."""

import os
import socket

import pytest

from replank.keeper.systemd import notify, watchdog_seconds


def test_nothing_happens_without_a_socket():
    assert notify("READY=1", {}) is False
    assert notify("READY=1", {"NOTIFY_SOCKET": "relative"}) is False


@pytest.mark.parametrize("abstract", [False, True])
def test_one_datagram_with_the_lines(tmp_path, abstract):
    name = f"replank-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0{name}" if abstract else name)
        manager.settimeout(10)
        assert notify("READY=1\nSTATUS=playing", {"NOTIFY_SOCKET": f"@{name}" if abstract else name})
        assert manager.recv(1024) == b"READY=1\nSTATUS=playing"


def test_a_manager_that_is_gone_is_ignored(tmp_path):
    assert notify("READY=1", {"NOTIFY_SOCKET": str(tmp_path / "nobody")}) is False


def test_the_watchdog_is_fed_at_half_its_time():
    assert watchdog_seconds({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}) == 1.5
    assert watchdog_seconds({"WATCHDOG_USEC": "3000000"}) == 1.5
    assert watchdog_seconds({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}) is None
    assert watchdog_seconds({"WATCHDOG_USEC": "soon"}) is None
    assert watchdog_seconds({}) is None
