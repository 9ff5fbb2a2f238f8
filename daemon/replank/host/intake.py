"""The record as it comes in: into the shadow, and a restarted host into the middle of it."""

from __future__ import annotations

import asyncio
import secrets
from typing import TYPE_CHECKING, Any

from replank import wire
from replank.control.notices import Notice
from replank.host.shadow import Shadow
from replank.host.starting import new_performer
from replank.performer import Performer
from replank.performer.events import Event, Midi, to_plain
from replank.pipes import PIPE_VERSION

if TYPE_CHECKING:
    from replank.host.app import Host

STATE_SECONDS = 3.0
MOST_BUFFERED = 100_000


class Intake:
    """Takes the player's records."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self._nonce = ""
        self._buffer: list[tuple[int, bytes]] | None = None
        self._adopted: asyncio.Future[None] | None = None
        self._adopting = False

    async def adopt(self) -> None:
        """Take over a player that plays: ask for its state and follow its record from there."""
        if self._adopting:
            return
        self._adopting = True
        try:
            await self._take_over_player()
        finally:
            self._adopting = False

    async def _take_over_player(self) -> None:
        for _ in range(3):
            self._nonce = secrets.token_hex(8)
            self._buffer, self._adopted = None, self._host.loop.create_future()
            self._host.link.send(wire.STATE, {"nonce": self._nonce})
            try:
                await asyncio.wait_for(self._adopted, STATE_SECONDS)
                break
            except TimeoutError:
                continue
        else:
            self.begin_anew()
            text = "the player did not give its state; it is replaced"
            self._host.notice("host", state="adopting", text=text)
            self._host.tell_keeper({"swap": self._host.generation, "kill": True})
            return
        self._host.players.watch(self._host.player)
        await self._host.players.have_cables()
        self._host.watcher.look()
        self._host.watcher.agree()
        self._host.playing = True
        self._host.notice(
            "host", state="adopted", text=f"the host was replaced and follows player {self._host.player} again"
        )
        self._host.tell_keeper({"playing": self._host.generation})

    def take_state(self, performer: Performer) -> None:
        """Follow the record from this state on."""
        self._host.setup = performer.setup
        self._host.watcher.find_clock_ports()
        self._host.shadow = Shadow(
            performer, self._on_input, self._host.feed.output, self._host.tell, self._host.differs
        )
        self._host.feed.begin(performer)

    def begin_anew(self) -> None:
        """Begin a show, or go on with one that was cut off."""
        performer, cut = new_performer(self._host.facts, self._host.setup, self._host.feed.path)
        self.take_state(performer)
        if cut is not None:
            self._host.players.goes_on, self._host.players.left_sounding = True, cut.sounding
            text = f"{cut.text}; {len(cut.sounding)} notes are released first"
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
            if len(self._buffer) < MOST_BUFFERED:
                self._buffer.append((kind, payload))
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
            text = f"{dropped} records of the player found no room; the record has a gap"
            self._host.notice("gap", dropped=dropped, text=text)
            self._host.spawn(self.adopt())  # the shadow's state is no longer the player's

    def _take_over(self, answer: dict[str, Any]) -> None:
        if answer["nonce"] != self._nonce or self._buffer is None:
            return
        buffered, self._buffer = self._buffer, None
        sounding = self._host.shadow.sounding if self._host.shadow is not None else None
        self.take_state(Performer.restore(answer["state"]))
        assert self._host.shadow is not None
        if sounding is None:
            self._host.shadow.sounding.notes.update(self._host.shadow.performer.sounding())
        else:
            self._host.shadow.sounding = sounding
        for kind, payload in buffered:
            self._follow(self._host.shadow, kind, payload)
        if self._adopted is not None and not self._adopted.done():
            self._adopted.set_result(None)

    def _look_at_version(self, hello: dict[str, Any]) -> None:
        if hello.get("pipe") != PIPE_VERSION:
            text = f"the player speaks pipe version {hello.get('pipe')}, this host {PIPE_VERSION}; it is swapped"
            self._host.notice("player", state="version", text=text)
            self._host.tell_keeper({"swap": self._host.generation})

    def _on_input(self, now: int, event: Event, serial: int, notices: list[Notice]) -> None:
        if type(event) is Midi:
            self._host.watcher.heard(event.port, now)
        self._host.feed.input(now, to_plain(event))
        if serial:
            self._host.link.unseen.pop(serial, None)
            self._host.requests.happened(serial, notices)
        self._host.tell(notices)
