"""`replank tune`: find what a MIDI-to-CV interface does wrong, and correct it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click

from replank.cli.exits import ABSENT, CHECK_FAILED, Fail
from replank.control.bend import bend_step, correction
from replank.control.setup import Setup, Voice, Voltage
from replank.control.voltage import describe, voice_range
from replank.host.client import Denied, NoDaemon, connect
from replank.host.files import BadFile, load_rig
from replank.host.paths import default_rig
from replank.host.soundcheck import is_playing
from replank.host.tunefit import Fit, Reading, ScipyAbsent, fit, parse_reading, parse_readings, robust_fit
from replank.host.tunestore import store_tuning, tuning_line
from replank.line.pitch import frequency, note_name

CAUTION = (
    "Before any tone: turn amplifier and monitors down, take headphones off, then raise the level slowly.",
    "Stay inside the voltages that the receiving input is rated for; its manual decides.",
)


@click.command()
@click.option("--rig", "rig_file", type=click.Path(path_type=Path), help="Rig file.  [default: your rig.yaml]")
@click.option(
    "--voice", "voice_name", metavar="NAME", help="Voice that feeds the interface.  [default: the first with a voltage]"
)
@click.option("--readings", type=click.Path(path_type=Path), metavar="FILE", help="Lines of note,cents or note,hertz.")
@click.option("--over-correction", is_flag=True, help="Readings were made with the rig's present correction at work.")
@click.option("--store", is_flag=True, help="Write the correction into the rig; the old file is kept beside it.")
@click.option("--instance", default="default", show_default=True, help="Daemon that plays the notes.")
@click.option("--no-play", is_flag=True, help="Play no notes; you play them yourself.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON (with --readings).")
def command(
    rig_file: Path | None, voice_name: str | None, readings: Path | None, over_correction: bool, store: bool,
    instance: str, no_play: bool, as_json: bool,
) -> None:  # fmt: skip
    """Tune a MIDI-to-CV interface, octave by octave, with any tuner.

    Without --readings it goes from the lowest note to the highest an octave at
    a time, and you type what the tuner shows: -3.5 (cents) or 65.1Hz.  It finds
    scale and offset error, says what to trim, and makes a correction that is
    sent as pitch bend.

    \b
    replank tune
    replank tune --readings readings.csv
    replank tune --rig rig.yaml --voice bass --readings readings.csv --store
    """
    try:
        robust_fit()  # before anybody reads a tuner for nothing
    except ScipyAbsent as absent:
        raise Fail(str(absent), ABSENT) from None
    path = rig_file or default_rig()
    setup = _rig(path, rig_file)
    index = _voice(setup, voice_name)
    voice = setup.voices[index]
    voltage = voice.voltage or Voltage()
    if readings is not None:
        found = _read(readings, setup)
    else:
        if as_json:
            raise Fail("--json needs --readings FILE")
        found, played = _ask(setup, index, instance, not no_play)
        # the daemon bends what it plays, by what the rig has already
        over_correction = over_correction or (played and voice.bend_range > 0)
    if over_correction:
        found = [r._replace(cents=r.cents - correction(voice.tuning, r.note)) for r in found]
    try:
        result = fit(found, voltage)
    except ValueError as error:
        raise Fail(f"{readings}: {error}" if readings else str(error)) from None
    if as_json:
        click.echo(json.dumps(_plain(result, voice), indent=2))
    else:
        for line in [*_report(result, voice, voltage, setup.middle_c), "", *_advice(result, voice, setup.middle_c)]:
            click.echo(line)
    if store:
        _store(path, index, result, as_json)
        if not voice.bend_range and not as_json:
            click.echo("It changes nothing yet: give the voice its bend_range, too.")


def _rig(path: Path, given: Path | None) -> Setup:
    if given is None and not path.exists():
        return Setup()
    try:
        return load_rig(path)
    except BadFile as error:
        raise Fail(str(error)) from None


def _voice(setup: Setup, name: str | None) -> int:
    names = [voice.name for voice in setup.voices]
    if name is not None:
        if name not in names:
            raise Fail(f"--voice {name}: the rig has no such voice; it has {', '.join(names)}")
        return names.index(name)
    return next((i for i, voice in enumerate(setup.voices) if voice.voltage is not None), 0)


def _read(path: Path, setup: Setup) -> list[Reading]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise Fail(f"{path}: cannot be read: {getattr(error, 'strerror', None) or 'it is no text'}") from None
    found, wrong = parse_readings(text, setup.middle_c, setup.a4)
    if wrong:
        raise Fail("\n".join(f"{path}:{line}: {what}" for line, what in wrong))
    return found


def _ask(setup: Setup, index: int, instance: str, play: bool) -> tuple[list[Reading], bool]:
    voice = setup.voices[index]
    low, high = voice_range(voice)
    if low > high:
        raise Fail(f"voice {voice.name}: no note lies inside its range; put the rig right first")
    for line in CAUTION:
        click.echo(line)
    for line in (
        describe(voice.voltage, setup.middle_c) if voice.voltage else ["no voltage in the rig: 1 V per octave assumed"]
    ):
        click.echo(line)
    with _player(instance, index, play) as sound:
        if not click.confirm("Levels are down?", default=False):
            raise Fail("nothing was played; say yes when levels are down", CHECK_FAILED)
        click.echo("Type what the tuner shows: -3.5 (cents) or 65.1Hz.  Enter: next note.  q: done.")
        found: list[Reading] = []
        for note in range(low, high + 1, 12):
            if sound is not None:
                sound(note)
            found += _ask_note(note, len(found) + 1, setup)
            if found and found[-1].line < 0:
                found.pop()
                break
        return found, sound is not None


def _ask_note(note: int, number: int, setup: Setup) -> list[Reading]:
    name = note_name(note, setup.middle_c)
    while True:
        typed = str(
            click.prompt(f"{name} ({frequency(note, setup.a4):.2f} Hz)", default="", show_default=False)
        ).strip()
        if not typed:
            return []
        if typed.lower() in ("q", "quit", "done"):
            return [Reading(note, 0.0, -1)]
        try:
            return [parse_reading(f"{note},{typed}", number, "cents", setup.middle_c, setup.a4)]
        except ValueError as error:
            click.echo(f"  not taken: {error}")


@contextmanager
def _player(instance: str, voice: int, play: bool) -> Iterator[Any]:
    """Give a function that sounds a note on the running daemon, None where there is none."""
    if not play:
        yield None
        return
    try:
        client = connect(instance)
    except NoDaemon:
        click.echo("No daemon is running: play each note yourself, with the interface as it will be on stage.")
        yield None
        return
    except ValueError as error:
        raise Fail(str(error)) from None
    with client:
        if is_playing(client.ask("state")["state"]["performer"]):
            raise Fail("transport runs: stop it, then tune", CHECK_FAILED)
        try:
            yield lambda note: client.ask("act", action=f"tuning_note:{note}:64:{voice + 1}")
        except (Denied, NoDaemon) as why:
            raise Fail(str(why), ABSENT) from None
        finally:
            with suppress(Denied, NoDaemon):
                if client.ask("state")["state"]["performer"]["tuning"]:
                    client.ask("act", action="tuning_note")


def _report(result: Fit, voice: Voice, voltage: Voltage, middle_c: int) -> Iterator[str]:
    yield f"voice {voice.name}: {len(result.used)} readings (measured), the rest computed from them"
    for reading in result.rejected:
        yield f"  reading {reading.line} not believed: {note_name(reading.note, middle_c)} {reading.cents:+.1f} cents"
    if voice.voltage is None:
        yield "  no voltage in the rig: millivolts as at 1 V per octave"
    per = "" if voltage.law == "hertz" else " per octave"
    yield f"  scale error   {result.scale:+.3%}, {result.scale_cents:+.2f} cents{per}"
    low = note_name(min(r.note for r in result.used), middle_c)
    yield f"  offset error  {result.offset_millivolts:+.2f} mV, {result.offset_cents:+.2f} cents at {low}"
    if abs(result.bow_cents) > 0.05:
        yield f"  curvature     {result.bow_cents:+.2f} cents at the ends of the readings"
    step = "" if result.step_cents is None else f"; one step of the converter is {result.step_cents:.2f} cents"
    yield f"  scatter       {result.noise_cents:.2f} cents{step}"
    yield "  octave from   readings   error     residual            after correction"
    for row in result.octaves:
        yield (
            f"  {note_name(row.low, middle_c):<12}  {row.used:>8}   {row.error_cents:+6.1f} c  "
            f"{row.residual_cents:+6.2f} c {row.residual_millivolts:+7.2f} mV   {row.corrected_cents:+6.2f} c"
        )
    yield f"  worst reading {result.worst_before:+.2f} cents, after correction {result.worst_after:+.2f} cents"


def _advice(result: Fit, voice: Voice, middle_c: int) -> Iterator[str]:
    step = result.step_cents or 1.0
    if abs(result.scale_cents) > step:
        way = "down" if result.scale > 0 else "up"
        much = f"{abs(result.scale):.3%}, {abs(result.scale_cents):.2f} cents an octave"
        yield f"Trim: turn the scale (volts per octave) {way} by {much}."
    if abs(result.offset_cents) > step:
        way = "down" if result.offset_millivolts > 0 else "up"
        much = f"{abs(result.offset_millivolts):.2f} mV, or the oscillator by {abs(result.offset_cents):.2f} cents"
        yield f"Trim: turn the offset {way} by {much}.  Scale first, then offset."
    yield "Or leave the trimmers alone and let pitch bend do it; in the rig, under this voice:"
    yield f"  {tuning_line(result.correction, middle_c)}"
    most, bend = max(abs(cents) for _, cents in result.correction), voice.bend_range
    if bend == 0:
        yield "  bend_range: 2          # semitones: what the interface is set to; without it no bend is sent"
    elif most > bend * 100:
        yield f"The correction needs {most:.0f} cents and the bend range is {bend * 100}: trim first."
    elif bend_step(bend) > step:
        yield f"A bend range of {bend} moves in steps of {bend_step(bend):.2f} cents; a smaller one is finer."
    if result.out_of_range:
        names = ", ".join(note_name(note, middle_c) for note in result.out_of_range)
        yield f"Out of the output's volts even with correction: {names}.  Trim, or leave them out with range."


def _plain(result: Fit, voice: Voice) -> dict[str, Any]:
    plain = result._asdict()
    for name in ("used", "rejected", "octaves"):
        plain[name] = [row._asdict() for row in plain[name]]
    return {"voice": voice.name, "measured": ["used", "rejected"], **plain}


def _store(path: Path, index: int, result: Fit, quiet: bool) -> None:
    try:
        kept = store_tuning(path, index, result.correction)
    except BadFile as error:
        raise Fail(str(error)) from None
    except ValueError as error:
        raise Fail(str(error)) from None
    except OSError as error:
        raise Fail(f"{path}: cannot be written: {error.strerror}") from None
    if not quiet:
        click.echo(f"Written into {path}; the old file is {kept}.")
