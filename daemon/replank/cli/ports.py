"""`replank ports`: which MIDI ports there are, and what is patched to ours."""

from __future__ import annotations

import json
from typing import Any

import click

from replank.cli.exits import ABSENT, CHECK_FAILED, Fail
from replank.cli.status import period_words
from replank.host.machine import LONGEST_PERIOD_MS
from replank.midi.alsa import AlsaBay
from replank.midi.bay import Bay, NoSystem, Port
from replank.midi.jack import JackBay
from replank.midi.naming import clean_name

_BAYS: dict[str, type[JackBay] | type[AlsaBay]] = {"jack": JackBay, "alsa": AlsaBay}


@click.command()
@click.option("--api", type=click.Choice(("auto", *_BAYS)), default="auto", show_default=True, help="MIDI system.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(api: str, as_json: bool) -> None:
    """List MIDI ports and what is patched to them.

    Names in a rig's ``connect`` may be any part of what stands here.  Exit
    code 3 where there is no MIDI system, 1 where JACK's period alone makes
    more than 3 ms of jitter.

    \b
    replank ports
    replank ports --api jack --json
    """
    found: dict[str, dict[str, Any]] = {}
    absent: dict[str, str] = {}
    for name, bay in _BAYS.items():
        if api in ("auto", name):
            try:
                found[name] = read(bay("replank-ports"))
            except NoSystem as error:
                absent[name] = str(error)
    if as_json:
        click.echo(json.dumps({"systems": found, "absent": absent}))
    elif found:
        _print(found, absent)
    if not found:
        raise Fail(f"{'; '.join(absent.values())}; without MIDI there are: replank demo, replank render", ABSENT)
    period = found.get("jack", {}).get("period")
    if period and period["ms"] > LONGEST_PERIOD_MS:
        raise Fail(period_words(period), CHECK_FAILED)


def read(bay: Bay) -> dict[str, Any]:
    """Return a system's ports with their connections, and its period; then let go of it."""
    try:
        ports = bay.ports()
        rows = [_row(bay, port) for port in ports if not clean_name(port.name).startswith("replank-ports")]
        period = bay.period()
    finally:
        bay.close()
    as_plain = None
    if period is not None:
        as_plain = {"frames": period[0], "rate": period[1], "ms": round(period[0] / period[1] * 1000, 3)}
    return {"ports": rows, "period": as_plain}


def _row(bay: Bay, port: Port) -> dict[str, Any]:
    peers = sorted(clean_name(name) for name in bay.connections(port))
    return {"name": clean_name(port.name), "way": "source" if port.is_source else "sink", "peers": peers}


def _print(found: dict[str, dict[str, Any]], absent: dict[str, str]) -> None:
    for name, system in found.items():
        click.echo(f"{name}:")
        for way, title in (("source", "send"), ("sink", "receive")):
            rows = [row for row in system["ports"] if row["way"] == way]
            click.echo(f"  ports that {title}:" if rows else f"  no port that {title}s")
            for row in rows:
                peers = f"  - {', '.join(row['peers'])}" if row["peers"] else ""
                click.echo(f"    {row['name']}{peers}")
        if system["period"]:
            click.echo(f"  {period_words(system['period'])}")
    for name, why in absent.items():
        click.echo(f"{name}: {why}")
