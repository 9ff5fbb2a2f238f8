"""Patching: which cable goes where, decided from what is plugged in just now.

`Patcher.look` compares the wishes of the rig, the connections that were there
at the last look and the ports that are there now.  A peer that went away and
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


@dataclass(slots=True)
class Own:
    """One of our ports.

    Attributes:
        key: What it is: ``in:clock``, ``out:out``.
        name: As the MIDI system shows it now; empty while it is not there.
        is_source: True for an output of ours.
        wishes: Patterns of the rig.
        mirrors: Further ports of ours (of the host) that get the same connections.
    """

    key: str
    name: str
    is_source: bool
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
        patched: Keys of our ports that get a peer they did not have.
    """

    connect: list[tuple[str, str]] = field(default_factory=list)
    disconnect: list[tuple[str, str]] = field(default_factory=list)
    words: list[Word] = field(default_factory=list)
    patched: list[str] = field(default_factory=list)


class Patcher:
    """Remembers and decides.

    Attributes:
        remembered: key -> stable names of the peers that belong to a port.
    """

    def __init__(self, api: str, remembered: dict[str, list[str]] | None = None) -> None:
        self.api = api
        self.remembered = {key: list(dict.fromkeys(names)) for key, names in (remembered or {}).items()}
        self._was: dict[str, tuple[str, set[str]]] = {}  # key -> (our port's name, names of its peers)
        self._told: dict[tuple[str, str], str] = {}

    def look(self, owns: Iterable[Own], ports: Iterable[Port], connected: dict[str, set[str]], ours: set[str]) -> Look:
        """Decide what to connect.

        Args:
            owns: Our ports.
            ports: Every port there is.
            connected: Name of our port -> names of its peers, for mirrors too.
            ours: Names of all ports of our own processes, which are never patched to each other.
        """
        found = Look()
        there = [port for port in ports if port.name not in ours]
        for own in owns:
            if own.name:
                self._one(own, [p.name for p in there if p.is_source != own.is_source], connected, found)
        return found

    def _one(self, own: Own, there: list[str], connected: dict[str, set[str]], found: Look) -> None:
        peers = {name for name in connected.get(own.name, set()) if name in there}
        kept = self.remembered.setdefault(own.key, [])
        self._forget_taken_out(own, peers, there, kept)
        for name in sorted(peers):
            if (stable := stable_name(name, self.api)) not in kept:
                kept.append(stable)
        wanted = self._wished(own, there, found) + self._returning(own, peers, there, kept)
        for name in dict.fromkeys(wanted):
            if name not in peers:
                found.connect.append(_pair(own.is_source, own.name, name))
                self._tell(found, own.key, name, "patched", f"{clean_name(name)} is patched to {own.key}")
                peers.add(name)
        before = self._was.get(own.key, ("", set()))[1]
        for name in sorted(before - set(there)):
            self._tell(
                found, own.key, name, "gone", f"{clean_name(name)} has gone; it is patched again when it is back"
            )
        if peers - before:
            found.patched.append(own.key)
        for mirror in own.mirrors:
            self._mirror(own, mirror, peers, connected.get(mirror, set()), found)
        self._was[own.key] = (own.name, peers)

    def _forget_taken_out(self, own: Own, peers: set[str], there: list[str], kept: list[str]) -> None:
        """Forget peers that a person unplugged from us while both ends were there."""
        name, before = self._was.get(own.key, ("", set()))
        if name != own.name:
            return  # our own port is new: nobody took anything out
        for gone in before - peers:
            if gone in there:
                stable = stable_name(gone, self.api)
                if stable in kept:
                    kept.remove(stable)
                self._told[own.key, f"out {stable}"] = "out"

    def _wished(self, own: Own, there: list[str], found: Look) -> list[str]:
        wanted = []
        for pattern in own.wishes:
            try:
                name = match(pattern, there, self.api)
            except PortNameError as error:
                self._tell(found, own.key, pattern, "waiting", f"{own.key} waits: {error}")
                continue
            if self._told.get((own.key, f"out {stable_name(name, self.api)}")) == "out":
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
            if state == "patched":
                self._told.pop((key, f"out {stable_name(about, self.api)}"), None)
            found.words.append(Word(key, state, text))


def _pair(is_source: bool, ours: str, theirs: str) -> tuple[str, str]:
    return (ours, theirs) if is_source else (theirs, ours)


def find_own(ports: Iterable[Port], pid: int, client: str, port: str, is_source: bool) -> str:
    """Return the name under which the system shows a port of ours; empty if it is not there.

    A second client of one name gets a number from the system, so the process decides.
    """
    wanted = f"{client}:{port}"
    fallback = ""
    for one in ports:
        if one.is_source != is_source:
            continue
        if one.pid == pid and (_bare(one.name) == wanted or one.name.startswith(wanted)):
            return one.name
        if one.pid == 0 and one.name.startswith(wanted):
            fallback = one.name
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
