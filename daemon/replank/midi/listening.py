"""One input port of another program, read by polling; for tools that only listen."""

from __future__ import annotations

import time
from typing import Any

from replank.midi.naming import PortNameError, match

_NAMES = {"alsa": "API_LINUX_ALSA", "jack": "API_UNIX_JACK", "coremidi": "API_MACOSX_CORE", "windows": "API_WINDOWS_MM"}
_POLL_S = 0.005


class NoMidi(Exception):
    """There is no MIDI system, or no library for it."""


class Ear:
    """Listens to the port that a name fits, on whichever MIDI system has it.

    The library's queue is polled, since an input that calls back must never be
    closed; clock, active sensing and system exclusive messages are left out.

    Args:
        pattern: Part of the port's name.
        api: auto, alsa, jack, coremidi or windows.

    Attributes:
        name: The port's full name.

    Raises:
        NoMidi: No MIDI system answers.
        PortNameError: No port or several; it lists them.
    """

    def __init__(self, pattern: str, api: str = "auto") -> None:
        try:
            import rtmidi
        except ImportError as error:
            raise NoMidi(f"python-rtmidi is not usable here: {error}; pip install 'replank[ports]'") from None
        problems: list[str] = []
        unfit: PortNameError | None = None
        for kind, number in _NAMES.items():
            if api not in ("auto", kind) or getattr(rtmidi, number, None) not in rtmidi.get_compiled_api():
                continue
            try:
                midi: Any = rtmidi.MidiIn(getattr(rtmidi, number), name="replank-learn", queue_size_limit=8192)
                names = midi.get_ports()
            except (rtmidi.RtMidiError, OSError, SystemError) as error:
                problems.append(f"{kind}: {error}")
                continue
            try:
                self.name = match(pattern, names, kind)
            except PortNameError as error:
                if unfit is None or len(error.candidates) > len(unfit.candidates):
                    unfit = error
                continue
            midi.ignore_types(sysex=True, timing=True, active_sense=True)
            midi.open_port(names.index(self.name), "listen")
            self._midi = midi
            return
        if unfit is not None:
            raise unfit
        raise NoMidi("; ".join(problems) or f"no MIDI system {api} here")

    def drain(self) -> list[bytes]:
        """Return what has arrived since the last call."""
        found = []
        while (got := self._midi.get_message()) is not None:
            found.append(bytes(got[0]))
        return found

    def until_quiet(self, quiet_s: float, longest_s: float) -> list[bytes]:
        """Wait for messages and return them once it has been quiet for `quiet_s`, or after `longest_s` seconds."""
        began = heard_at = time.monotonic()
        found: list[bytes] = []
        while time.monotonic() - began < longest_s:
            new = self.drain()
            if new:
                found += new
                heard_at = time.monotonic()
            elif found and time.monotonic() - heard_at >= quiet_s:
                break
            time.sleep(_POLL_S)
        return found
