"""Writing files so that there is never half a one."""

from __future__ import annotations

import errno
import os
import secrets
from pathlib import Path


def write_whole(path: Path | str, data: bytes) -> None:
    """Write a file beside its place, then move it there in one step.

    Whoever reads `path` finds the old contents or the new, never a part; a
    failure leaves the old file and nothing else.

    Raises:
        OSError: The folder is absent or may not be written, the disk is full,
            or the path is something else than a file; it names `path`.
    """
    place = Path(os.path.realpath(path))  # a link stays a link
    if place.exists() and not place.is_file():
        raise OSError(errno.EINVAL, "not a file", str(path))
    aside = place.with_name(f".{place.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        handle = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(place)
    except OSError as error:
        aside.unlink(missing_ok=True)
        raise OSError(error.errno, error.strerror, str(path)) from error
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
