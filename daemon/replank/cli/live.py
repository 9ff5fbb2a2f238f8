"""Performing a recorded show through MIDI ports of its own, in its own timing."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Iterator
from typing import Any

import click

from replank import wire
from replank.cli.archives import title
from replank.cli.exits import ABSENT, INTERRUPTED, Fail
from replank.control.setup import Setup, from_plain
from replank.host.shows.exporting import state_at
from replank.host.shows.reading import Archive, Show, clock_text
from replank.host.shows.replaying import Played, perform, stretches
from replank.host.starting import absent, choose_api, jack_answers
from replank.player.ports import CannotOpen, Ports

CLIENT = "replank replay"
FLUSH = 0.02
"""Seconds before the ports go: what was sent last leaves with the next period."""


class Sounding:
    """Sends, and knows what sounds."""

    def __init__(self, ports: Ports) -> None:
        self.ports = ports
        self.notes: set[tuple[int, int, int]] = set()

    def send(self, output: int, data: bytes) -> None:
        """Send a message."""
        if wire.is_note_on(data):
            self.notes.add((output, data[0] & 0x0F, data[1]))
        elif wire.is_note_off(data):
            self.notes.discard((output, data[0] & 0x0F, data[1]))
        self.ports.send(output, data)

    def release(self) -> None:
        """Release everything that sounds."""
        for output, channel, note in sorted(self.notes):
            self.ports.send(output, bytes((0x80 | channel, note, 64)))
        self.notes.clear()
        time.sleep(FLUSH)


def perform_live(archive: Archive, show: Show, cycle: int, wait: float, api: str) -> None:
    """Play a show, from its first message or from a cycle, until its end or Ctrl-C.

    Raises:
        Fail: There is no MIDI system (exit code 3), or no such cycle.
    """
    steps = _from_cycle(archive, show, cycle)
    first = next((played for played in steps if played.messages), None)
    if first is None:
        what = f"cycle {cycle}" if cycle else "anything to be heard"
        raise Fail(f"--from: {title(show)} does not hold {what}" if cycle else f"{title(show)} holds no note")
    setup: Setup = from_plain(state_at(archive, show, first.now)["setup"])
    sounding = Sounding(_open(api, [output.name for output in setup.outputs]))
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    names = ", ".join(f"{CLIENT} {output.name}" for output in setup.outputs)
    click.echo(f"ports are open ({sounding.ports.api}): {names}")
    click.echo(f"{title(show)} begins in {wait:g} s at {clock_text(max(first.now - show.base, 0))}; Ctrl-C ends it")
    try:
        _play(sounding, first, steps, time.monotonic_ns() + int(wait * 1e9))
    except KeyboardInterrupt:
        click.echo("ended by hand; all notes released")
        raise SystemExit(INTERRUPTED) from None
    finally:
        sounding.release()
    click.echo("the show is over")


def _play(sounding: Sounding, first: Played, steps: Iterator[Played], begin: int) -> None:
    shift = begin - first.now
    played: Played | None = first
    while played is not None:
        if played.messages:
            ahead = played.now + shift - time.monotonic_ns()
            if ahead > 0:
                time.sleep(ahead / 1e9)
            for output, data in played.messages:
                sounding.send(output, data)
        played = next(steps, None)


def _from_cycle(archive: Archive, show: Show, cycle: int) -> Iterator[Played]:
    """Yield what comes from the first step of a cycle on, starting at the nearest state before it."""
    parts = stretches(archive, show)
    places = [(n, mark) for n, part in enumerate(parts) for mark in (part.start, *part.checks) if mark.cycle < cycle]
    at, mark = places[-1] if places else (0, None)
    for number, part in enumerate(parts[at:]):
        for played in perform(archive, show, part, mark if number == 0 else None):
            if played.performer.melody.cycle >= cycle:
                yield played


def _open(api: str, outputs: list[str]) -> Ports:
    has_jack = api in ("auto", "jack") and asyncio.run(jack_answers())
    chosen = choose_api(api, lambda: has_jack)
    if not chosen:
        raise Fail(absent(api), ABSENT)
    try:
        return Ports(chosen, [], [(f"{CLIENT} {name}", name) for name in outputs], _nothing)
    except CannotOpen as error:
        raise Fail(str(error), ABSENT) from None


def _nothing(*heard: Any) -> None:
    """There are no inputs."""
