"""Claiming an instance: its lock, its socket, and who has it already.

The lock is a file lock that keeper, host and player all inherit: as long as
any of them lives, the instance is taken, and the file says by whom.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import socket
from pathlib import Path
from typing import Any, NamedTuple

from replank.host.paths import DEFAULT_INSTANCE, private_dir

BACKLOG = 16


class Taken(Exception):
    """Somebody has this instance; the message says who and where."""


class Claim(NamedTuple):
    """What a keeper holds: inherited descriptors and the paths behind them."""

    listen_fd: int
    lock_fd: int
    socket: Path
    lock: Path


def claim(path: Path, instance: str) -> Claim:
    """Take an instance.

    Args:
        path: Of the socket; its folder must be its owner's alone.
        instance: Name of the instance.

    Raises:
        Taken: It is taken.
        UnsafeFolder: See `replank.host.paths.private_dir`.
        OSError: The socket cannot be made.
    """
    private_dir(path.parent)
    lock = path.with_suffix(".lock")
    lock_fd = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    try:
        fcntl.flock(lock_fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        holder = os.read(lock_fd, 4096)
        os.close(lock_fd)
        raise Taken(describe(holder, path, instance)) from None
    if not _is_at(lock_fd, lock):  # the one before removed it just now, and somebody else may have made another
        os.close(lock_fd)
        return claim(path, instance)
    write_holder(lock_fd, path)
    with contextlib.suppress(FileNotFoundError):
        path.unlink()  # left behind by a keeper that was killed: the lock says that nobody lives
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    before = os.umask(0o177)
    try:
        listening.bind(os.fspath(path))
    finally:
        os.umask(before)
    listening.listen(BACKLOG)
    return Claim(listening.detach(), lock_fd, path, lock)


def write_holder(lock_fd: int, path: Path, player: int = 0) -> None:
    """Write into the lock file who has the instance: this process, and its player."""
    said = json.dumps({"pid": os.getpid(), "socket": str(path), "player": player}).encode()
    with contextlib.suppress(OSError):  # a full disk: it is only for people
        os.pwrite(lock_fd, said, 0)
        os.ftruncate(lock_fd, len(said))


def _is_at(lock_fd: int, lock: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(lock_fd), lock.stat())
    except FileNotFoundError:
        return False


def describe(holder: bytes, path: Path, instance: str) -> str:
    """Return in words who has an instance, from what its lock file says."""
    try:
        facts: dict[str, Any] = json.loads(holder)
        pid, player = int(facts["pid"]), int(facts.get("player", 0))
    except (ValueError, KeyError, TypeError):
        pid = player = 0
    if pid and _lives(pid):
        look = "replank status" if instance == DEFAULT_INSTANCE else f"replank status --instance {instance}"
        where = f"pid {pid}, socket {path}"
        return f"replank plays already as {instance!r}: {where}; see {look}, or give another name: --instance NAME"
    host = _host_pid(path)
    if host:
        return (
            f"replank plays on as {instance!r} without its keeper (pid {pid}, gone): socket {path}, host pid {host}; "
            f"end it with: kill {host}"
        )
    how = f"end it with: kill {player}" if player else "end it, then play again"
    return f"a player of {instance!r} still plays without keeper and host; {how} (socket was {path})"


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _host_pid(path: Path) -> int:
    """Return the pid of the host that answers at a socket, 0 if none does."""
    from replank.host.client import Client, Denied, NoDaemon

    try:
        with Client(path, timeout=2.0) as client:
            return int(client.ask("state")["state"]["host"]["pids"]["host"])
    except (NoDaemon, Denied, KeyError, TypeError):
        return 0
