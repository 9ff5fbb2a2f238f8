"""`replank soundcheck`: one command, one minute, a verdict a line."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from replank.cli.daemons import lost, reach
from replank.cli.exits import CHECK_FAILED, DONE, Fail
from replank.cli.numbers import Number
from replank.control.setup import Setup
from replank.control.voltage import note_volts
from replank.host import soundcheck as checks
from replank.host.client import Client, Denied, NoDaemon, connect
from replank.host.files import BadFile, load_rig, load_set
from replank.host.machine import FAIL, PASS, UNKNOWN, Period, disk, governor, jack_period, power, scheduling
from replank.host.paths import state_dir
from replank.host.soundcheck import LIST, MEASURED, Line
from replank.line.pitch import note_name

CAUTION = "Turn amplifier and monitors down and take headphones off; raise the level once the first note is there."
TONE_SECONDS, PAUSE_SECONDS, PATIENCE_SECONDS = 0.7, 0.2, 5.0
MARKS = {PASS: "pass", FAIL: "FAIL", UNKNOWN: " -  ", LIST: "    "}


@click.command()
@click.option("--instance", default="default", show_default=True, help="Daemon to check.")
@click.option("--seconds", type=Number(1, 600), default=20.0, show_default=True, help="How long to listen.")
@click.option("--rig", "rig_file", type=click.Path(path_type=Path), help="Rig file.  [default: the daemon's]")
@click.option("--set", "set_file", type=click.Path(path_type=Path), help="Set file.  [default: the daemon's]")
@click.option("--yes", is_flag=True, help="Play the test notes without asking, also while transport runs.")
@click.option("--no-notes", is_flag=True, help="Play no test notes.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON; what there is to do goes to standard error.")
def command(
    instance: str,
    seconds: float,
    rig_file: Path | None,
    set_file: Path | None,
    yes: bool,
    no_notes: bool,
    as_json: bool,
) -> None:
    """Know in a minute whether clock, knobs and output work, and how tight the timing is.

    It talks to the running daemon and opens no MIDI port.  Let the clock run,
    press Start and Stop, and move each control that it names once.  The exit
    code is 1 if a line fails, 3 if there is no daemon.

    \b
    replank soundcheck
    replank soundcheck --seconds 30 --yes
    replank soundcheck --json --no-notes
    """
    with reach(instance) as client:
        try:
            check = Check(client, instance, as_json)
            check.setup = _with_source(_setup(check.state, rig_file, set_file), check.state)
            check.machine()
            check.listen(seconds)
            check.notes(yes, no_notes)
            check.rig()
        except NoDaemon as gone:
            lost(gone)
    failed = check.finish()
    sys.exit(CHECK_FAILED if failed else DONE)


def _setup(state: Mapping[str, Any], rig_file: Path | None, set_file: Path | None) -> Setup:
    """Return the rig and set that the daemon plays, or those that were named."""
    files = (state.get("host") or {}).get("files", {})
    rig, pieces = rig_file or _path(files.get("rig")), set_file or _path(files.get("set"))
    try:
        setup = load_rig(rig) if rig else Setup()
        return load_set(pieces, setup) if pieces else setup
    except BadFile as error:
        raise Fail(str(error)) from None


def _with_source(setup: Setup, state: Mapping[str, Any]) -> Setup:
    """Return the setup with the clock that the daemon follows, which may be another than the rig's."""
    source = (state.get("performer") or {}).get("transport", {}).get("source")
    return replace(setup, clock=replace(setup.clock, source=source)) if source else setup


def _path(text: Any) -> Path | None:
    return Path(text) if isinstance(text, str) and text else None


class Check:
    """One sound check.

    Attributes:
        setup: The rig and set.
        state: The whole state, as it was last seen.
        lines: What was found so far.
    """

    def __init__(self, client: Client, instance: str, quiet: bool) -> None:
        self._client, self._instance, self._quiet = client, instance, quiet
        self.setup = Setup()
        self.lines: list[Line] = []
        self._services: list[Mapping[str, float]] = []
        self._period: Period | None = None
        self.state = self._look()

    # -- talking -----------------------------------------------------------------

    def _look(self) -> dict[str, Any]:
        until = time.monotonic() + PATIENCE_SECONDS
        while True:
            try:
                state: dict[str, Any] = self._client.ask("state")["state"]
            except Denied as why:  # a host that has just been replaced does not know it for a moment
                if time.monotonic() > until:
                    raise NoDaemon(str(why)) from None
                time.sleep(0.2)
                continue
            self._note_services(state)
            return state

    def _note_services(self, state: Mapping[str, Any]) -> None:
        service = _latency(state.get("host", {}))
        if service and (not self._services or service != self._services[-1]):
            self._services.append(service)

    def _tell(self, text: str) -> None:
        """Say what there is to do; never mixed into JSON."""
        click.echo(text, err=self._quiet)

    def say(self, *lines: Line) -> None:
        """Report lines."""
        for line in lines:
            self.lines.append(line)
            if not self._quiet:
                basis = f"  ({line.basis})" if line.basis else ""
                click.echo(f"{MARKS[line.state]}  {line.what}: {line.text}{basis}")
                if line.advice:
                    click.echo(f"        do: {line.advice}")

    # -- the parts ---------------------------------------------------------------

    def machine(self) -> None:
        """Ports, period, and what the machine is."""
        host = self.state.get("host", {})
        api = str(host.get("api") or "")
        self.say(*checks.port_lines(host.get("patches", {}), self.setup))
        self._period = _period(host) or (jack_period() if api in ("", "jack") else None)
        self.say(checks.period_line(self._period, api))
        pid = _player(host)
        self.say(
            checks.from_fact("priority", scheduling(pid))
            if pid
            else Line("priority", UNKNOWN, "the daemon does not tell its player's process")
        )
        self.say(checks.from_fact("power", power()), checks.from_fact("processor", governor()))
        self.say(checks.from_fact("disk", disk(_path(host.get("state_dir")) or state_dir())))

    def listen(self, seconds: float) -> None:
        """Listen for clock, transport and controls."""
        before = self.state.get("performer", {})
        controls = dict(before.get("controls", {}))
        piece = self.setup.pieces[0].values if self.setup.pieces else {}
        used = checks.used_controls(controls, piece)
        if self.setup.clock.source == "external":
            self._tell(f"Listening for {seconds:g} s.  Let the clock run; press Start, then Stop, on its sender.")
        elif used:
            self._tell(f"Listening for {seconds:g} s.")
        else:
            seconds = 0.0  # nothing that could be heard
        if used:
            named = ", ".join(f"{name} ({controls[name].get('control', '')})" for name in used)
            self._tell(f"Move each of these once: {named}.")
        seen: list[str] = []
        moved: set[str] = set()
        last = before
        for line in self._lines(seconds):
            if (line.get("state") or {}).get("performer"):
                self.state = line["state"]
                last = self.state.get("performer", {})
                self._note_services(self.state)
                moved |= _moved(controls, last.get("controls", {}))
            elif line.get("notice") == "transport":
                seen.append(str(line.get("data", {}).get("state", line.get("text", ""))))
            elif _by_hand(line):
                moved.add(str(line.get("data", {}).get("name", "")))
        self.say(*checks.clock_lines(before, last, self.setup))
        self.say(checks.transport_line(seen, self.setup))
        self.say(*checks.control_lines(controls, used, moved))

    def _lines(self, seconds: float) -> Iterator[dict[str, Any]]:
        """Yield what the daemon says for so long; its state comes at least every other second."""
        until = time.monotonic() + seconds
        with connect(self._instance) as listener:
            listener.ask("subscribe", levels=["event", "warn", "error"])
            try:
                for line in listener.lines():
                    yield line
                    if time.monotonic() >= until:
                        return
            except TimeoutError:
                raise NoDaemon("the daemon fell silent; see: replank status") from None
        raise NoDaemon("the daemon ended while it was listened to; see: replank status")

    def notes(self, yes: bool, no_notes: bool) -> None:
        """Play the test notes, if they may be played, then say how quick the daemon was."""
        self.state = self._look()
        performer = self.state.get("performer", {})
        running = checks.is_playing(performer)
        tones = checks.tones(self.setup, performer.get("parameters", {}))
        if no_notes:
            self.say(Line("test notes", UNKNOWN, "left out, as asked"))
        elif running and not yes:
            self.say(Line("test notes", UNKNOWN, "refused: transport runs; stop it, or say --yes"))
        elif not yes and not self._may_play():
            self.say(Line("test notes", UNKNOWN, "not played: nobody said yes; --yes plays them without asking"))
        else:
            self._tell(CAUTION)
            self._play(tones)
        self.say(checks.latency_line(self._services, self._period))

    def _may_play(self) -> bool:
        if self._quiet or not sys.stdin.isatty():
            return False
        self._tell(CAUTION)
        return click.confirm("Play the test notes, quietest first?", default=False)

    def _play(self, tones: list[checks.Tone]) -> None:
        middle_c = self.setup.middle_c
        try:
            for tone in tones:
                voice = self.setup.voices[tone.voice]
                name = note_name(tone.note, middle_c)
                volts = f", {note_volts(voice.voltage, tone.note):.3f} V (computed)" if voice.voltage else ""
                self._tell(f"  next: {voice.name}, {name}, velocity {tone.velocity}{volts}")
                time.sleep(PAUSE_SECONDS)
                before = self._sent(voice.output)
                try:
                    self._client.ask("act", action=f"tuning_note:{tone.note}:{tone.velocity}:{tone.voice + 1}")
                except Denied as why:
                    self.say(Line(f"note {voice.name} {name}", FAIL, str(why), MEASURED, "see replank status"))
                    continue
                time.sleep(TONE_SECONDS)
                self._judge(f"note {voice.name} {name}", voice.output, tone.note, before)
        finally:
            if self._look().get("performer", {}).get("tuning"):
                self._client.ask("act", action="tuning_note")
        time.sleep(1.1)  # the player tells its service times once a second
        self._look()

    def _judge(self, what: str, output: int, note: int, before: int) -> None:
        state = self._look()["performer"]["outputs"][output]
        if note in state["sounding"] and state["sent"] > before:
            self.say(Line(what, PASS, "was sent; whether it was heard only ears can tell", MEASURED))
        else:
            self.say(Line(what, FAIL, "was not sent", MEASURED, "see replank status: is the player there?"))

    def _sent(self, output: int) -> int:
        return int(self._look().get("performer", {}).get("outputs", [])[output]["sent"])

    def rig(self) -> None:
        """What follows from the rig alone."""
        tempo = self.state.get("performer", {}).get("transport", {}).get("tempo")
        self.say(*checks.wire_lines(self.setup, float(tempo or 120.0)))
        self.say(*checks.voltage_lines(self.setup.voices, self.setup.middle_c))

    def finish(self) -> int:
        """Say how it went; return how many lines failed."""
        count = {state: sum(line.state == state for line in self.lines) for state in MARKS}
        if self._quiet:
            plain = {"ok": not count[FAIL], "failed": count[FAIL], "lines": [line._asdict() for line in self.lines]}
            click.echo(json.dumps(plain, indent=2))
        else:
            click.echo(f"{count[PASS]} passed, {count[FAIL]} failed, {count[UNKNOWN]} not measured")
        return count[FAIL]


def _moved(before: Mapping[str, Any], now: Mapping[str, Any]) -> set[str]:
    def place(row: Mapping[str, Any]) -> tuple[Any, Any]:
        return row.get("taught"), row.get("position")

    return {name for name, row in now.items() if name in before and place(row) != place(before[name])}


def _by_hand(line: Mapping[str, Any]) -> bool:
    """True for a notice that a control was moved."""
    kind, origin = line.get("notice"), str(line.get("data", {}).get("origin", ""))
    return kind in ("waiting", "taught") or (kind == "parameter" and "client" not in origin)


def _latency(host: Mapping[str, Any]) -> Mapping[str, float]:
    """Return the player's service times of the last second in microseconds, empty where it does not tell."""
    found = host.get("latency_us") or {}
    return found if {"p50", "p99"} <= set(found) else {}


def _period(host: Mapping[str, Any]) -> Period | None:
    found = host.get("period")
    if not isinstance(found, Mapping):
        return None
    frames, rate = found.get("frames"), found.get("rate")
    return Period(frames, rate) if isinstance(frames, int) and isinstance(rate, int) and frames > 0 < rate else None


def _player(host: Mapping[str, Any]) -> int:
    found = host.get("pids", {}).get("player")
    return found if isinstance(found, int) and found > 0 and found != os.getpid() else 0
