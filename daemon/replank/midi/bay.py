"""What a MIDI system's patching looks like from outside, whichever system it is."""

from __future__ import annotations

from typing import NamedTuple, Protocol


class Port(NamedTuple):
    """One MIDI port that the system shows.

    Attributes:
        name: As the system shows it; untrusted text.
        is_source: True for a port that messages come out of (it can be connected to a sink).
        pid: Process that owns it; 0 unknown.
    """

    name: str
    is_source: bool
    pid: int = 0


class Bay(Protocol):
    """Lists, connects and disconnects ports of other programs.

    Attributes:
        api: jack or alsa.
        alive: False once the MIDI system is gone; a new bay is needed then.
    """

    api: str
    alive: bool

    def ports(self) -> list[Port]:
        """Return every MIDI port there is."""
        ...

    def gone(self) -> set[str]:
        """Return the names of ports that went away since the last question, also of those that are back."""
        ...

    def connections(self, port: Port) -> set[str]:
        """Return the names of the ports that `port` is connected to."""
        ...

    def connect(self, source: str, sink: str) -> str:
        """Connect two ports; return why it was refused, or nothing."""
        ...

    def disconnect(self, source: str, sink: str) -> None:
        """Disconnect two ports; nothing happens where they were not connected."""
        ...

    def period(self) -> tuple[int, int] | None:
        """Return (frames, frames a second) of the system's period, which is its jitter; None without one."""
        ...

    def close(self) -> None:
        """Let go of the system, if it is there."""
        ...


class NoSystem(Exception):
    """The MIDI system is not there; the message says what is missing."""
