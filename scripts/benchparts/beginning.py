"""What each measuring script does first; nothing but the standard library is needed for it."""

from __future__ import annotations

import os
import signal
import sys
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
_AGAIN = "REPLANK_BENCH_AGAIN"


def find_python(script: str, needed: tuple[str, ...]) -> None:
    """Go on in the environment that scripts/test makes, where this one lacks a package; exit with 3 if both do."""
    missing = [name for name in needed if find_spec(name) is None]
    if not missing:
        return
    own = ROOT / ".venv" / "bin" / "python"
    if own.is_file() and os.environ.get(_AGAIN) != "1":
        os.environ[_AGAIN] = "1"
        os.execv(own, [str(own), *sys.argv])
    words = f"{script}: missing here: {', '.join(missing)}; scripts/test makes an environment that has them, in .venv"
    print(words, file=sys.stderr)
    sys.exit(3)


def leave_in_order() -> None:
    """Let Ctrl-C and SIGTERM raise KeyboardInterrupt, so that what was started is ended."""
    for number in (signal.SIGINT, signal.SIGTERM):  # a shell's background job is started with SIGINT ignored
        signal.signal(number, _interrupted)


def _interrupted(number: int, frame: object) -> None:
    raise KeyboardInterrupt
