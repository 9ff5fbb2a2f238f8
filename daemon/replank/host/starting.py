"""How a host begins: files, the performer of a new or an interrupted show, the MIDI system."""

from __future__ import annotations

import asyncio
import os
import secrets
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from replank.control.setup import Setup, from_plain, to_plain
from replank.host.cables import Cables
from replank.host.shows.lasting import LastState, last_state
from replank.midi.alsa import DEVICE
from replank.midi.bay import NoSystem
from replank.performer import Performer

WAIT_SECONDS = 1.0
"""Between two looks for a MIDI system that is not there."""
SAME_BOOT_NS = 30_000_000_000
"""Wall and monotonic clock drift apart by less than this within a show, unless the machine slept or booted."""


def new_performer(facts: dict[str, Any], setup: Setup | None, path: Path) -> tuple[Performer, Cut | None]:
    """Return the performer to begin with.

    A show that was cut off goes on; with another boot of the machine in
    between, from its line, trail and parameters, and when Start comes.  After
    a show that ended in order a new one begins, with the snapshots and the
    pieces as they were left; `resume` lets its line go on, too.

    Args:
        facts: What `replank play` said; ``seed`` 0 is a new one.
        setup: What `load_setup` returned; None goes on with what the last show used.
        path: The show database.

    Returns:
        The performer, and what went before it; None where this is a new show.
    """
    now = time.monotonic_ns()
    last = None if facts.get("fresh") else last_state(path)
    if setup is None:
        setup = from_plain(last.saved["setup"]) if last is not None else Setup()
    if last is not None and not last.in_order and is_same_boot(last, now):
        performer = Performer.restore(last.saved)
        if to_plain(performer.setup) != to_plain(setup):
            performer.configure(to_plain(setup))
            # what it had to say of that is in no record: the player, patched anew, tells the outputs itself
            performer = Performer.restore(performer.save())
        return performer, Cut("the last show was cut off and goes on from there", last.sounding)
    performer = Performer(setup, facts.get("seed") or secrets.randbelow(2**63 - 1) + 1, now)
    if last is None:
        return performer, None
    whole = not last.in_order or bool(facts.get("resume"))
    try:
        performer.carry_over(last.saved, whole)
    except ValueError as error:
        return performer, Cut(f"the last show's line cannot go on here: {error}", last.sounding)
    if not whole:
        return performer, None
    text = "the last show's line goes on" if last.in_order else "the last show was cut off; its line goes on"
    return performer, Cut(text, last.sounding)


class Cut(NamedTuple):
    """What went before a show that goes on.

    Attributes:
        text: For people.
        sounding: (output, channel 1 to 16, note) that may still sound.
    """

    text: str
    sounding: list[tuple[int, int, int]]


def is_same_boot(last: LastState, now: int) -> bool:
    """Tell whether a state's times are of this boot's clock: wall and monotonic clock still go together."""
    return last.saved["now"] <= now and abs(time.time_ns() - now - last.clock) < SAME_BOOT_NS


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
        return False
    finally:
        if asking.returncode is None:
            asking.kill()
            await asking.wait()


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
            except Exception as error:  # a server that ends or is overloaded just now
                why = f"{chosen}: {type(error).__name__}: {error}"
        if why != said:
            said = why
            say(f"waiting for MIDI: {why}")
        await asyncio.sleep(WAIT_SECONDS)
