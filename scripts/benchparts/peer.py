"""The measuring peer: a process of its own that sends a clock with exact frames and keeps when answers come.

It uses the JACK-Client package alone, nothing of the project.  It has two JACK
clients, one that sends and one that hears, so that the graph runs one way:
sender, subject, hearer.  (One client for both would close a circle, which the
server opens by a period.)  It obeys JSON lines on standard input, answers each
with one on standard output, and ends when standard input does.
"""

import gc
import json
import sys
import time

import jack

CLOCK, START, STOP = b"\xf8", b"\xfa", b"\xfc"
KNOBS = 8
FIRST_CC = 20
TAIL_SECONDS = 0.2
"""After the last clock, for answers that are late."""
CYCLE_BYTES = 4096
"""Sent in one period at most; what is over goes out in the next."""


class Peer:
    """The two clients.

    Args:
        name: Of the clients, with ``-send`` and ``-hear`` behind it.
    """

    def __init__(self, name: str) -> None:
        self.sender = jack.Client(f"{name}-send", no_start_server=True)
        self.hearer = jack.Client(f"{name}-hear", no_start_server=True)
        self.clock_port = self.sender.midi_outports.register("clock")
        self.knobs_port = self.sender.midi_outports.register("knobs")
        self.hear_port = self.hearer.midi_inports.register("in")
        self.rate = self.sender.samplerate
        self.period = self.sender.blocksize
        self.xruns = 0
        self.clocks: list[int] = []
        self.heard: list[tuple[int, bytes]] = []
        self._first: bytes | None = None
        self._last: bytes | None = None
        self._left = 0
        self._next = 0.0
        self._interval = 1.0
        self._knob_rate = 0
        self._knob_next = 0.0
        self._knob_count = 0
        self.sender.set_process_callback(self._send)
        self.hearer.set_process_callback(self._hear)
        self.sender.set_xrun_callback(self._xrun)
        self.sender.activate()
        self.hearer.activate()

    # -- in the server's threads -------------------------------------------------

    def _xrun(self, delay: float) -> None:
        self.xruns += 1

    def _send(self, frames: int) -> None:
        now = self.sender.last_frame_time
        end = now + frames
        port = self.clock_port
        port.clear_buffer()
        self.knobs_port.clear_buffer()
        if self._first is not None:
            port.write_midi_event(0, self._first)
            self._first = None
        while self._left and self._next < end:
            # a client that was late sends at once, and the frame that is kept is the true one
            offset = max(0, int(self._next) - now)
            port.write_midi_event(offset, CLOCK)
            self.clocks.append(now + offset)
            self._next += self._interval
            self._left -= 1
        if not self._left and self._last is not None and self._next < now:  # a clock's time after the last clock
            port.write_midi_event(0, self._last)
            self._last = None
        if self._knob_rate and self._left:
            self._send_knobs(now, end)

    def _send_knobs(self, now: int, end: int) -> None:
        room = CYCLE_BYTES
        while self._knob_next < end and room > 0:
            turn, knob = divmod(self._knob_count, KNOBS)
            turn %= 254  # up and down again
            value = turn if turn < 128 else 254 - turn
            offset = max(0, int(self._knob_next) - now)
            self.knobs_port.write_midi_event(offset, bytes((0xB0, FIRST_CC + knob, value)))
            self._knob_next += self.rate / self._knob_rate
            self._knob_count += 1
            room -= 12

    def _hear(self, frames: int) -> None:
        now = self.hearer.last_frame_time
        for offset, data in self.hear_port.incoming_midi_events():
            self.heard.append((now + offset, bytes(data)))

    # -- in the main thread --------------------------------------------------------

    def patch(self, clock: str, out: str, knobs: str | None) -> None:
        """Connect a subject's ports; they can be seen a moment before they can be connected."""
        pairs = [(self.clock_port.name, clock), (out, self.hear_port.name)]
        if knobs:
            pairs.append((self.knobs_port.name, knobs))
        for source, sink in pairs:
            for attempt in range(100):
                try:
                    self.sender.connect(source, sink)
                    break
                except jack.JackError:
                    if attempt == 99:
                        raise
                    time.sleep(0.05)

    def unpatch(self) -> None:
        """Disconnect everything."""
        self.clock_port.disconnect()
        self.knobs_port.disconnect()
        self.hear_port.disconnect()

    def block(
        self, count: int, warm: int, bpm: float, knob_rate: int, starts: bool = True, stops: bool = True
    ) -> dict[str, object]:
        """Send Start, `warm` clocks that are not kept, `count` that are, and Stop.

        Args:
            count, warm: Clocks.
            bpm: Quarter notes a minute, 24 clocks each.
            knob_rate: Control changes a second, over eight controllers.
            starts, stops: False where the clock goes on from the block before, or into the next one.
        """
        self.clocks, self.heard, xruns = [], [], self.xruns
        self._interval = self.rate * 60 / (24 * bpm)
        self._knob_rate, self._knob_count = knob_rate, 0
        gc.collect()
        self._last = STOP if stops else None
        self._next = self._knob_next = float(self.sender.frame_time + self.rate // 20)
        self._first = START if starts else None
        self._left = count + warm
        end = time.monotonic() + 10 + 2 * (count + warm) * self._interval / self.rate
        while self._left:
            if time.monotonic() > end:
                raise RuntimeError("the JACK server stands still")
            time.sleep(0.01)
        time.sleep(TAIL_SECONDS)
        heard, clocks = self.heard, self.clocks
        return {
            "clocks": clocks,
            "warm": warm,
            "heard": [[frame, data.hex()] for frame, data in heard],
            "xruns": self.xruns - xruns,
            "knobs": self._knob_count,
        }

    def others(self) -> dict[str, int]:
        """Return how many MIDI inputs and outputs others have: the subject, since nothing else uses this server."""
        own = (self.sender.name, self.hearer.name)
        ports = [port for port in self.sender.get_ports(is_midi=True) if port.name.partition(":")[0] not in own]
        inputs = sum(port.is_input for port in ports)
        return {"inputs": inputs, "outputs": len(ports) - inputs}


def main() -> None:
    """Obey until standard input ends."""
    jack.set_error_function(lambda text: None)
    jack.set_info_function(lambda text: None)
    peer = Peer(sys.argv[1])
    gc.freeze()
    gc.disable()  # a collection would hold up both callbacks; blocks are short and it is run between them
    print(json.dumps({"rate": peer.rate, "period": peer.period}), flush=True)
    for line in sys.stdin:
        order = json.loads(line)
        do = order.pop("do")
        try:
            answer = getattr(peer, do)(**order)
        except (jack.JackError, RuntimeError) as error:
            answer = {"error": f"{do}: {error}"}
        print(json.dumps(answer or {}), flush=True)
    peer.sender.deactivate()
    peer.hearer.deactivate()
    peer.sender.close()
    peer.hearer.close()


if __name__ == "__main__":
    main()
