"""What clients may ask, done."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from typing import TYPE_CHECKING, Any

from replank.control.notices import Notice, words
from replank.control.parameters import nearest
from replank.control.setup import to_plain
from replank.host.prepare import BadStart, load_setup
from replank.host.server import Refused
from replank.host.shows.lasting import form_at
from replank.host.shows.store import Unusable
from replank.host.words import read_action, read_values, read_words, refusals
from replank.performer.events import Act, BringBack, Configure, Event

if TYPE_CHECKING:
    from replank.host.app import Host

ANSWER_SECONDS = 3.0
SAID = (
    "parameter", "done", "due", "snapshot", "mutation", "transport", "piece", "star", "name", "panic", "cancelled",
    "clamped", "setup", "without_effect",
)  # fmt: skip
"""Kinds of notices that confirm to the person who asked what was done."""
REQUESTS = ("ping", "subscribe", "state", "set", "act", "say", "reload")


class Requests:
    """Does requests, one implementation for every client."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self._waiting: dict[int, asyncio.Future[list[Notice]]] = {}

    async def ask(self, request: dict[str, Any], origin: str) -> dict[str, Any]:
        """Do a request and return the fields of its answer.

        Raises:
            Refused, ValueError: One sentence for the person who asked.
        """
        do = request.get("do")
        if do == "ping":
            return {"now": time.monotonic_ns()}
        shadow = self._host.shadow
        if shadow is None:
            raise Refused("the host has just been replaced and does not know the state yet; ask again")
        performer = shadow.performer
        if do == "state":
            return {"state": self.state()}
        if do == "set":
            return await self._perform([read_values(request.get("values"), performer, origin)])
        if do == "act":
            action = read_action(request.get("action"), performer, origin)
            return await self._perform([await self._from_the_record(action)])
        if do == "say":
            events = read_words(request.get("words"), performer, origin)
            return await self._perform([await self._from_the_record(event) for event in events])
        if do == "reload":
            return await self.reload()
        raise Refused(f"there is no request {str(do)[:40]!r}{nearest(str(do)[:40], REQUESTS)}")

    async def _from_the_record(self, event: Event) -> Event:
        """Return `back` to a cycle older than the performer's own trail with its form from the record."""
        if not isinstance(event, Act) or event.name not in ("back", "back_full"):
            return event
        shadow, cycle = self._host.shadow, int(event.args[0])
        if shadow is None or cycle >= shadow.performer.melody.trail.oldest_cycle:
            return event
        path, show = self._host.feed.path, "last"
        try:
            plain = await asyncio.to_thread(form_at, path, show, cycle)
        except (OSError, Unusable, ValueError) as error:
            raise Refused(f"cycle {cycle} cannot be read from the record: {error}") from None
        if plain is None:
            raise Refused(f"cycle {cycle} is neither on the trail nor in the record")
        return BringBack(event.name, f"cycle {cycle}", plain, event.due or "bar")

    async def _perform(self, events: list[Event]) -> dict[str, Any]:
        """Send events to the player and wait until they come back in its record."""
        host = self._host
        until = host.loop.time() + ANSWER_SECONDS
        while not host.playing and not host.waiting and host.loop.time() < until:
            await asyncio.sleep(0.02)  # it is just starting, or being replaced
        if not host.playing:
            raise Refused(host.waiting or "no player plays just now; another one is being started: ask again")
        futures: dict[int, asyncio.Future[list[Notice]]] = {}
        try:
            for event in events:
                serial = host.link.command(event)
                futures[serial] = self._waiting[serial] = host.loop.create_future()
            found = await asyncio.wait_for(asyncio.gather(*futures.values()), ANSWER_SECONDS)
        except BufferError as error:
            raise Refused(str(error)) from None
        except TimeoutError:
            raise Refused("the player has not answered yet; it does this as soon as it can") from None
        finally:
            for serial in futures:  # what never comes back is not waited for
                self._waiting.pop(serial, None)
        notices = [notice for row in found for notice in row]
        refused = refusals(notices)
        if refused:
            raise Refused("; ".join(refused))
        return {"said": [words(n.kind, n.data) for n in notices if n.kind in SAID]}

    def happened(self, serial: int, notices: list[Notice]) -> None:
        """A command came back in the record, with what came of it."""
        future = self._waiting.pop(serial, None)
        if future is not None and not future.done():
            future.set_result(notices)

    async def reload(self) -> dict[str, Any]:
        """Read rig, set and profiles again; they hold from the next step, or nothing changes and everybody is told.

        Raises:
            Refused, ValueError: What is wrong, with file, line and column.
        """
        try:
            return await self._reload()
        except (Refused, ValueError) as error:
            self._host.notice("file", file=str(self._host.facts.get("rig") or ""), text=f"not reloaded: {error}")
            raise

    async def _reload(self) -> dict[str, Any]:
        try:
            setup = await asyncio.to_thread(load_setup, self._host.facts)
        except BadStart as error:
            raise Refused(str(error)) from None
        now = self._host.setup
        if [o.name for o in setup.outputs] != [o.name for o in now.outputs] or [i.name for i in setup.inputs] != [
            i.name for i in now.inputs
        ]:
            raise Refused("the rig names other ports; ports are opened once: end replank play and start it again")
        answer = await self._perform([Configure(to_plain(setup))])
        self._host.rewired(setup)
        return answer

    async def reload_and_tell(self) -> None:
        """Reload as a signal asks for it; the answer is a notice."""
        with contextlib.suppress(Refused, ValueError):
            await self.reload()

    def state(self) -> dict[str, Any]:
        """Return the whole state."""
        host = self._host
        shadow, cables = host.shadow, host.cables
        period = cables.period() if cables is not None and cables.alive else None
        return {
            "performer": shadow.performer.view() if shadow is not None else None,
            "host": {
                "instance": host.facts["instance"],
                "socket": host.facts["socket"],
                "files": {"rig": host.facts.get("rig"), "set": host.facts.get("set")},
                "state_dir": host.facts["state_dir"],
                "uptime_s": round(time.monotonic() - host.began, 1),
                "pids": {"keeper": host.facts["keeper"], "player": host.player, "host": os.getpid()},
                "kept": host.control is not None,
                "playing": host.playing,
                "waiting": host.waiting,
                "generation": host.generation,
                "replaced": host.replaced,
                "api": cables.api if cables is not None else None,
                "period": {"frames": period[0], "rate": period[1], "ms": round(period[0] / period[1] * 1000, 3)}
                if period
                else None,
                "ports": cables.names_shown() if cables is not None else {},
                "patches": cables.describe() if cables is not None else {},
                "latency_us": host.statistics.get("service_us", {}),
                "player": host.statistics,
                "clock_missed": cables.listener.off if cables is not None and cables.listener is not None else 0,
                "drops": host.gaps,
                "broken": host.link.reader.broken,
                "differences": shadow.differences if shadow is not None else 0,
                "sounding": sorted(map(list, shadow.sounding.notes)) if shadow is not None else [],
                "disk": host.feed.health(),
                "awake": host.awake.text,
                "clients": host.server.clients,
            },
        }
