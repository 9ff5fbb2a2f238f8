"""A bare Python echo: the rtmidi callback sends what a daemon would send, and does nothing else.

python_echo.py NAME FILE     answers each clock with the next line of FILE (messages in hex, separated by blanks)
python_echo.py NAME --idle INPUTS OUTPUTS     opens so many ports, without a callback, and sends nothing

It says its ports as a JSON line when they are open; when standard input ends it
says how long it was in the callback, and ends by exiting, ports open.
"""

import json
import os
import sys
import time
from pathlib import Path

import rtmidi

CLOCK, STOP = 0xF8, 0xFC


def open_input(name: str, port: str) -> rtmidi.MidiIn:
    """Return an input that filters nothing, not open yet."""
    midi = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"{name}-{port}")
    midi.ignore_types(sysex=False, timing=False, active_sense=False)
    return midi


def open_output(name: str, port: str) -> rtmidi.MidiOut:
    """Return an open output."""
    midi = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{name}-{port}")
    midi.open_virtual_port(port)
    return midi


def echo(name: str, file: Path) -> None:
    """Answer until standard input ends."""
    batches = [[bytes.fromhex(word) for word in line.split()] for line in file.read_text().splitlines()]
    out = open_output(name, "out")
    send, clock = out.send_message, time.monotonic_ns
    services: list[int] = []
    count = 0

    def callback(message: tuple[list[int], float], _: object) -> None:
        nonlocal count
        stamp = clock()
        if message[0][0] == CLOCK:
            for data in batches[count % len(batches)]:
                send(data)
            count += 1
            services.append(clock() - stamp)
        elif message[0][0] == STOP:
            last = batches[(count - 1) % len(batches)][-1]
            send(bytes((last[0] & 0x8F, last[1], 0)))

    midi = open_input(name, "clock")
    midi.set_callback(callback)
    midi.open_virtual_port("clock")
    print(json.dumps({"clock": f"{name}-clock:clock", "out": f"{name}-out:out"}), flush=True)
    sys.stdin.read()
    print(json.dumps({"services_ns": services}), flush=True)


def idle(name: str, inputs: int, outputs: int) -> None:
    """Hold ports until standard input ends."""
    held = [open_output(name, f"out{number}") for number in range(outputs)]
    for number in range(inputs):
        midi = open_input(name, f"in{number}")
        midi.open_virtual_port(f"in{number}")
        held.append(midi)
    print(json.dumps({}), flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    if sys.argv[2] == "--idle":
        idle(sys.argv[1], int(sys.argv[3]), int(sys.argv[4]))
    else:
        echo(sys.argv[1], Path(sys.argv[2]))
    sys.stdout.flush()
    os._exit(0)  # closing an input whose callback may be running can hang
