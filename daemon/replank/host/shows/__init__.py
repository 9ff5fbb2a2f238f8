"""The show database: recording, reading, replaying and exporting shows.

The host feeds a `Recorder` and asks `lasting` for what outlives a process;
commands read through `reading.Archive`.  The file is SQLite in WAL mode;
`schema` says what stands in it.
"""

from __future__ import annotations

from replank.host.shows.recorder import Recorder
from replank.host.shows.store import Unusable

__all__ = ["Recorder", "Unusable"]
