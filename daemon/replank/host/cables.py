"""The host's hands on the MIDI system: patching, a clock of its own, a way to release notes.

Three things of its own are plugged in beside the player's ports: a client that
lists and connects, an input that hears the clock, and an output for each of
the player's, patched to the same receivers, through which notes are released
when the player is gone.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from replank.control.setup import Setup
from replank.host.feedback import Feedback
from replank.host.listener import QUEUE, Listener, queue_reader
from replank.host.patching import Own, Patcher, Word, apply, describe, find_own
from replank.midi.alsa import AlsaBay
from replank.midi.bay import Bay, NoSystem, Port
from replank.midi.jack import JackBay
from replank.midi.naming import clean_name
from replank.whole_file import write_whole

LISTENER, RESCUE, LIGHTS = "count", "rescue", "lights"
_API_NUMBERS = {"jack": "API_UNIX_JACK", "alsa": "API_LINUX_ALSA"}
SHORTEST_PERIOD = 0.001
"""Seconds of a period below which a player in waiting opens no ports: each client is woken in every period."""
_LEFT: list[Any] = []
"""Objects of a MIDI system that is gone: closing them may crash, so they are left alone."""


class Names:
    """How our clients and ports are called.

    Args:
        instance: Name of the instance; the default one is not written.
        setup: Says which ports there are.
        api: On JACK, which has each client's name once and need not tell whose a port is, players take turns
            with two names; the ALSA sequencer lets both be called the same.
    """

    def __init__(self, instance: str, setup: Setup, api: str) -> None:
        self.base = "replank" if instance == "default" else f"replank-{instance}"
        self._turns = ("", "-b") if api == "jack" else ("", "")
        self._inputs, self._outputs = ([_port(one.name) for one in rows] for rows in (setup.inputs, setup.outputs))
        self._polled = [number for number, one in enumerate(setup.inputs) if one.role != "clock"]

    def inputs(self, generation: int) -> list[tuple[str, str]]:
        """Return (client, port) of each input of the player of a generation, 1 and up."""
        return [(f"{self.base}-{port}{self._turns[(generation - 1) % 2]}", port) for port in self._inputs]

    def outputs(self, generation: int) -> list[tuple[str, str]]:
        """Return (client, port) of each output of the player of a generation, 1 and up."""
        return [(f"{self.base}-{port}{self._turns[(generation - 1) % 2]}", port) for port in self._outputs]

    def ports(self, generation: int) -> dict[str, Any]:
        """Return the "inputs" and "outputs" of the player of a generation, and which inputs are "polled"."""
        return {"inputs": self.inputs(generation), "outputs": self.outputs(generation), "polled": self._polled}


def _port(name: str) -> str:
    return clean_name(name).replace(":", "-")[:32] or "port"


class Cables:
    """Everything of the host that a MIDI system knows.

    Args:
        api: jack or alsa; none and coremidi have no patching from outside.
        instance: Name of the instance.
        setup: Ports, and what the rig wants patched to them.
        memory: File that remembers what was patched.
        changed: Called, perhaps on a foreign thread, when ports may have changed.

    Attributes:
        api: As given.
        listener: Hears the clock, or None.
        unsaved: True while `remember` has something to write.
        replugged: True where the last look changed what the player or the listener hears of the clock.
        ear_moved: True where it changed what the listener hears.
        boxes, lit: Inputs that got a box at the last look, and whose box can be shown something since.

    Raises:
        NoSystem: The MIDI system is not there.
    """

    def __init__(self, api: str, instance: str, setup: Setup, memory: Path, changed: Callable[[], None]) -> None:
        self.api = api
        self.names = Names(instance, setup, api)
        self._setup, self._memory = setup, memory
        self.listener: Listener | None = None
        self._bay: Bay | None = None
        self._rescue: list[Any] = []
        self._lights: dict[int, Any] = {}
        self._connected: dict[str, set[str]] = {}
        self._owns: list[Own] = []
        self.unsaved = False
        self.boxes: list[int] = []
        self.lit: list[int] = []
        self._refused: list[str] = []
        self._ready_spare = 0
        self.replugged = self.ear_moved = False
        self._adopts = False
        self._gone: set[str] = set()
        if api in _API_NUMBERS:
            made: type[JackBay] | type[AlsaBay] = JackBay if api == "jack" else AlsaBay
            self._bay = made(f"{self.names.base}-patch", changed)
            self._plug_in(api)
        self._patcher = Patcher(api, _read_memory(memory).get(api))

    def _plug_in(self, api: str) -> None:
        """Open the listener's input and the rescue outputs."""
        try:
            import rtmidi

            number = getattr(rtmidi, _API_NUMBERS[api])
            counter = rtmidi.MidiIn(number, name=f"{self.names.base}-{LISTENER}", queue_size_limit=QUEUE)
            # nothing is ignored: on JACK the driver would forget the interval before an ignored message
            counter.ignore_types(sysex=False, timing=False, active_sense=False)
            counter.open_virtual_port("clock")
            for _, port in self.names.outputs(1):
                out = rtmidi.MidiOut(number, name=f"{self.names.base}-{RESCUE}")
                out.open_virtual_port(port)
                self._rescue.append(out)
            for box in Feedback.of(self._setup).ports:
                self._lights[box] = rtmidi.MidiOut(number, name=f"{self.names.base}-{LIGHTS}")
                self._lights[box].open_virtual_port(self.names.inputs(1)[box][1])
        except Exception as error:
            self.abandon()
            raise NoSystem(f"{api}: {error}") from None
        self._counter = counter
        self.listener = Listener(queue_reader(counter))

    def rewire(self, setup: Setup) -> None:
        """Take other wishes for the same ports."""
        self._setup = setup

    @property
    def alive(self) -> bool:
        """False once the MIDI system is gone; other cables are needed then."""
        return self._bay is None or self._bay.alive

    def abandon(self) -> None:
        """Leave everything behind untouched, as one must when a server has died."""
        _LEFT.append((self._bay, self._rescue, self._lights, self.listener, getattr(self, "_counter", None)))
        self.listener, self._rescue, self._lights, self._bay = None, [], {}, None

    def period(self) -> tuple[int, int] | None:
        """Return (frames, frames a second) of the MIDI system's period, None without one."""
        return self._bay.period() if self._bay is not None else None

    def rescue(self, messages: list[tuple[int, bytes]]) -> int:
        """Send messages to the receivers of the player's outputs; return how many were sent."""
        sent = 0
        for output, data in messages:
            if output < len(self._rescue):
                self._rescue[output].send_message(data)
                sent += 1
        return sent

    def show(self, port: int, data: bytes) -> None:
        """Send feedback to the box of input `port`."""
        if port in self._lights:
            self._lights[port].send_message(data)

    def waiting_ports(self, generation: int) -> dict[str, Any] | None:
        """Return the ports that a player in waiting is to open ahead; None where it should not.

        A port costs the MIDI system a little in every period, too much where periods are very short.

        Args:
            generation: Of the player in waiting.
        """
        period = self.period()
        if self._bay is None or not self.alive or (period and period[0] < SHORTEST_PERIOD * period[1]):
            return None
        return {"api": self.api, **self.names.ports(generation)}

    def is_plugged_in(self, player: int) -> bool:
        """Tell whether the ports of a player that waited were patched ahead, all of them."""
        return player == self._ready_spare != 0

    def has_lost_player(self) -> bool:
        """Tell whether a port of the player has gone since the last look: it never closes one, so it is dying.

        The MIDI system often knows it before the process has ended, and it may
        throw a player out that lives.
        """
        if self._bay is not None:
            self._gone |= self._bay.gone()
        return any(own.name in self._gone for own in self._owns if not own.key.startswith(LIGHTS))

    def has_lost_any(self) -> bool:
        """Tell whether any port has gone since the last look."""
        return bool(self._gone)

    def are_there(self) -> bool:
        """Tell whether the last look saw every port of the player."""
        return all(self.names_shown().values())

    def adopt(self) -> None:
        """Take the cables of the next look, as far as they are in, for those of a player that has played on.

        Nothing was unplugged there, so that no receiver is to be told to be silent and no box may have been turned.
        """
        self._adopts = True

    def look(self, player: int, host: int, spare: int, generation: int) -> tuple[list[Word], list[int]]:
        """Patch what is to be patched.

        Args:
            player, host: Process ids of our ports' owners.
            spare: Of a player in waiting, whose ports get the same cables; 0 none.
            generation: Of the player.

        Returns:
            What is new to tell, and the outputs that got a receiver.
        """
        bay = self._bay
        if bay is None or not bay.alive:
            return [], []
        gone, ports = self._gone | bay.gone(), bay.ports()
        self._gone = set()
        counter = find_own(ports, host, f"{self.names.base}-{LISTENER}", "clock", False)
        owns, spares = self._own_ports(ports, player, host, spare, generation, counter)
        ours = {port.name for port in ports if port.pid in (player, host, spare) and port.pid}
        ours |= {name for own in owns for name in (own.name, *own.mirrors)}
        by_name = {(port.name, port.is_source): port for port in ports}
        connected: dict[str, set[str]] = {}
        for own in owns:
            for name in (own.name, *own.mirrors):
                if (name, own.is_source) in by_name:
                    connected[name] = bay.connections(by_name[name, own.is_source])
        if self._adopts:
            self._adopts = False
            self._patcher.adopt(owns, {name: peers - ours for name, peers in connected.items()})
        look = self._patcher.decide(owns, ports, connected, ours, gone, time.monotonic())
        refused = apply(bay, look)
        # other cables, such as those of a player in waiting, leave the listener alone: to begin anew would lose
        # sight of a clock that the player has just missed
        self.ear_moved = look.moves(counter)
        self.replugged = look.moves(counter, *(own.name for own in owns if counter and counter in own.mirrors))
        self._ready_spare = spare if spare and all(spares) and not refused else 0
        for own in owns if look.connect else ():
            if (own.name, own.is_source) in by_name:
                connected[own.name] = bay.connections(by_name[own.name, own.is_source])
        connected = {name: peers - ours for name, peers in connected.items()}
        news, patched = self._patcher.settle(owns, connected)
        self._owns, self._connected = owns, connected
        self.unsaved = self.unsaved or bool(news or look.words)
        words = look.words + news + [Word("", "refused", text) for text in refused if text not in self._refused]
        self._refused = refused
        self.boxes = [i for i, one in enumerate(self._setup.inputs) if f"in:{one.name}" in patched]
        self.lit = [port for port in self._lights if f"{LIGHTS}:{self._setup.inputs[port].name}" in patched]
        return words, [i for i, one in enumerate(self._setup.outputs) if f"out:{one.name}" in patched]

    def _own_ports(
        self, ports: list[Port], player: int, host: int, spare: int, generation: int, counter: str
    ) -> tuple[list[Own], list[str]]:
        """Return our ports with their mirrors, and the names of the spare's ports, empty where there is none."""
        names = self.names
        owns, spares = list[Own](), list[str]()
        inputs = zip(self._setup.inputs, names.inputs(generation), names.inputs(generation + 1), strict=True)
        for one, (client, port), waiting in inputs:
            name = find_own(ports, player, client, port, False)
            spares.append(find_own(ports, spare, *waiting, False) if spare else "")
            mirrors = (counter if one.role == "clock" else "", spares[-1])
            counter = "" if one.role == "clock" else counter  # it counts the first clock
            owns.append(Own(f"in:{one.name}", name, False, player, one.connect, tuple(filter(None, mirrors))))
        outputs = zip(self._setup.outputs, names.outputs(generation), names.outputs(generation + 1), strict=True)
        for output, (client, port), waiting in outputs:
            name = find_own(ports, player, client, port, True)
            spares.append(find_own(ports, spare, *waiting, True) if spare else "")
            mirrors = (find_own(ports, host, f"{names.base}-{RESCUE}", port, True), spares[-1])
            owns.append(Own(f"out:{output.name}", name, True, player, output.connect, tuple(filter(None, mirrors))))
        for number in self._lights:
            one, port = self._setup.inputs[number], names.inputs(generation)[number][1]
            name = find_own(ports, host, f"{names.base}-{LIGHTS}", port, True)
            owns.append(Own(f"{LIGHTS}:{one.name}", name, True, host, one.connect))
        return owns, spares

    def names_shown(self) -> dict[str, str | None]:
        """Return our ports' names as the MIDI system shows them, by the rig's names; None where there is none."""
        shown = {own.key: own.name for own in self._owns}
        named = [(one.name, f"in:{one.name}") for one in self._setup.inputs]
        named += [(one.name, f"out:{one.name}") for one in self._setup.outputs]
        return {name: shown.get(key) or None for name, key in named}

    def describe(self) -> dict[str, Any]:
        """Return our ports, their peers and wishes as plain data."""
        return describe(self._owns, self._connected)

    def remember(self) -> None:
        """Write down what is patched; may wait for the disk, so it is called on a thread of its own."""
        self.unsaved = False
        everything = _read_memory(self._memory)
        everything[self.api] = self._patcher.remembered
        try:
            write_whole(self._memory, json.dumps(everything, indent=1).encode())
        except OSError:
            pass  # the show's record says what the disk cannot do; patching goes on

    def close(self) -> None:
        """Let go of the MIDI system; the driver's objects are left to the end of the process."""
        if self._bay is not None:
            self._bay.close()


def _read_memory(path: Path) -> dict[str, dict[str, list[str]]]:
    """Return what was patched, per MIDI system; nothing where the file is missing or not ours."""
    try:
        plain = json.loads(path.read_bytes())
        return {
            str(api): {str(key): [str(name) for name in names] for key, names in row.items()}
            for api, row in plain.items()
        }
    except (OSError, ValueError, AttributeError, TypeError):
        return {}
