"""Which files and folders are used, by the XDG Base Directory Specification 0.8.

A relative path in one of its variables is invalid there and is ignored; unset
and empty both mean the default.  Nothing here creates anything but the folder
of the socket, which must be its owner's alone.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Mapping
from pathlib import Path

NAME = "replank"
DEFAULT_INSTANCE = "default"
SOCKET_PATH_BYTES = 107
"""Longest path of a Unix socket in bytes: 108 with the final NUL (unix(7))."""

_INSTANCE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}")


class UnsafeFolder(Exception):
    """The folder of the socket is not its owner's alone; the message says why and what to do."""


def check_instance(name: str) -> str:
    """Return the name of an instance, or refuse it.

    Raises:
        ValueError: Not 1 to 32 letters, digits, dots, hyphens or underscores,
            beginning with a letter or digit.
    """
    if _INSTANCE.fullmatch(name) is None:
        raise ValueError(
            f"{name!r} cannot name an instance: 1 to 32 letters, digits, '.', '-' or '_', a letter or digit first"
        )
    return name


def _base(variable: str, default: str, environ: Mapping[str, str]) -> Path:
    given = environ.get(variable, "")
    if given.startswith("/"):
        return Path(given)
    return Path(environ.get("HOME") or Path.home()) / default


def config_dir(environ: Mapping[str, str] = os.environ) -> Path:
    """Return the folder of rig, set and own profiles."""
    return _base("XDG_CONFIG_HOME", ".config", environ) / NAME


def state_dir(environ: Mapping[str, str] = os.environ) -> Path:
    """Return the folder of shows, snapshots and patching, which outlive a restart."""
    return _base("XDG_STATE_HOME", ".local/state", environ) / NAME


def temporary_dir() -> Path:
    """Return the folder of the socket where the system offers no runtime folder."""
    return Path("/tmp") / f"{NAME}-{os.getuid()}"


def runtime_dir(environ: Mapping[str, str] = os.environ) -> Path:
    """Return the folder of the socket: in XDG_RUNTIME_DIR, or one of ours in /tmp.

    A runtime folder that does not exist or is not ours is as good as none.
    """
    given = environ.get("XDG_RUNTIME_DIR", "")
    if given.startswith("/"):
        try:
            found = os.lstat(given)
        except OSError:
            return temporary_dir()
        if stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid():
            return Path(given) / NAME
    return temporary_dir()


def socket_path(instance: str = DEFAULT_INSTANCE, environ: Mapping[str, str] = os.environ) -> Path:
    """Return the path of an instance's socket, short enough for the system.

    Raises:
        ValueError: `instance` is no name of an instance.
    """
    name = f"{check_instance(instance)}.sock"
    path = runtime_dir(environ) / name
    return path if len(os.fsencode(path)) <= SOCKET_PATH_BYTES else temporary_dir() / name


def private_dir(path: Path) -> Path:
    """Create a folder that only its owner can enter, or check the one that is there.

    Links are not followed: a folder in /tmp may have been put there by another user.

    Raises:
        UnsafeFolder: A link, no folder, another user's, or open to others.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.mkdir(mode=0o700)
    except FileExistsError:
        pass  # looked at below
    except OSError as error:
        raise UnsafeFolder(f"{path}: cannot be made: {error.strerror}") from None
    try:
        found = os.lstat(path)
    except OSError as error:
        raise UnsafeFolder(f"{path}: cannot be made: {error.strerror}") from None
    if stat.S_ISLNK(found.st_mode):
        raise UnsafeFolder(f"{path} is a link; remove it, since another user may have put it there")
    if not stat.S_ISDIR(found.st_mode):
        raise UnsafeFolder(f"{path} is no folder; remove it")
    if found.st_uid != os.getuid():
        raise UnsafeFolder(f"{path} belongs to another user; set XDG_RUNTIME_DIR to a folder of your own")
    if found.st_mode & 0o077:
        raise UnsafeFolder(f"{path} is open to other users; close it: chmod 700 {path}")
    return path


def shipped_profiles() -> Path:
    """Return the folder of the profiles that come with the program."""
    return Path(__file__).resolve().parent.parent / "profiles"


def default_rig(environ: Mapping[str, str] = os.environ) -> Path:
    """Return where the rig is looked for when none is named."""
    return config_dir(environ) / "rig.yaml"


def default_set(environ: Mapping[str, str] = os.environ) -> Path:
    """Return where the set is looked for when none is named."""
    return config_dir(environ) / "set.yaml"
