"""`replank status`: what the daemon is doing, in a few lines or as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import click

from replank.cli.daemons import host_part, lost, reach
from replank.cli.exits import CHECK_FAILED, Fail
from replank.dashboard import wording
from replank.dashboard.view import State, read_state
from replank.host.client import Denied, NoDaemon
from replank.host.machine import LONGEST_PERIOD_MS
from replank.host.paths import DEFAULT_INSTANCE


@click.command()
@click.option("--instance", default=DEFAULT_INSTANCE, show_default=True, help="Which running player is meant.")
@click.option("--json", "as_json", is_flag=True, help="Print the whole state as JSON.")
def command(instance: str, as_json: bool) -> None:
    """Say what the daemon is doing.

    Exit code 1 where the MIDI system's period alone makes more than 3 ms of jitter.

    \b
    replank status
    replank status --json
    """
    with reach(instance) as client:
        try:
            state = client.ask("state")["state"]
        except Denied as error:
            raise Fail(str(error), CHECK_FAILED) from None
        except NoDaemon as error:
            lost(error)
    if as_json:
        click.echo(json.dumps(state))
    else:
        for line in sentences(state):
            click.echo(line)
    period = host_part(state).get("period")
    if period and period["ms"] > LONGEST_PERIOD_MS:
        raise Fail(period_words(period), CHECK_FAILED)


def period_words(period: dict[str, Any]) -> str:
    """Return what a period means, and what to do where it is too long."""
    text = f"period {period['frames']} frames at {period['rate']} Hz: every message waits up to {period['ms']:.2f} ms"
    if period["ms"] > LONGEST_PERIOD_MS:
        text += f", more than {LONGEST_PERIOD_MS:g} ms; start the JACK server with a shorter one, such as -p 64"
    return text


def what_to_send(transport: dict[str, Any], instance: str) -> str:
    """Return the command that begins a stopped internal clock, empty where it is not that which is waited for."""
    is_waiting = transport["source"] == "internal" and not (transport["running"] or transport["armed"])
    named = "" if instance == DEFAULT_INSTANCE else f"--instance {instance} "
    return f" (replank send {named}start)" if is_waiting else ""


def sentences(state: dict[str, Any]) -> Iterator[str]:
    """Yield the state in words, a line each."""
    host, performer = host_part(state), state.get("performer")
    if performer is None:
        yield "the host was just replaced and does not know the state yet"
    else:
        yield from _music(performer, str(host.get("instance") or DEFAULT_INSTANCE))
        yield from _course(read_state(state))
    if host.get("waiting"):
        yield str(host["waiting"])
    for key, row in sorted(host.get("patches", {}).items()):
        peers = ", ".join(row["peers"]) or "nothing patched"
        yield f"{key}: {row['port'] or 'no port'} - {peers}"
    if host.get("period"):
        yield period_words(host["period"])
    latency = host.get("latency_us") or {}
    if latency:
        yield f"from message to note: {latency['p50'] / 1000:.2f} ms, 99 of 100 under {latency['p99'] / 1000:.2f} ms"
    pids = host.get("pids", {})
    yield f"{', '.join(f'{name} {pid}' for name, pid in pids.items())}; socket {host.get('socket')}"
    if not host.get("kept", True):
        yield "the keeper is gone: nobody would restart player or host"
    disk = host.get("disk", {})
    if disk.get("text"):
        yield f"record: {disk['text']}"
    for name, what in (("drops", "records lost"), ("differences", "differences between record and notes")):
        if host.get(name):
            yield f"{host[name]} {what}"


def _losses(transport: dict[str, Any]) -> str:
    """Return what is known to be missing or doubled of the clock, in words."""
    names = {"dropouts": "hole", "lost_clocks": "clock lost", "doubled_clocks": "clock twice"}
    found = [(transport.get(name, 0), what) for name, what in names.items()]
    words = [f"{count} {what.replace(' ', 's ', 1) if count != 1 and ' ' in what else what + 's' * (count != 1)}"
             for count, what in found if count]  # fmt: skip
    return ", " + ", ".join(words) if words else ""


def _music(performer: dict[str, Any], instance: str) -> Iterator[str]:
    transport, line = performer["transport"], performer["line"]
    state, said = transport["state"], transport["words"]
    yield (said if said.startswith(state) else f"{state}: {said}") + what_to_send(transport, instance)
    if transport["tempo"]:
        yield f"clock {transport['tempo']:.1f} BPM, {transport['phase']}{_losses(transport)}"
    if transport.get("trouble"):
        yield f"clock: {transport['trouble']}"
    where = f"cycle {transport['cycle']}, bar {transport['bar']}, step {transport['step']} of {line['length']}"
    yield f"{where}; {line['root']} {line['scale']}"
    steps = line["steps"][: line["length"]]
    yield " ".join(step["name"] if step["heard"] else "·" for step in steps)
    if any(step.get("volts") is not None for step in steps):
        volts = (f"{step['volts']:.3f}" if step["heard"] and step["volts"] is not None else "·" for step in steps)
        yield f"volts, computed from the rig: {' '.join(volts)}"


def _course(state: State) -> Iterator[str]:
    """Yield where piece and phrase are, what moves, what comes next, and what tension makes of what was set."""
    yield from wording.piece_line(state, state.now)
    yield from wording.phrase_line(state)
    for what, lines in (("moving", [*wording.ramp_lines(state), *wording.arc_lines(state, under_way=True)]),
                        ("next", [*wording.due_lines(state), *wording.plan_lines(state)])):  # fmt: skip
        if lines:
            yield f"{what}: {'; '.join(lines)}"
    yield from wording.tension_line(state)
