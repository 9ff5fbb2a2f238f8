"""The record as it comes in: into the shadow, and a restarted host into the middle of it."""

from __future__ import annotations

import asyncio
import secrets
from typing import TYPE_CHECKING, Any

from replank import ENGINE, wire
from replank.control.notices import Notice, counted
from replank.host.shadow import Shadow
from replank.host.starting import new_performer
from replank.performer import Performer
from replank.performer.events import Event, to_plain
from replank.pipes import PIPE_VERSION

if TYPE_CHECKING:
    from replank.host.app import Host

STATE_SECONDS = 3.0
STOP_SECONDS = 0.1
OURS = {"pipe": PIPE_VERSION, "engine": ENGINE}
MOST_BUFFERED = 100_000


def is_other_release(told: dict[str, Any]) -> bool:
    """Tell whether a player writes other records or plays other notes than this release."""
    return any(told.get(name) != number for name, number in OURS.items())


def versions(told: dict[str, Any]) -> str:
    """Return what a player says of itself, in words."""
    return ", ".join(f"{name} {told.get(name)}" for name in OURS)


class Intake:
    """Takes the player's records."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self._nonce = ""
        self._sent_before: tuple[int, ...] = ()
        self._buffer: list[tuple[int, bytes]] | None = None
        self._answered: asyncio.Future[dict[str, Any]] | None = None
        self._adoption: asyncio.Task[Any] | None = None
        self._gap_meanwhile = False

    def adopt(self) -> None:
        """Take over a player that plays: ask for its state and follow its record from there."""
        self._gap_meanwhile = self._adoption is not None
        if self._adoption is None:
            self._host.players.watch(self._host.player)
            self._adoption = self._host.spawn(self._take_over_player())

    def stop_adopting(self) -> None:
        """The player that was to be taken over is gone."""
        if self._adoption is not None:
            self._adoption.cancel()
        self._adoption, self._answered, self._buffer, self._nonce = None, None, None, ""

    async def _take_over_player(self) -> None:
        try:
            await self._try_to_take_over()
        finally:
            if self._adoption is asyncio.current_task():
                self._adoption = None
                if self._gap_meanwhile and self._host.playing:  # the state may be from before it
                    self.adopt()

    async def _try_to_take_over(self) -> None:
        answer: dict[str, Any] | None = None
        for _ in range(3):
            answer = await self._ask_state()
            if answer is not None:
                break
        if answer is not None and is_other_release(answer):
            await self._wait_for_stop(answer)
        elif answer is not None and answer["state"] is not None:
            await self._go_on_with_player()
        elif answer is not None:  # it waits with nothing loaded: the host before died in bringing it up
            self.begin_anew()
            self._adoption = None
            self._host.players.bring(self._host.player, self._host.generation)
        else:
            self._replace("the note engine did not give its state; it is restarted", kill=True)

    async def _ask_state(self) -> dict[str, Any] | None:
        """Ask for the state; return the answer, None if none came in time."""
        self._nonce = secrets.token_hex(8)
        self._buffer, self._answered = None, self._host.loop.create_future()
        self._sent_before = tuple(self._host.link.unseen)
        self._host.link.send(wire.STATE, {"nonce": self._nonce})
        try:
            return await asyncio.wait_for(self._answered, STATE_SECONDS)
        except TimeoutError:
            return None

    async def _go_on_with_player(self) -> None:
        host = self._host
        host.playing = True
        host.notice("host", state="adopted", text=f"the host follows player {host.player} again")
        host.tell_keeper({"playing": host.generation})
        is_new = host.cables is None
        await host.players.have_cables()
        assert host.cables is not None
        if is_new:
            host.cables.adopt()
            host.spawn(host.players.sweep())  # begins once the look below has patched our own outputs
        host.watcher.look_now()
        host.watcher.agree()

    async def _wait_for_stop(self, answer: dict[str, Any]) -> None:
        """Leave a player of another release playing until the next Stop, then let one of this release go on.

        Its record cannot be followed; its state is tried once it has stopped,
        and the database has the one before.
        """
        host = self._host
        text = f"note engine {host.player} is of another release ({versions(answer)}, this one {versions(OURS)}); "
        host.notice("player", state="version", text=f"{text}it plays on and is restarted at the next Stop")
        await host.players.have_cables()
        host.watcher.look_now()
        listener = host.cables.listener if host.cables is not None else None
        if listener is not None and host.setup.clock.source == "external":
            while not listener.has_stopped():
                await asyncio.sleep(STOP_SECONDS)
        again = await self._ask_state()
        try:
            self.take_state(Performer.restore((again or answer)["state"]), self._host.generation + 1)
        except Exception as error:  # what another release wrote may fail anywhere
            host.notice("host", state="adopting", text=f"its state cannot be taken over: {error}")
        self._replace(f"note engine {host.player} was restarted, now of this release")

    def _replace(self, text: str, kill: bool = False) -> None:
        if self._host.shadow is None:
            self.begin_anew()
        self._host.notice("host", state="adopting", text=text)
        self._host.tell_keeper({"swap": self._host.generation, "kill": kill})

    def take_state(self, performer: Performer, after: str | int) -> None:
        """Follow the record from this state on; `after` says where that is, see `Journal.base`."""
        self._host.setup = performer.setup
        self._host.watcher.follow_setup()
        self._host.shadow = Shadow(
            performer, self._on_input, self._host.feed.output, self._host.tell, self._host.differs
        )
        self._host.feed.begin(performer, after)

    def begin_anew(self) -> None:
        """Begin a show, or go on with one that was cut off."""
        self._host.feed.recover()
        setup = None if self._host.bad_files else self._host.setup
        performer, cut = new_performer(self._host.facts, setup, self._host.feed.path)
        self.take_state(performer, "")
        sounding = {(output, channel, note) for output, channel, note in self._host.facts.get("struck", ())}
        if cut is not None:
            sounding.update(cut.sounding)
        self._host.players.left_sounding = sorted(sounding)
        if cut is not None:
            self._host.players.goes_on = True
            text = f"{cut.text}; first {counted(note=len(sounding))} released"
            self._host.notice("host", state="resumed", text=text)
            self._host.tell_keeper({"say": text})

    def record(self, kind: int, payload: bytes) -> None:
        """Take one record; one that cannot be read is told and passed over."""
        try:
            self._take_record(kind, payload)
        except (ValueError, KeyError, TypeError, IndexError) as error:
            self._host.notice("host", state="record", text=f"a record could not be read: {error}")

    def _take_record(self, kind: int, payload: bytes) -> None:
        if kind == wire.MARK:
            if wire.plain_dict(payload)["nonce"] == self._nonce:
                self._buffer = []
        elif kind == wire.STATE:
            self._take_over(wire.plain_dict(payload))
        elif kind == wire.OPENED:
            opened = wire.plain_dict(payload)
            waiting = self._host.players.opened.get(opened["generation"])
            if waiting is not None and not waiting.done():
                waiting.set_result(opened)
        elif kind == wire.STATISTICS:
            self._host.statistics = wire.plain_dict(payload)
        elif kind == wire.TROUBLE:
            self._host.notice(
                "player", state="failed", text=f"the player went on after: {wire.plain_dict(payload)['text']}"
            )
        elif kind == wire.GOODBYE:
            self._host.players.goodbye = int(wire.plain_dict(payload)["pid"])
        elif kind == wire.HELLO:
            self._look_at_version(wire.plain_dict(payload))
        elif self._buffer is not None:
            self._buffer.append((kind, payload))
            if len(self._buffer) > MOST_BUFFERED:
                self._buffer = None  # too late: another state will be asked for
        elif self._host.shadow is not None:
            self._follow(self._host.shadow, kind, payload)

    def _follow(self, shadow: Shadow, kind: int, payload: bytes) -> None:
        if kind in (wire.INPUT, wire.INPUT_MIDI):
            shadow.input(kind, payload)
        elif kind == wire.OUTPUT:
            shadow.output(payload)
        elif kind == wire.SENT:
            shadow.sent()
        elif kind == wire.GAP:
            dropped = int.from_bytes(payload, "little")
            self._host.gaps += dropped
            shadow.gap()
            shadow.is_true = False
            self._host.watcher.forget()  # what the record lacks now was not missed
            text = f"{dropped} records of the player found no room; the record has a gap"
            self._host.notice("gap", dropped=dropped, text=text)
            self.adopt()  # the shadow's state is no longer the player's

    def _take_over(self, answer: dict[str, Any]) -> None:
        waiting = self._answered
        if answer["nonce"] != self._nonce or waiting is None or waiting.done():
            return
        if answer["state"] is None or is_other_release(answer):
            waiting.set_result(answer)
            return
        if self._buffer is None:
            return
        buffered, self._buffer = self._buffer, None
        self.take_state(Performer.restore(answer["state"]), self._nonce)
        assert self._host.shadow is not None
        # all that was written before the mark has been sent: what a gap swallowed is in the state
        self._host.shadow.sounding.notes.update(self._host.shadow.performer.sounding())
        for kind, payload in buffered:
            self._follow(self._host.shadow, kind, payload)
        for serial in self._sent_before:  # the state holds what came of them, also where their records are lost
            self._host.link.unseen.pop(serial, None)
        waiting.set_result(answer)

    def _look_at_version(self, hello: dict[str, Any]) -> None:
        """A player that has just been started, such as a spare from before an upgrade, plays nothing yet."""
        if is_other_release(hello):
            text = f"a new note engine is of another release ({versions(hello)}, this one {versions(OURS)}); restarted"
            self._host.notice("player", state="version", text=text)
            self._host.tell_keeper({"swap": hello.get("generation")})

    def _on_input(self, now: int, event: Event, serial: int, notices: list[Notice]) -> None:
        self._host.watcher.recorded(event, now)
        self._host.feed.input(now, to_plain(event))
        if serial:
            self._host.link.unseen.pop(serial, None)
            self._host.requests.happened(serial, notices)
        self._host.tell(notices)
