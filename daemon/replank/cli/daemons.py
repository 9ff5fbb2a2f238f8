"""What commands share that talk to a running daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NoReturn

from replank.cli.exits import ABSENT, Fail
from replank.host.client import Client, NoDaemon, connect
from replank.host.paths import socket_path


def reach(instance: str) -> Client:
    """Return a connection to an instance's daemon.

    Raises:
        Fail: Nobody answers (exit code 3), or the name is wrong.
    """
    try:
        return connect(instance)
    except NoDaemon as error:
        lost(error)
    except ValueError as error:
        raise Fail(f"--instance: {error}") from None


def socket_of(instance: str) -> Path:
    """Return an instance's socket.

    Raises:
        Fail: No such name, or a path that is too long for one.
    """
    try:
        return socket_path(instance)
    except ValueError as error:
        raise Fail(f"--instance: {error}") from None


def lost(error: Exception) -> NoReturn:
    """End a command whose daemon went away.

    Raises:
        Fail: Always, with exit code 3.
    """
    raise Fail(str(error), ABSENT) from None


def host_part(state: dict[str, Any]) -> dict[str, Any]:
    """Return the host's part of a whole state."""
    return dict(state.get("host") or {})
