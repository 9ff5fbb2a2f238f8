"""Patching: which cable goes where, decided from what is plugged in just now.

`Patcher.decide` compares the wishes of the rig, the connections that were there
at the last look and the ports that are there now; `Patcher.settle` is told what
came of it.  A peer that went away and
comes back is patched again, under whatever number it has then; a connection
that a person took out while both ends were there stays out.  The decisions
know nothing of JACK or ALSA; `replank.midi.bay` does what they say.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from replank.midi.bay import Bay, Port
from replank.midi.naming import PortNameError, clean_name, match, stable_name

ENDING_SECONDS = 3.0
"""A program whose cables go and whose ports follow within so long has ended; nobody unplugged it."""


@dataclass(slots=True)
class Own:
    """One of our ports.

    Attributes:
        key: What it is: ``in:clock``, ``out:out``.
        name: As the MIDI system shows it now; empty while it is not there.
        is_source: True for an output of ours.
        pid: Process that owns it: another one is another port, whatever it is called.
        wishes: Patterns of the rig.
        mirrors: Further ports of ours (of the host) that get the same connections.
    """

    key: str
    name: str
    is_source: bool
    pid: int = 0
    wishes: tuple[str, ...] = ()
    mirrors: tuple[str, ...] = ()


class Word(NamedTuple):
    """Something to tell: of which of our ports, what state, in words."""

    key: str
    state: str
    text: str


@dataclass(slots=True)
class Look:
    """What a look decided.

    Attributes:
        connect, disconnect: (source, sink) in order.
        words: What is new to tell.
    """

    connect: list[tuple[str, str]] = field(default_factory=list)
    disconnect: list[tuple[str, str]] = field(default_factory=list)
    words: list[Word] = field(default_factory=list)

    def moves(self, *sinks: str) -> bool:
        """Tell whether a cable to any of these ports is plugged in or out."""
        return any(sink in sinks for _, sink in (*self.connect, *self.disconnect) if sink)


class Patcher:
    """Remembers and decides.

    Attributes:
        remembered: key -> stable names of the peers that belong to a port.
    """

    def __init__(self, api: str, remembered: dict[str, list[str]] | None = None) -> None:
        self.api = api
        self.remembered = {key: list(dict.fromkeys(names)) for key, names in (remembered or {}).items()}
        self._was: dict[str, tuple[tuple[str, int], set[str]]] = {}  # key -> (our port's name and pid, its peers)
        self._told: dict[tuple[str, str], str] = {}
        self._taken_out: dict[tuple[str, str], float] = {}  # (key, stable name of a peer that was unplugged) -> when

    def adopt(self, owns: Iterable[Own], connected: dict[str, set[str]]) -> None:
        """Take the cables of ports never looked at before as known: they have been in while their player played on.

        Args:
            owns, connected: See `decide`.
        """
        for own in owns:
            if own.name:
                self._was.setdefault(own.key, ((own.name, own.pid), set(connected.get(own.name, ()))))

    def decide(
        self,
        owns: Iterable[Own],
        ports: Iterable[Port],
        connected: dict[str, set[str]],
        ours: set[str],
        gone: Iterable[str] = (),
        now: float = 0.0,
    ) -> Look:
        """Decide what to connect.

        Args:
            owns: Our ports.
            ports: Every port there is.
            connected: Name of our port -> names of its peers, for mirrors too.
            ours: Names of all ports of our own processes, which are never patched to each other.
            gone: Names that went away since the last look, also of ports that are back already.
            now: Seconds of a clock.
        """
        found = Look()
        self._let_go(set(gone), now)
        there = [port for port in ports if port.name not in ours]
        for own in owns:
            if own.name:
                self._one(own, [p.name for p in there if p.is_source != own.is_source], connected, found, now)
        return found

    def _let_go(self, gone: set[str], now: float) -> None:
        """Take note of ports that went away: what they leave behind was no person's doing.

        A program that ends first lets its cables go and then its ports, so
        what was taken out just before its port went belongs to it still.
        """
        for key, (own_name, peers) in self._was.items():
            self._was[key] = (own_name, peers - gone)
        stable = {stable_name(name, self.api) for name in gone}
        for (key, name), when in list(self._taken_out.items()):
            if name in stable:
                del self._taken_out[key, name]
                if now - when <= ENDING_SECONDS:
                    self.remembered[key].append(name)

    def settle(self, owns: Iterable[Own], connected: dict[str, set[str]]) -> tuple[list[Word], list[str]]:
        """Take what is connected after a look was done.

        Returns:
            What is new to tell, and the keys of our ports that have a peer they had not.
        """
        found, patched = Look(), []
        for own in owns:
            if not own.name:
                continue
            peers = connected.get(own.name, set())
            before = self._was.get(own.key, (("", 0), set()))[1]
            kept = self.remembered.setdefault(own.key, [])
            for name in sorted(peers):
                stable = stable_name(name, self.api)
                if stable not in kept:
                    kept.append(stable)
                self._taken_out.pop((own.key, stable), None)
                self._tell(found, own.key, name, "patched", f"{clean_name(name)} is patched to {own.key}")
            if peers - before:
                patched.append(own.key)
            self._was[own.key] = ((own.name, own.pid), set(peers))
        return found.words, patched

    def _one(self, own: Own, there: list[str], connected: dict[str, set[str]], found: Look, now: float) -> None:
        peers = {name for name in connected.get(own.name, set()) if name in there}
        kept = self.remembered.setdefault(own.key, [])
        before = self._was.get(own.key, (("", 0), set()))[1]
        self._forget_taken_out(own, peers, there, kept, now)
        for name in sorted(before - set(there)):
            self._tell(
                found, own.key, name, "gone", f"{clean_name(name)} has gone; it is patched again when it is back"
            )
        wanted = self._wished(own, there, found) + self._returning(own, peers, there, kept)
        for name in dict.fromkeys(wanted):
            if name not in peers:
                found.connect.append(_pair(own.is_source, own.name, name))
                peers.add(name)
        for mirror in own.mirrors:
            self._mirror(own, mirror, peers, connected.get(mirror, set()), found)

    def _forget_taken_out(self, own: Own, peers: set[str], there: list[str], kept: list[str], now: float) -> None:
        """Forget peers that a person unplugged from us while both ends were there."""
        was, before = self._was.get(own.key, (("", 0), set()))
        if was != (own.name, own.pid):
            return  # our own port is new: nobody took anything out
        for gone in before - peers:
            if gone in there:
                stable = stable_name(gone, self.api)
                if stable in kept:
                    kept.remove(stable)
                self._taken_out[own.key, stable] = now
                self._told.pop((own.key, gone), None)

    def _wished(self, own: Own, there: list[str], found: Look) -> list[str]:
        wanted = []
        for pattern in own.wishes:
            try:
                name = match(pattern, there, self.api)
            except PortNameError as error:
                self._tell(found, own.key, pattern, "waiting", f"{own.key} waits: {error}")
                continue
            if (own.key, stable_name(name, self.api)) in self._taken_out:
                continue
            self._told.pop((own.key, pattern), None)
            wanted.append(name)
        return wanted

    def _returning(self, own: Own, peers: set[str], there: list[str], kept: list[str]) -> list[str]:
        have = {stable_name(name, self.api) for name in peers}
        return [
            next(name for name in there if stable_name(name, self.api) == stable)
            for stable in kept
            if stable not in have and any(stable_name(name, self.api) == stable for name in there)
        ]

    def _mirror(self, own: Own, mirror: str, peers: set[str], have: set[str], found: Look) -> None:
        found.connect += [_pair(own.is_source, mirror, name) for name in sorted(peers - have)]
        found.disconnect += [_pair(own.is_source, mirror, name) for name in sorted(have - peers)]

    def _tell(self, found: Look, key: str, about: str, state: str, text: str) -> None:
        """Tell something once, until it changes."""
        if self._told.get((key, about)) != text:
            self._told[key, about] = text
            found.words.append(Word(key, state, text))


def _pair(is_source: bool, ours: str, theirs: str) -> tuple[str, str]:
    return (ours, theirs) if is_source else (theirs, ours)


def find_own(ports: Iterable[Port], pid: int, client: str, port: str, is_source: bool) -> str:
    """Return the name under which the system shows a port of ours; empty if it is not there.

    A second client of one name gets a number from the system, so the process
    decides; where the system does not tell processes, the newest one.
    """
    wanted = f"{client}:{port}"
    fallback = ""
    for one in ports:
        if one.is_source != is_source:
            continue
        if one.pid not in (0, pid) or not (_bare(one.name) == wanted or one.name.startswith(wanted)):
            continue
        if one.pid == pid:
            return one.name
        fallback = one.name  # the last one is the newest
    return fallback


def _bare(name: str) -> str:
    client, _, port = name.partition(":")
    head, dash, tail = client.rpartition("-")
    return f"{head if dash and tail.isdigit() and len(tail) == 2 else client}:{port}"


def apply(bay: Bay, look: Look) -> list[str]:
    """Do what a look decided; return what was refused, a sentence each."""
    refused = []
    for source, sink in look.disconnect:
        bay.disconnect(source, sink)
    for source, sink in look.connect:
        why = bay.connect(source, sink)
        if why:
            refused.append(f"{clean_name(source)} could not be patched to {clean_name(sink)}: {why}")
    return refused


def describe(owns: Iterable[Own], connected: dict[str, set[str]]) -> dict[str, Any]:
    """Return our ports and their peers for people, as plain data."""
    return {
        own.key: {"port": own.name, "peers": sorted(connected.get(own.name, set())), "wishes": list(own.wishes)}
        for own in owns
    }
