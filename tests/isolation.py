"""A home of their own for tests: what a user runs, has kept or has set up cannot be found from them.

Everything by which a user's daemon, shows, configuration and MIDI servers are
found is in the environment: HOME and the XDG folders (XDG Base Directory
Specification 0.8), JACK_DEFAULT_SERVER (jackd(1)), PIPEWIRE_RUNTIME_DIR and
PIPEWIRE_REMOTE (pipewire(1)), the addresses of the session's bus and of the
service manager (sd_notify(3)).  What a test starts inherits it.  Ports of ALSA
belong to the kernel and have no such switch.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import MutableMapping
from pathlib import Path

FOLDER = "REPLANK_TESTS_FOLDER"
"""Names the folder to those that are started from a test run, such as its workers."""
TAKEN = ("XDG_", "JACK_", "PIPEWIRE_", "NOTIFY_SOCKET", "WATCHDOG_", "DBUS_SESSION_BUS_ADDRESS")
"""How names of variables begin that lead to what is a user's."""
PLACES = {
    "HOME": "home",
    "XDG_CONFIG_HOME": "config",
    "XDG_STATE_HOME": "state",
    "XDG_DATA_HOME": "data",
    "XDG_CACHE_HOME": "cache",
    "XDG_RUNTIME_DIR": "run",
    "PIPEWIRE_RUNTIME_DIR": "run",
}
LONGEST = 40
"""Bytes of the folder for temporary files: a socket's path must fit into 107, else it is looked for elsewhere."""


def isolate(environ: MutableMapping[str, str] = os.environ) -> Path:
    """Point an environment to new, empty folders, which are removed when this process ends; return what they are in.

    A process that was started from an isolated one gets folders within its.
    """
    around = environ.get(FOLDER) or tempfile.gettempdir()
    if len(os.fsencode(around)) > LONGEST:
        around = "/tmp"
    folder, mine = Path(tempfile.mkdtemp(prefix="rp", dir=around)), os.getpid()
    for name in [name for name in environ if name.startswith(TAKEN)]:
        del environ[name]
    for name, place in PLACES.items():
        (folder / place).mkdir(mode=0o700, exist_ok=True)
        environ[name] = str(folder / place)
    environ[FOLDER] = str(folder)
    environ["JACK_DEFAULT_SERVER"] = f"replank-nobody-{mine}"
    environ["JACK_NO_START_SERVER"] = "1"

    def remove() -> None:
        if os.getpid() == mine:  # a fork has it too
            shutil.rmtree(folder, ignore_errors=True)

    atexit.register(remove)
    return folder
