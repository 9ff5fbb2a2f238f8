"""Clear what dead JACK servers left in shared memory, if no server is running at all.

JACK has places for eight servers of a user.  A server that was killed keeps
its place until one of the same name starts, so after eight kills no other can
start.  As long as any server lives nothing is touched.

Run as a module it does this and says so.
"""

import os
import sys
from pathlib import Path

SHARED = Path("/dev/shm")


def running() -> list[int]:
    """Return the process ids of JACK servers, of whomever."""
    found = []
    for name in Path("/proc").glob("[0-9]*/comm"):
        try:
            if name.read_text().strip() in ("jackd", "jackdbus", "jackdmp"):
                found.append(int(name.parent.name))
        except OSError:  # it has ended meanwhile
            continue
    return found


def clear() -> int:
    """Remove the leftovers of this user; return how many files that were, 0 if a server is running."""
    if running() or not SHARED.is_dir():
        return 0
    count = 0
    for path in [*SHARED.glob("jack-*"), *SHARED.glob("jack_*"), *SHARED.glob("sem.jack*")]:
        try:
            if path.is_dir() or path.stat().st_uid != os.getuid():
                continue
            path.unlink()
            count += 1
        except OSError:
            continue
    return count


if __name__ == "__main__":
    removed = clear()
    if removed:
        print(f"removed {removed} files that dead JACK servers left in {SHARED}", file=sys.stderr)
