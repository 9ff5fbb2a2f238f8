"""How a host begins: files, the performer of a new or an interrupted show, the MIDI system."""

from __future__ import annotations

import asyncio
import os
import secrets
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from replank.control.setup import Setup, to_plain
from replank.host.cables import Cables
from replank.host.files import BadFile, load_rig, load_set
from replank.host.shows.lasting import ended_in_order, last_state
from replank.midi.alsa import DEVICE
from replank.midi.bay import NoSystem
from replank.performer import Performer

WAIT_SECONDS = 1.0
"""Between two looks for a MIDI system that is not there."""


class BadStart(Exception):
    """The host cannot begin: one clear message and an exit code."""

    def __init__(self, message: str, code: int = 2) -> None:
        super().__init__(message)
        self.code = code


def load_setup(facts: dict[str, Any]) -> Setup:
    """Return rig, set, clock source and parameters as `replank play` was told.

    Raises:
        BadStart: A file is wrong; every mistake is a line.
    """
    try:
        setup = load_rig(facts["rig"]) if facts.get("rig") else Setup()
        if facts.get("set"):
            setup = load_set(facts["set"], setup)
    except BadFile as error:
        raise BadStart("\n".join(str(mistake) for mistake in error.mistakes)) from None
    except OSError as error:
        raise BadStart(f"{error.filename}: {error.strerror}") from None
    if facts.get("clock"):
        setup = replace(setup, clock=replace(setup.clock, source=facts["clock"]))
    return replace(setup, values={**setup.values, **facts.get("values", {})})


def new_performer(
    facts: dict[str, Any], setup: Setup, path: Path
) -> tuple[Performer, list[tuple[int, int, int]] | None]:
    """Return the performer to begin with.

    Args:
        facts: What `replank play` said; ``seed`` 0 is a new one.
        setup: What `load_setup` returned.
        path: The show database.

    Returns:
        The performer, and (output, channel, note) of what an interrupted show
        may have left sounding; None where this is a new show.
    """
    now = time.monotonic_ns()
    if not facts.get("fresh") and not ended_in_order(path):
        last = last_state(path)
        if last is not None and last.saved["now"] <= now:  # else another boot: the clock began anew
            performer = Performer.restore(last.saved)
            if to_plain(performer.setup) != to_plain(setup):
                performer.configure(to_plain(setup))
                # what it had to say of that is in no record: the player, patched anew, tells the outputs itself
                performer = Performer.restore(performer.save())
            return performer, last.sounding
    seed = facts.get("seed") or secrets.randbelow(2**63 - 1) + 1
    return Performer(setup, seed, now), None


def choose_api(api: str, jack_answers: Callable[[], bool]) -> str:
    """Return jack, alsa, coremidi or none; empty while the wanted one is not there.

    ``auto`` prefers the ALSA sequencer, whose messages do not wait for a period.
    """
    if api in ("none", "coremidi"):
        return api
    if sys.platform == "darwin" and api == "auto":
        return "coremidi"
    if api in ("alsa", "auto") and os.access(DEVICE, os.R_OK | os.W_OK):
        return "alsa"
    if api in ("jack", "auto") and jack_answers():
        return "jack"
    return ""


async def jack_answers() -> bool:
    """Ask for a JACK server from a process that may be thrown away."""
    asking = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "replank.midi.jack", stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL
    )
    try:
        return await asyncio.wait_for(asking.wait(), 5.0) == 0
    except TimeoutError:
        asking.kill()
        await asking.wait()
        return False


def absent(api: str) -> str:
    """Return what is missing and what is there instead, for the person who waits for it."""
    server = os.environ.get("JACK_DEFAULT_SERVER", "default")
    jack = f"no JACK server {server!r} answers"
    alsa = f"there is no ALSA sequencer ({DEVICE})" if not DEVICE.exists() else f"{DEVICE} may not be opened"
    if api == "jack":
        other = "; the ALSA sequencer is there: --api alsa" if os.access(DEVICE, os.R_OK | os.W_OK) else ""
        return f"{jack}{other}"
    return f"{alsa}, and {jack}" if api == "auto" else alsa


async def find_cables(
    api: str, instance: str, setup: Setup, memory: Path, changed: Callable[[], None], say: Callable[[str], None]
) -> Cables:
    """Wait until the MIDI system is there and return the host's cables to it.

    Args:
        api: As given to `replank play`.
        instance, setup, memory, changed: See `Cables`.
        say: Called with a sentence whenever the reason of the waiting changes.
    """
    said = ""
    while True:
        has_jack = api in ("jack", "auto") and await jack_answers()
        chosen = choose_api(api, lambda: has_jack)  # noqa: B023
        why = "" if chosen else absent(api)
        if chosen:
            try:
                return Cables(chosen, instance, setup, memory, changed)
            except NoSystem as error:
                why = str(error)
        if why != said:
            said = why
            say(f"waiting for MIDI: {why}")
        await asyncio.sleep(WAIT_SECONDS)
