"""The host's process: everything that may wait, so that the player need not.

It holds the shadow, hands its state to each new player, patches, serves the
socket and feeds the record.  What happens to player and keeper comes in here;
the parts are in modules of their own.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import signal
import socket
import sys
import time
from pathlib import Path
from typing import Any

from replank import wire
from replank.control.notices import Notice
from replank.control.setup import Setup
from replank.host.awake import Awake
from replank.host.boxes import Boxes
from replank.host.cables import Cables
from replank.host.feed import Feed, show_path
from replank.host.links import Link
from replank.host.listener import Place, follow
from replank.host.requests import Requests
from replank.host.server import PROTOCOL, Server
from replank.host.shadow import Shadow
from replank.host.starting import BadStart, find_cables, load_setup, new_performer
from replank.performer import Performer
from replank.performer.events import Event, Midi, Reconnected, to_plain
from replank.pipes import PIPE_VERSION

BEAT_SECONDS = 0.2
LISTEN_SECONDS = 0.025
LOOK_SECONDS = 1.0
"""How often ports are looked at where the MIDI system does not say that they changed."""
OPEN_SECONDS = 5.0
STATE_SECONDS = 3.0
MOST_BUFFERED = 100_000
RESCUE_AGAIN = (0.02, 0.06, 0.25, 1.0)
"""Seconds after which releases are repeated."""
LAST_RESCUE = 1.2
"""Seconds for which a host that ends stays after releasing, for the repetitions."""


class Host:
    """The process's parts, and what happens to them.

    Args:
        facts: What the keeper said: ``fds``, ``adopt``, ``player``, ``generation``,
            ``keeper``, and from `replank play`: ``api``, ``clock``, ``rig``, ``set``,
            ``values``, ``seed``, ``practice``, ``instance``, ``state_dir``, ``socket``.
    """

    def __init__(self, facts: dict[str, Any]) -> None:
        self.facts = facts
        self.loop = asyncio.get_running_loop()
        self.began = time.monotonic()
        fds = facts["fds"]
        self._beat: int = fds["beat"]
        os.set_blocking(self._beat, False)
        self.control: socket.socket | None = socket.socket(fileno=fds["control"])
        self.control.setblocking(False)
        self.link = Link(self.loop, fds["command"], fds["record"], self._record, self._record_ended)
        self.shadow: Shadow | None = None
        self.setup = load_setup(facts)
        self.cables: Cables | None = None
        self.awake = Awake(self)
        self.boxes = Boxes(self)
        self.feed = Feed(show_path(Path(facts["state_dir"])), facts["instance"], self._disk_notice)
        self._left_sounding: list[tuple[int, int, int]] = []
        self.requests = Requests(self)
        self.server = Server(facts["instance"], self.requests.ask, self.requests.state, self._client_notice)
        self.player: int = facts["player"]
        self.generation = self.link.generation = int(facts["generation"])
        self.playing = False
        self.waiting = ""
        self.statistics: dict[str, Any] = {}
        self.gaps = 0
        self.replaced = 0
        self._recorded = 0  # clock-port messages in the record since the listener agreed
        self._clock_ports = self._find_clock_ports()
        self._opened: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._nonce = ""
        self._buffer: list[tuple[int, bytes]] | None = None
        self._adopted: asyncio.Future[None] | None = None
        self._bringing: asyncio.Task[None] | None = None
        self._gone: str | None = None
        self._goes_on = False
        self._rescued = -LAST_RESCUE
        self._goodbye = 0  # pid of the last player that ended by itself, with its releases
        self._ready_said = bool(facts["adopt"])
        self._tasks: set[asyncio.Task[Any]] = set()
        self._stopping = False
        self._look_due = asyncio.Event()
        self.foreign_pipe = 0

    def _find_clock_ports(self) -> frozenset[int]:
        ports = [i for i, one in enumerate(self.setup.inputs) if one.role == "clock"]
        return frozenset(ports[:1])  # the listener hears the first one

    # -- life ------------------------------------------------------------------

    async def run(self) -> None:
        """Serve until told to stop."""
        self.loop.add_reader(self.facts["fds"]["control"], self._hear_keeper)
        for number in (signal.SIGINT, signal.SIGHUP):
            self.loop.add_signal_handler(number, lambda: None)
        self.loop.add_signal_handler(signal.SIGTERM, self._terminated)
        self._spawn(self._heart())
        await self.server.start(socket.socket(fileno=self.facts["fds"]["listen"]))
        if self.facts["adopt"] and self.player:
            self._spawn(self._adopt())
        else:
            self._begin_anew()
            if self.player:
                self._bring(self.player, self.generation)
        self._spawn(self._listen())
        self._spawn(self._watch_ports())
        self._spawn(self.awake.run())
        self._spawn(self.boxes.show())
        self._spawn(self.feed.go_on())
        while not self._stopping:
            await asyncio.sleep(0.1)
        await self._end()

    def _spawn(self, work: Any) -> asyncio.Task[Any]:
        task: asyncio.Task[Any] = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._finished)
        return task

    def _finished(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and task.exception() is not None:
            error = task.exception()
            self.loop.call_exception_handler({"message": "a part of the host failed", "exception": error, "task": task})
            self.notice("host", state="failed", text=f"a part of the host failed: {type(error).__name__}: {error}")

    async def _heart(self) -> None:
        while True:
            with contextlib.suppress(OSError):
                os.write(self._beat, b".")
            await asyncio.sleep(BEAT_SECONDS)

    def _terminated(self) -> None:
        if self.control is None:  # nobody keeps us any more: end the player, too
            self.link.send(wire.QUIT, {})
        self._stopping = True

    async def _end(self) -> None:
        """Wait for the player's end where one was asked for, then let everything go."""
        until = time.monotonic() + 3.0
        while self._gone is None and self.control is not None and self._told_to_stop and time.monotonic() < until:
            await asyncio.sleep(0.01)
        self.link.read()
        while time.monotonic() < self._rescued + LAST_RESCUE:
            await asyncio.sleep(0.05)
        for task in list(self._tasks):
            task.cancel()
        await self.server.close()
        await asyncio.to_thread(self.feed.close)
        if self.cables is not None:
            self.cables.close()
        await asyncio.sleep(0.02)  # what was sent in the rescue leaves first
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(0)  # driver objects are not closed, only left

    # -- the keeper ------------------------------------------------------------

    _told_to_stop = False

    def _hear_keeper(self) -> None:
        control = self.control
        while control is not None:
            try:
                data = control.recv(65536)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self.loop.remove_reader(control.fileno())
                control.close()
                self.control = control = None
                text = "the keeper is gone; player and host play on, but nobody would restart them"
                self.notice("host", state="keeper gone", text=text)
                return
            self._obey_keeper(json.loads(data))

    def _obey_keeper(self, message: dict[str, Any]) -> None:
        if "player" in message:
            self._bring(int(message["player"]), int(message["generation"]))
        elif "player_gone" in message:
            self._player_gone(str(message["why"]))
        elif message.get("reload"):
            self._spawn(self.requests.reload_and_tell())
        elif message.get("stop"):
            self._told_to_stop = self._stopping = True

    def tell_keeper(self, message: dict[str, Any]) -> None:
        """Send the keeper a message; without one nothing happens."""
        if self.control is not None:
            with contextlib.suppress(OSError):
                self.control.send(json.dumps(message).encode())

    # -- the player ------------------------------------------------------------

    def _watch_player(self, pid: int) -> None:
        """Hear of a player's end from the system itself, where it tells, with or without a keeper."""
        if not hasattr(os, "pidfd_open"):
            return
        try:
            fd = os.pidfd_open(pid)
        except OSError:  # it has ended already: the keeper says so
            return

        def ended() -> None:
            self.loop.remove_reader(fd)
            os.close(fd)
            if pid == self.player:
                self._player_gone("has ended")

        self.loop.add_reader(fd, ended)

    def _record_ended(self) -> None:
        """Player and keeper are gone: release what sounds, and end, since nobody starts another player."""
        self._player_gone("has ended")
        self._stopping = True

    def _player_gone(self, why: str) -> None:
        """Release what the player left sounding, at once, then let the next one take over."""
        if self._gone is not None:
            return
        self.link.read()
        self.link.forget_waiting()
        self._gone = why
        was_playing, self.playing = self.playing, False
        if self._bringing is not None:
            self._bringing.cancel()
        if self.control is None:
            self._stopping = True
        if self.shadow is None or not was_playing:
            return
        if self._goodbye == self.player:
            text = f"the player {why}; it released its notes"
        else:
            messages = self.shadow.released()
            self._rescue(messages)
            for output, data in messages:
                self.feed.output(self.shadow.performer.now, output, data)
            notes = sum(wire.is_note_off(data) for _, data in messages)
            text = f"the player {why} and is replaced; {notes} notes released"
        if not self._told_to_stop:
            self.replaced += 1
            self.notice("player", state="replaced", text=text)
            self.feed.break_off()

    def _rescue(self, messages: list[tuple[int, bytes]]) -> None:
        """Release on the host's own outputs, at once and again.

        A MIDI system that has just lost a client may skip cycles and lose
        what is sent in them; a note-off too many is harmless (MIDI 1.0, A-4).
        """
        if self.cables is not None and self.cables.alive:
            self.cables.rescue(messages)
            self._rescued = time.monotonic()
        offs = [message for message in messages if wire.is_note_off(message[1])]
        for seconds in RESCUE_AGAIN if offs else ():
            self.loop.call_later(seconds, self._rescue_again, offs)

    def _rescue_again(self, offs: list[tuple[int, bytes]]) -> None:
        if self.cables is not None and self.cables.alive and self.shadow is not None:
            struck = self.shadow.sounding.notes  # by the next player meanwhile
            self.cables.rescue([(o, data) for o, data in offs if (o, (data[0] & 15) + 1, data[1]) not in struck])

    def _bring(self, pid: int, generation: int) -> None:
        self.player, self.generation, self._gone = pid, generation, None
        self.link.generation = generation
        self._watch_player(pid)
        self.playing = False
        if self._bringing is not None:
            self._bringing.cancel()
        self._bringing = self._spawn(self._bring_up(pid, generation))

    async def _bring_up(self, pid: int, generation: int) -> None:
        """Give a new player its ports, its state and its phase, and let it play."""
        await self._have_cables()
        assert self.shadow is not None and self.cables is not None
        self._opened[generation] = self.loop.create_future()
        place = self._place()
        names = self.cables.names
        begin = {
            "generation": generation,
            "api": self.cables.api,
            "inputs": names.inputs,
            "outputs": names.outputs,
            "state": self.shadow.performer.save(),
            "practice": self._practice(),
        }
        self.link.send(wire.BEGIN, begin)
        opened = await asyncio.wait_for(self._opened[generation], OPEN_SECONDS)
        del self._opened[generation]
        if opened["problem"]:
            self.notice("player", state="no ports", text=f"the player has no ports: {opened['problem']}")
            await asyncio.sleep(1.0)
            self.tell_keeper({"swap": generation})  # the next one tries again
            return
        self._look_now()
        self._release_what_was_left()
        is_first = generation == 1 and not self._goes_on
        listener = self.cables.listener
        at = 0
        if listener is not None:
            at = listener.agree()
            missed = listener.missing(self._recorded)
            if place is not None:
                place = follow(place, missed)
            listener.restart()
            self._recorded = 0
        go = {"generation": generation, "at": at, "song_clock": None, "running": False, "reconnect": not is_first}
        if place is not None and not is_first and generation > 1:
            go |= {"song_clock": place.song_clock, "running": place.running}
        self.link.send(wire.GO, go)
        self.link.again()
        self.playing = True
        self.tell_keeper({"playing": generation})
        self.say_ready()
        if not is_first:
            self.notice("player", state="playing", text=f"player {pid} plays; its ports took {opened['ms']:.0f} ms")

    def _release_what_was_left(self) -> None:
        """Release what a show that was cut off may have left sounding."""
        if self.cables is not None and self._left_sounding:
            self._rescue([(o, bytes((0x7F + channel, note, 64))) for o, channel, note in self._left_sounding])
            self._left_sounding = []

    def _place(self) -> Place | None:
        """Return where the shadow has the clock: of the last clock in the record."""
        assert self.shadow is not None
        if self.setup.clock.source != "external" or self.setup.clock.mode == "pulses":
            return None
        transport = self.shadow.performer.view()["transport"]
        running = bool(transport["running"] or transport["armed"])
        clock = transport["song_clock"]
        return None if clock is None else Place(int(clock), running)

    def _practice(self) -> dict[str, Any] | None:
        practice: dict[str, Any] | None = self.facts.get("practice")
        if practice is None or self.shadow is None:
            return None
        transport = self.shadow.performer.view()["transport"]
        return {**practice, "song_clock": transport["song_clock"] if transport["running"] else None}

    async def _have_cables(self) -> None:
        """Wait until there is a MIDI system and we are plugged into it."""
        if self.cables is not None and self.cables.alive:
            return
        if self.cables is not None:
            self.cables.abandon()
            self.cables = None
        memory = Path(self.facts["state_dir"]) / "patching.json"
        api, instance = self.facts["api"], self.facts["instance"]
        self.cables = await find_cables(api, instance, self.setup, memory, self.ports_changed, self._wait_for)
        self.waiting = ""

    def _wait_for(self, what: str) -> None:
        self.waiting = what
        self.notice("port", port="", state="waiting", text=what)
        self.tell_keeper({"say": what})

    def say_ready(self) -> None:
        """Tell the keeper, once, that everything is there."""
        if self._ready_said or self.cables is None:
            return
        self._ready_said = True
        ports = self.cables.names_shown()
        pids = {"keeper": self.facts["keeper"], "player": self.player, "host": os.getpid()}
        where = ", ".join(f"{name} on {shown}" for name, shown in ports.items() if shown) or "no MIDI ports"
        words = (
            f"replank plays as {self.facts['instance']}: {where}; socket {self.facts['socket']}; {self._first_words()}"
        )
        facts = {"ready": True, "protocol": PROTOCOL, "ports": ports, "socket": self.facts["socket"], "pids": pids}
        self.tell_keeper({"ready": {**facts, "words": words}})

    def _first_words(self) -> str:
        assert self.shadow is not None
        return str(self.shadow.performer.view()["transport"]["words"])

    # -- adopting a player that plays ------------------------------------------

    async def _adopt(self) -> None:
        """Take over a player that plays: ask for its state and follow its record from there."""
        for _ in range(3):
            self._nonce = secrets.token_hex(8)
            self._buffer, self._adopted = None, self.loop.create_future()
            self.link.send(wire.STATE, {"nonce": self._nonce})
            try:
                await asyncio.wait_for(self._adopted, STATE_SECONDS)
                break
            except TimeoutError:
                continue
        else:
            self._begin_anew()
            text = "the player did not give its state; it is replaced"
            self.notice("host", state="adopting", text=text)
            self.tell_keeper({"swap": self.generation, "kill": True})
            return
        self._watch_player(self.player)
        await self._have_cables()
        self._look_now()
        self._agree()
        self.playing = True
        self.notice("host", state="adopted", text=f"the host was replaced and follows player {self.player} again")
        self.tell_keeper({"playing": self.generation})

    def _agree(self) -> None:
        """Let listener and record count from the same moment."""
        if self.cables is not None and self.cables.listener is not None:
            self.cables.listener.agree()
            self.link.read()
            self.cables.listener.restart()
            self._recorded = 0

    def _begin_anew(self) -> None:
        """Begin a show, or go on with one that was cut off."""
        performer, left = new_performer(self.facts, self.setup, self.feed.path)
        self._take_state(performer)
        if left is not None:
            self._goes_on, self._left_sounding = True, left
            text = f"the last show was cut off and goes on from there; {len(left)} notes are released first"
            self.notice("host", state="resumed", text=text)
            self.tell_keeper({"say": text})

    def _take_state(self, performer: Performer) -> None:
        self.setup = performer.setup
        self._clock_ports = self._find_clock_ports()
        self.shadow = Shadow(performer, self._on_input, self.feed.output, self._tell, self._differs)
        self.feed.begin(performer)

    # -- the record ------------------------------------------------------------

    def _record(self, kind: int, payload: bytes) -> None:
        try:
            self._take_record(kind, payload)
        except (ValueError, KeyError, TypeError, IndexError) as error:
            self.notice("host", state="record", text=f"a record could not be read: {error}")

    def _take_record(self, kind: int, payload: bytes) -> None:
        if kind == wire.MARK:
            if wire.plain_dict(payload)["nonce"] == self._nonce:
                self._buffer = []
        elif kind == wire.STATE:
            self._take_over(wire.plain_dict(payload))
        elif kind == wire.OPENED:
            opened = wire.plain_dict(payload)
            waiting = self._opened.get(opened["generation"])
            if waiting is not None and not waiting.done():
                waiting.set_result(opened)
        elif kind == wire.STATISTICS:
            self.statistics = wire.plain_dict(payload)
        elif kind == wire.TROUBLE:
            self.notice("player", state="failed", text=f"the player went on after: {wire.plain_dict(payload)['text']}")
        elif kind == wire.GOODBYE:
            self._goodbye = int(wire.plain_dict(payload)["pid"])
        elif kind == wire.HELLO:
            self._look_at_version(wire.plain_dict(payload))
        elif self._buffer is not None:
            if len(self._buffer) < MOST_BUFFERED:
                self._buffer.append((kind, payload))
        elif self.shadow is not None:
            self._follow(self.shadow, kind, payload)

    def _follow(self, shadow: Shadow, kind: int, payload: bytes) -> None:
        if kind in (wire.INPUT, wire.INPUT_MIDI):
            shadow.input(kind, payload)
        elif kind == wire.OUTPUT:
            shadow.output(payload)
        elif kind == wire.SENT:
            shadow.sent()
        elif kind == wire.GAP:
            dropped = int.from_bytes(payload, "little")
            self.gaps += dropped
            shadow.gap()
            text = f"{dropped} records of the player found no room; the record has a gap"
            self.notice("gap", dropped=dropped, text=text)
            self._spawn(self._adopt())  # the shadow's state is no longer the player's

    def _take_over(self, answer: dict[str, Any]) -> None:
        if answer["nonce"] != self._nonce or self._buffer is None:
            return
        buffered, self._buffer = self._buffer, None
        sounding = self.shadow.sounding if self.shadow is not None else None
        self._take_state(Performer.restore(answer["state"]))
        assert self.shadow is not None
        if sounding is None:
            self.shadow.sounding.notes.update(self.shadow.performer.sounding())
        else:
            self.shadow.sounding = sounding
        for kind, payload in buffered:
            self._follow(self.shadow, kind, payload)
        if self._adopted is not None and not self._adopted.done():
            self._adopted.set_result(None)

    def _look_at_version(self, hello: dict[str, Any]) -> None:
        if hello.get("pipe") != PIPE_VERSION:
            self.foreign_pipe = int(hello.get("pipe", 0))
            text = f"the player speaks pipe version {self.foreign_pipe}, this host {PIPE_VERSION}; it is swapped"
            self.notice("player", state="version", text=text)
            self.tell_keeper({"swap": self.generation})

    def _on_input(self, now: int, event: Event, serial: int, notices: list[Notice]) -> None:
        if type(event) is Midi and event.port in self._clock_ports:
            self._recorded += 1
        self.feed.input(now, to_plain(event))
        if serial:
            self.link.unseen.pop(serial, None)
            self.requests.happened(serial, notices)
        self._tell(notices)

    def _tell(self, notices: list[Notice]) -> None:
        for notice in notices:
            self.feed.notice(notice)
            self.server.publish(notice)

    def _differs(self, text: str) -> None:
        self.notice("differs", text=text)

    def notice(self, kind: str, **data: Any) -> None:
        """Say something of the host's own."""
        now = self.shadow.performer.now if self.shadow is not None else time.monotonic_ns()
        self._tell([Notice(kind, now, data)])

    def _disk_notice(self, notice: Notice) -> None:
        """Take a notice from the recorder's thread."""
        self.loop.call_soon_threadsafe(self.server.publish, notice)

    def rewired(self, setup: Setup) -> None:
        """A new rig is in use: its wishes hold from now on."""
        self.setup = setup
        if self.cables is not None:
            self.cables.rewire(setup)
        self.ports_changed()

    def _client_notice(self, text: str) -> None:
        self.notice("client", text=text)

    # -- ports and clock -------------------------------------------------------

    async def _listen(self) -> None:
        while True:
            await asyncio.sleep(LISTEN_SECONDS)
            cables = self.cables
            if cables is not None and cables.listener is not None and cables.alive and self.playing:
                cables.listener.poll()
                if cables.listener.watch(self._recorded):
                    self._recorded = 0

    def ports_changed(self) -> None:
        """Look at the ports soon; may be called on any thread."""
        self.loop.call_soon_threadsafe(self._look_due.set)

    async def _watch_ports(self) -> None:
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._look_due.wait(), LOOK_SECONDS)
            await asyncio.sleep(0.02)  # what changes together is looked at together
            self._look_due.clear()
            if self.cables is None or not self.playing:
                continue
            if self.cables.alive:
                self._look_now()
                if self.cables.unsaved:
                    await asyncio.to_thread(self.cables.remember)
            else:
                text = f"the MIDI system ({self.cables.api}) is gone; the line waits for it"
                self.notice("port", port="", state="gone", text=text)
                self.playing = False
                self.tell_keeper({"swap": self.generation, "kill": True})

    def _look_now(self) -> None:
        cables = self.cables
        if cables is None:
            return
        words, patched = cables.look(self.player, os.getpid())
        for word in words:
            self.notice("port", port=word.key, state=word.state, text=word.text)
        if self.playing:
            for output in patched:
                self.link.command(Reconnected(output))
            self.boxes.patched(cables.boxes, cables.lit)


async def run(facts: dict[str, Any]) -> None:
    """Be the host; see `Host` for the facts."""
    try:
        host = Host(facts)
    except BadStart as error:
        with socket.socket(fileno=facts["fds"]["control"]) as control:
            control.send(json.dumps({"fail": str(error), "code": error.code}).encode())
        return
    await host.run()
