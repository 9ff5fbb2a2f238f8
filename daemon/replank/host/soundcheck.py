"""What a sound check says: facts of a running daemon and of its rig, each judged.

Pure: it takes whole states as the socket gives them (at the beginning and at the
end of a while of listening) and returns lines.  Each line says whether its numbers
were measured in this run, computed from the rig, or read from the system.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from replank.control.setup import Setup, Voice
from replank.control.voltage import describe, voice_range
from replank.control.wire import JITTER, LATENCY, NOTICED, cables, judge, just_heard
from replank.host.machine import FAIL, LONGEST_PERIOD_MS, PASS, UNKNOWN, Fact, Period
from replank.line.pitch import note_name

LIST = "list"
"""State of a line that only tells."""
MEASURED, COMPUTED, READ, TOLD = "measured", "computed from the rig", "read from the system", "told by the daemon"
MOST_JITTER_MS = 3.0
"""99th percentile of the clock's intervals about their mean, above which it limps."""
MOST_SERVICE_MS = 3.0
"""99th percentile of the daemon's own delay."""
FEW_CLOCKS = 48
"""Two beats of clock: fewer say nothing of its steadiness."""


class Line(NamedTuple):
    """One line of the report.

    Attributes:
        what: What was looked at.
        state: ``pass``, ``fail``, ``not measured`` or ``list``.
        text: What was found.
        basis: Where its numbers are from; empty where there are none.
        advice: What to do about a failure.
    """

    what: str
    state: str
    text: str
    basis: str = ""
    advice: str = ""


def from_fact(what: str, fact: Fact, basis: str = READ) -> Line:
    """Return the line of a fact of the machine."""
    return Line(what, fact.state, fact.text, basis if fact.state != UNKNOWN else "", fact.advice)


# -- ports ---------------------------------------------------------------------------------------


def port_lines(ports: Mapping[str, Any], setup: Setup) -> list[Line]:
    """Return a line for each of our ports: is it there, and is something patched to it?

    Args:
        ports: key (``in:NAME``, ``out:NAME``) -> {"port", "peers", "wishes"}, as the daemon tells.
        setup: The rig: what listens to an external clock needs a cable.
    """
    if not ports:
        return [Line("ports", FAIL, "no MIDI ports of ours", TOLD, "see replank ports; is JACK or ALSA running?")]
    lines = []
    roles = {one.name: one.role for one in setup.inputs}
    for key, row in ports.items():
        way, _, name = key.partition(":")
        peers, wishes = [str(p) for p in row.get("peers", ())], [str(w) for w in row.get("wishes", ())]
        what = f"port {name}"
        if not row.get("port"):
            lines.append(Line(what, FAIL, "is not there", TOLD, "wait a second and try again; see replank status"))
        elif peers:
            direction = "sends to" if way == "out" else "hears"
            lines.append(Line(what, PASS, f"{direction} {', '.join(peers)}", TOLD))
        elif missed := _needed(way, name, wishes, roles, setup):
            lines.append(Line(what, FAIL, missed, TOLD, _how_to_patch(wishes)))
        else:
            lines.append(Line(what, LIST, "nothing is patched to it", TOLD))
    return lines


def _needed(way: str, name: str, wishes: list[str], roles: Mapping[str, str], setup: Setup) -> str:
    if wishes:
        return f"the rig wants {', '.join(wishes)}, and nothing is patched to it"
    role = next((role for known, role in roles.items() if name == known or name.endswith(f"-{known}")), "")
    if way == "in" and role == "clock" and setup.clock.source == "external":
        return "no clock is patched to it"
    return "no receiver is patched to it" if way == "out" else ""


def _how_to_patch(wishes: list[str]) -> str:
    if wishes:
        return "plug it in and switch it on; see replank ports for how it is called today"
    return "patch it, or name it under connect: in the rig"


def period_line(period: Period | None, api: str) -> Line:
    """Return whether the MIDI system's period forces more jitter than music bears."""
    if period is None:
        if api == "alsa":
            return Line("period", PASS, "the ALSA sequencer passes messages on at once: no period", TOLD)
        return Line("period", UNKNOWN, "no JACK server answers" if api != "none" else "there is no MIDI system")
    size = f"{period.frames} frames at {period.rate} Hz, {period.milliseconds:.2f} ms"
    text = f"{size}: messages leave at its start, so it moves notes by up to {period.milliseconds:.2f} ms"
    if period.milliseconds > LONGEST_PERIOD_MS:
        most = int(LONGEST_PERIOD_MS * period.rate / 1000)
        return Line("period", FAIL, text, READ, f"start JACK with at most {1 << (most.bit_length() - 1)} frames (-p)")
    return Line("period", PASS, text, READ)


# -- clock, transport, controls ------------------------------------------------------------------


def clock_lines(before: Mapping[str, Any], after: Mapping[str, Any], setup: Setup) -> list[Line]:
    """Return what was heard of the clock between two views of the performer."""
    was, now = before.get("transport", {}), after.get("transport", {})
    if setup.clock.source != "external":
        tempo = now.get("tempo") or after.get("parameters", {}).get("tempo")
        return [Line("clock", PASS, f"our own, {float(tempo or 0):.1f} BPM", TOLD)]
    if setup.clock.mode == "pulses":
        count = int(now.get("pulses", 0)) - int(was.get("pulses", 0))
        if count > 0:
            return [Line("pulses", PASS, f"{count} arrived", MEASURED)]
        return [Line("pulses", FAIL, "none arrived", MEASURED, "check cable and channel; the rig says what a pulse is")]
    count = int(now.get("clocks", 0)) - int(was.get("clocks", 0))
    if count <= 0:
        advice = "is the sender told to send clock, on this port? Start it; see replank ports"
        return [Line("clock", FAIL, "no clock arrived", MEASURED, advice)]
    tempo = now.get("tempo")
    lines = [Line("clock", PASS, f"{count} clocks, {f'{tempo:.1f} BPM' if tempo else 'tempo not yet known'}", MEASURED)]
    lines.append(_jitter_line(now.get("jitter_ms"), count))
    drops = int(now.get("dropouts", 0)) - int(was.get("dropouts", 0))
    lines.append(
        Line("drop-outs", FAIL, f"{drops} while listening", MEASURED, "check the cable; Wi-Fi and hubs lose clock")
        if drops
        else Line("drop-outs", PASS, "none while listening", MEASURED)
    )
    return lines


def _jitter_line(jitter: Mapping[str, float] | None, count: int) -> Line:
    if not jitter or count < FEW_CLOCKS:
        return Line("clock jitter", UNKNOWN, f"{count} clocks are too few", "")
    shown = ", ".join(f"{name} {jitter[name]:.2f}" for name in ("p50", "p95", "p99", "max") if name in jitter)
    text = f"{shown} ms about the mean interval"
    if jitter.get("p99", 0.0) <= MOST_JITTER_MS:
        return Line("clock jitter", PASS, text, MEASURED)
    rated = f"{NOTICED.milliseconds:g} ms was enough to be rated worse ({NOTICED.source})"
    advice = f"{rated}; prefer a cable to a network, and a small period"
    return Line("clock jitter", FAIL, text, MEASURED, advice)


def transport_line(seen: Sequence[str], setup: Setup) -> Line:
    """Return which transport messages were seen, in words of the daemon's notices."""
    if setup.clock.source != "external":
        return Line("transport", LIST, "our own")
    if seen:
        return Line("transport", PASS, ", ".join(dict.fromkeys(seen)), MEASURED)
    if setup.clock.without_start == "play" or setup.clock.mode == "pulses":
        return Line("transport", LIST, "no Start or Stop was seen; the rig does not need one", MEASURED)
    advice = "press Start and Stop on the sender; without them say join, or without_start: play in the rig"
    return Line("transport", FAIL, "no Start or Stop was seen", MEASURED, advice)


def used_controls(controls: Mapping[str, Any], piece: Mapping[str, Any]) -> list[str]:
    """Return the parameters that the first piece sets and a control drives, in the order of the controls."""
    return [name for name in controls if name in piece]


def control_lines(controls: Mapping[str, Any], used: Iterable[str], moved: Iterable[str]) -> list[Line]:
    """Return a line for each control that the first piece uses, and a list of the rest."""
    moved, lines = set(moved), []
    wanted = list(used)
    for name in wanted:
        where = f"{controls[name].get('port', '')} {controls[name].get('control', '')}".strip()
        if name in moved:
            lines.append(Line(f"control {name}", PASS, f"{where} moved", MEASURED))
        else:
            advice = "move it; if nothing happens see replank learn"
            lines.append(Line(f"control {name}", FAIL, f"{where} was not moved", MEASURED, advice))
    rest = [f"{name} ({row.get('control', '')}{', moved' if name in moved else ''})" for name, row in controls.items()
            if name not in wanted]  # fmt: skip
    if rest:
        lines.append(Line("other controls", LIST, ", ".join(rest), TOLD))
    elif not controls:
        lines.append(Line("controls", LIST, "no profile maps any control", TOLD))
    return lines


# -- output --------------------------------------------------------------------------------------


def is_playing(performer: Mapping[str, Any]) -> bool:
    """Tell whether the line moves, by clock or by pulses, so that a test note would sound into it."""
    transport = performer.get("transport", {})
    return bool(transport.get("running")) or transport.get("state") in ("playing", "ending")


class Tone(NamedTuple):
    """A note of the sound check.

    Attributes:
        voice: Index into `Setup.voices`.
        note: The note as it is sent, 0 to 127.
        velocity: Quietest first.
    """

    voice: int
    note: int
    velocity: int


def tones(setup: Setup, values: Mapping[str, Any]) -> list[Tone]:
    """Return the notes that a sound check plays: low to high on each voice, the lowest the quietest.

    Args:
        setup: The rig.
        values: Parameters now: the notes lie in the register where the voice has it in range.
    """
    found = []
    low, span = int(values.get("register_low", 48)), int(values.get("register_span", 19))
    for index, voice in enumerate(setup.voices):
        bottom, top = voice_range(voice)
        if bottom > top:
            continue
        first = min(max(low + voice.transpose, bottom), top)
        last = min(max(low + span + voice.transpose, bottom), top)
        notes = sorted({first, (first + last) // 2, last})
        found += [Tone(index, note, 16 + 24 * number) for number, note in enumerate(notes)]
    return found


def latency_line(services: Sequence[Mapping[str, float]], period: Period | None) -> Line:
    """Return the daemon's own delay, from a message's arrival to the last one sent for it.

    Args:
        services: What the player said of each second: {"p50", "p99", "max"} in microseconds.
        period: Of JACK, which comes on top.
    """
    told = [row for row in services if row]
    if not told:
        return Line("tick to note", UNKNOWN, "nothing was played while listening")
    middle, worst = max(row["p50"] for row in told) / 1000, max(row["p99"] for row in told) / 1000
    text = f"p50 {middle:.2f} ms, p99 {worst:.2f} ms from arrival to sent"
    if period is not None:
        text += f", and up to {period.milliseconds:.2f} ms until the period that carries it"
    if worst <= MOST_SERVICE_MS:
        return Line("tick to note", PASS, text, MEASURED)
    advice = f"close other programs, allow real-time priority; {LATENCY.milliseconds:g} ms in all is the most"
    return Line("tick to note", FAIL, text, MEASURED, advice)


def wire_lines(setup: Setup, tempo: float) -> list[Line]:
    """Return what every DIN output has to carry, judged beside the published figures."""
    lines = []
    for cable in cables(setup, tempo):
        for row in judge(cable):
            # what is not declared as a DIN cable is told, never passed
            state = LIST if not cable.din else FAIL if row.state == "fail" else PASS
            lines.append(Line(f"wire {cable.output}", state, row.text, COMPUTED, row.advice))
        if cable.din:
            heard = just_heard(cable.interval_ms)
            text = f"at most {JITTER.milliseconds:g} ms of jitter ({JITTER.source}); {heard:g} ms is just heard"
            lines.append(Line(f"wire {cable.output}", LIST, text, "published"))
    return lines


def voltage_lines(voices: Sequence[Voice], middle_c: int) -> list[Line]:
    """Return the voltage facts of every voice that feeds a CV interface."""
    lines = []
    for voice in voices:
        if voice.voltage is not None:
            lines += [Line(f"volts {voice.name}", LIST, text, COMPUTED) for text in describe(voice.voltage, middle_c)]
            low, high = voice_range(voice)
            if low > high:
                lines.append(Line(f"volts {voice.name}", FAIL, "no note can be sent", COMPUTED, "put the rig right"))
            else:
                span = f"{note_name(low, middle_c)} to {note_name(high, middle_c)}"
                text = f"the voice sends {span}, {voice.out_of_range} outside"
                lines.append(Line(f"volts {voice.name}", LIST, text, COMPUTED))
    return lines
