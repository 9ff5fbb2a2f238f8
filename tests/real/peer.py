"""An independent MIDI peer on JACK: it sends with exact frames and keeps all it receives.

Built on the JACK-Client package alone; nothing of the project is imported.
"""

import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

import jack

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
EVENT_BYTES_A_CYCLE = 2048


def song_position(beats: int) -> bytes:
    return bytes((0xF2, beats & 0x7F, beats >> 7))


def is_on(data: bytes) -> bool:
    return len(data) == 3 and data[0] & 0xF0 == 0x90 and data[2] > 0


def is_off(data: bytes) -> bool:
    return len(data) == 3 and (data[0] & 0xF0 == 0x80 or (data[0] & 0xF0 == 0x90 and data[2] == 0))


def endable(client: jack.Client, process: Callable[[int], None]) -> Callable[[], None]:
    """Set what a client does in each period; return what ends the client.

    JACK cancels the thread of a client that is closed.  Where that happens in
    Python, the interpreter's lock is never let go and the program stands still
    for ever.  So the thread is first asked to end by itself, and waited for.
    """
    is_asked, has_left = threading.Event(), threading.Event()
    thread = 0

    def callback(frames: int) -> None:
        nonlocal thread
        if is_asked.is_set():
            thread = threading.get_native_id()
            has_left.set()
            raise jack.CallbackExit
        process(frames)

    def end() -> None:
        is_asked.set()
        if has_left.wait(1.0):  # without a server nothing calls it any more
            Peer.until(lambda: not Path(f"/proc/self/task/{thread}").exists(), seconds=5.0)
        client.close()

    client.set_process_callback(callback)
    return end


class Peer:
    """A client with an output ``send`` and an input ``hear``.

    Attributes:
        received: (frame, message), in order.
        sent_clocks: Clocks that have left.
    """

    def __init__(self, name: str) -> None:
        sys.setswitchinterval(0.0001)  # its callback must not wait for a test that computes beside it
        self.client = jack.Client(name, no_start_server=True)
        self.name = self.client.name
        self.send_port = self.client.midi_outports.register("send")
        self.hear_port = self.client.midi_inports.register("hear")
        self.received: list[tuple[int, bytes]] = []
        self.sent_clocks = 0
        self._queue: deque[tuple[int, bytes]] = deque()
        self._lock = threading.Lock()
        self._next_clock: float | None = None
        self._interval = 0.0
        self._clocks_left = 0
        self.close = endable(self.client, self._process)
        self.client.activate()

    def _process(self, frames: int) -> None:
        now = self.client.last_frame_time
        for offset, data in self.hear_port.incoming_midi_events():
            self.received.append((now + offset, bytes(data)))
        self.send_port.clear_buffer()
        room = EVENT_BYTES_A_CYCLE
        with self._lock:
            while self._queue and self._queue[0][0] < now + frames and room > 0:
                when, data = self._queue.popleft()
                self._put(max(0, when - now), data)
                room -= len(data) + 8
            while self._clocks_left and self._next_clock is not None and self._next_clock < now + frames:
                self._put(max(0, int(self._next_clock) - now), CLOCK)
                self._next_clock += self._interval
                self._clocks_left -= 1

    def _put(self, offset: int, data: bytes) -> None:
        self.send_port.write_midi_event(offset, data)
        self.sent_clocks += data == CLOCK

    # -- sending ---------------------------------------------------------------

    def send(self, *messages: bytes) -> None:
        """Send as soon as possible, all in one cycle where they fit."""
        with self._lock:
            self._queue.extend((0, data) for data in messages)
        self.flush()

    def flush(self) -> None:
        self.until(lambda: not self._queue)
        time.sleep(0.02)

    def clocks(self, count: int, bpm: float = 240.0, first: tuple[bytes, ...] = (), wait: bool = True) -> None:
        """Send `count` clocks, 24 to the quarter note, behind the messages of `first`."""
        rate = self.client.samplerate
        with self._lock:
            self._queue.extend((0, data) for data in first)
            self._interval = rate * 60 / (24 * bpm)
            self._next_clock = float(self.client.last_frame_time + rate // 100)
            self._clocks_left = count
        if wait:
            self.until(lambda: self._clocks_left == 0, seconds=30 + count * self._interval / rate)
            time.sleep(0.02)

    def stop_clocks(self) -> None:
        with self._lock:
            self._clocks_left = 0

    def storm(self, messages: list[bytes], a_second: int) -> None:
        """Queue messages at an even rate."""
        rate = self.client.samplerate
        start = self.client.last_frame_time + rate // 20
        with self._lock:
            self._queue.extend((start + n * rate // a_second, message) for n, message in enumerate(messages))

    # -- patching and hearing --------------------------------------------------

    def patch(self, clock: str | None = None, out: str | None = None) -> None:
        if clock:
            self.client.connect(f"{self.name}:send", clock)
        if out:
            self.client.connect(out, f"{self.name}:hear")

    def hears(self) -> set[str]:
        return {port.name for port in self.client.get_all_connections(self.hear_port)}

    def notes_on(self) -> list[int]:
        return [data[1] for _, data in self.received if is_on(data)]

    def hanging(self) -> dict[tuple[int, int], int]:
        """Notes that are on and never went off: (channel, note) -> how many note-ons too many."""
        held: dict[tuple[int, int], int] = {}
        for _, data in self.received:
            if is_on(data):
                held[data[0] & 15, data[1]] = 1
            elif is_off(data):
                held.pop((data[0] & 15, data[1]), None)
        return held

    @staticmethod
    def until(what, seconds: float = 30.0) -> bool:
        """Wait until `what()` is true; False if it does not become so."""
        end = time.monotonic() + seconds
        while not what():
            if time.monotonic() > end:
                return False
            time.sleep(0.005)
        return True
