"""The player's own MIDI ports: virtual, opened once, never closed.

Opening a port holds the interpreter lock for 12 to 26 ms, and closing a
callback input under traffic hangs or crashes the process, so both ends are
left to the life of the process.  A `Ports` that could not be opened is left
behind with the process, too.

What keeps time is heard in the driver's callback.  Boxes are polled instead:
each callback costs some 25 us of the driver's own cycle, and a box in a storm
of messages would be heard at the cost of the clock.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

RTMIDI_NAMES = {"jack": "API_UNIX_JACK", "alsa": "API_LINUX_ALSA", "coremidi": "API_MACOSX_CORE"}
LONGEST_OUT = 256
"""Longest message sent, in bytes: a large system exclusive message blocks a port."""
WAITING = 4096
"""Messages of a polled port that wait at most: half a second of a storm."""
AT_ONCE = 64
"""Messages that are taken from a polled port before another has its turn."""


class CannotOpen(Exception):
    """The ports could not be opened; the message says which and why."""


class NoPorts:
    """Ports where there is no MIDI system: what is sent is dropped."""

    api = "none"
    has_polled = False

    def poll(self) -> bool:
        """Hear nothing."""
        return False

    def send(self, output: int, data: bytes) -> None:
        """Send nowhere."""


class Ports:
    """Virtual ports of one MIDI system.

    Args:
        api: jack, alsa or coremidi.
        inputs, outputs: (client name, port name) in the order of their numbers.
        heard: Called with (port, data, time in monotonic ns) from driver
            threads and from `poll`; it must not raise and must not wait.
        polled: Numbers of the inputs that are heard by `poll` alone.

    Attributes:
        has_polled: True where `poll` has something to do.
        opened_ms: How long opening took.
        failed: Exceptions in the callbacks, which the driver would swallow.

    Raises:
        CannotOpen: No such MIDI system, or it refuses.
    """

    def __init__(
        self,
        api: str,
        inputs: list[tuple[str, str]],
        outputs: list[tuple[str, str]],
        heard: Callable[[int, bytes, int], None],
        polled: frozenset[int] = frozenset(),
    ) -> None:
        try:
            import rtmidi
        except ImportError as error:
            raise CannotOpen(f"python-rtmidi is not usable here: {error}") from None
        number = getattr(rtmidi, RTMIDI_NAMES[api], None)
        if number is None or number not in rtmidi.get_compiled_api():
            raise CannotOpen(f"this python-rtmidi was built without {api}")
        self.api = api
        self.failed = 0
        self._heard = heard
        self._inputs: list[Any] = []
        self._outputs: list[Any] = []
        self._polled: list[tuple[int, Callable[[], tuple[list[int], float] | None]]] = []
        self.has_polled = bool(polled)
        began = time.monotonic_ns()
        try:
            for index, (client, port) in enumerate(inputs):
                self._open_input(rtmidi, number, index, client, port, index in polled)
            for client, port in outputs:
                out = rtmidi.MidiOut(number, name=client)
                out.open_virtual_port(port)
                self._outputs.append(out)
        except (rtmidi.RtMidiError, OSError, RuntimeError, SystemError, NotImplementedError) as error:
            raise CannotOpen(f"{api}: {error}") from None
        self._senders = [out.send_message for out in self._outputs]
        self.opened_ms = (time.monotonic_ns() - began) / 1e6

    def _open_input(self, rtmidi: Any, number: int, index: int, client: str, port: str, is_polled: bool) -> None:
        midi_in = rtmidi.MidiIn(number, name=client, queue_size_limit=WAITING)
        midi_in.ignore_types(sysex=False, timing=False, active_sense=False)
        heard, clock = self._heard, time.monotonic_ns

        def callback(message: tuple[list[int], float], _: object) -> None:
            stamp = clock()
            try:
                heard(index, bytes(message[0]), stamp)
            except BaseException:  # the driver would drop it without a trace
                self.failed += 1

        if is_polled:
            self._polled.append((index, midi_in.get_message))
        else:
            midi_in.set_callback(callback)  # once and before opening: swapping it later can crash
        midi_in.open_virtual_port(port)
        self._inputs.append(midi_in)

    def poll(self) -> bool:
        """Hear what the polled ports have, each up to `AT_ONCE` messages; True if there may be more."""
        is_more = False
        for index, get in self._polled:
            for _ in range(AT_ONCE):
                message = get()
                if message is None:
                    break
                self._heard(index, bytes(message[0]), time.monotonic_ns())
            else:
                is_more = True
        return is_more

    def send(self, output: int, data: bytes) -> None:
        """Send a complete message; it leaves at the start of the next period on JACK."""
        if len(data) <= LONGEST_OUT:
            self._senders[output](data)


def open_ports(
    api: str,
    inputs: list[tuple[str, str]],
    outputs: list[tuple[str, str]],
    heard: Callable[[int, bytes, int], None],
    polled: frozenset[int] = frozenset(),
) -> Ports | NoPorts:
    """Open the ports of a MIDI system, or none for ``none``; see `Ports`.

    Raises:
        CannotOpen: See `Ports`.
    """
    return NoPorts() if api == "none" else Ports(api, inputs, outputs, heard, polled)
