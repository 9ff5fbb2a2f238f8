"""The service manager's notification protocol, by hand: one datagram of VAR=value lines.

Source: sd_notify(3) and sd_watchdog_enabled(3) of systemd.  Without
NOTIFY_SOCKET nothing is sent; errors are ignored, as the manual recommends.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


def notify(text: str, environ: Mapping[str, str] = os.environ) -> bool:
    """Send lines such as ``READY=1`` to the service manager; True if they left."""
    address = environ.get("NOTIFY_SOCKET", "")
    if address[:1] not in ("/", "@"):
        return False
    if address[0] == "@":  # the abstract namespace is written with a leading @
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | getattr(socket, "SOCK_CLOEXEC", 0)) as sender:
            sender.setblocking(False)  # a manager that does not read must not hold us up
            sender.sendto(text.encode(), address)
    except OSError:
        return False
    return True


def watchdog_seconds(environ: Mapping[str, str] = os.environ) -> float | None:
    """Return how often the watchdog wants to hear from this process (half its timeout), or None."""
    pid, microseconds = environ.get("WATCHDOG_PID", ""), environ.get("WATCHDOG_USEC", "")
    if not microseconds.isdigit() or int(microseconds) == 0 or (pid and pid != str(os.getpid())):
        return None
    return int(microseconds) / 2e6
