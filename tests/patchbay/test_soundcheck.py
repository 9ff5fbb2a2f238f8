"""The verdicts of the sound check on states that are good, and on states that are bad in one thing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from replank.control.setup import Clock, Input, Output, Setup, Voice, Voltage
from replank.host.machine import FAIL, PASS, UNKNOWN, Period
from replank.host.soundcheck import (
    LIST,
    Line,
    clock_lines,
    control_lines,
    is_playing,
    latency_line,
    period_line,
    port_lines,
    tones,
    transport_line,
    used_controls,
    voltage_lines,
    wire_lines,
)
from replank.performer.events import Midi
from tests.performer.kit import Stage

JITTER = {"p50": 0.2, "p95": 0.7, "p99": 1.1, "max": 1.9}


def heard(clocks: int = 480, dropouts: int = 0, **more: Any) -> dict[str, Any]:
    transport = {"clocks": clocks, "pulses": 0, "dropouts": dropouts, "tempo": 119.9, "jitter_ms": JITTER, **more}
    return {"transport": transport, "parameters": {"tempo": 96.0}}


def states(lines: list[Line]) -> dict[str, str]:
    return {line.what: line.state for line in lines}


def test_a_good_clock_passes_and_says_its_numbers() -> None:
    lines = clock_lines(heard(0), heard(), Setup())
    assert states(lines) == {"clock": PASS, "clock jitter": PASS, "drop-outs": PASS}
    assert "480 clocks, 119.9 BPM" in lines[0].text and "p99 1.10" in lines[1].text
    assert {line.basis for line in lines} == {"measured"}


@pytest.mark.parametrize(
    ("after", "what"),
    [
        (heard(0), "clock"),
        (heard(jitter_ms={**JITTER, "p99": 3.4}), "clock jitter"),
        (heard(dropouts=2), "drop-outs"),
    ],
)
def test_each_fault_of_a_clock_fails_its_own_line_with_advice(after: dict[str, Any], what: str) -> None:
    lines = clock_lines(heard(0), after, Setup())
    failed = [line for line in lines if line.state == FAIL]
    assert [line.what for line in failed] == [what] and failed[0].advice


@pytest.mark.parametrize("mode", ["midi", "pulses"])
def test_a_line_that_moves_is_known_by_clock_and_by_pulses(mode: str) -> None:
    stage = Stage(Setup(clock=Clock(mode=mode)))
    assert not is_playing(stage.p.view())
    if mode == "pulses":
        stage.pulse()
        stage.pulse()
    else:
        stage.start()
        stage.clocks(1)
    assert is_playing(stage.p.view())
    stage.midi(0xFC)
    stage.until(stage.now + 5_000_000_000)
    stage.give(Midi(0, b"\xfe"))
    assert not is_playing(stage.p.view())


def test_what_was_before_the_sound_check_does_not_count() -> None:
    assert states(clock_lines(heard(480, dropouts=3), heard(960, dropouts=3), Setup()))["drop-outs"] == PASS
    assert states(clock_lines(heard(480), heard(480), Setup())) == {"clock": FAIL}


def test_too_few_clocks_are_not_judged() -> None:
    assert states(clock_lines(heard(0), heard(20), Setup()))["clock jitter"] == UNKNOWN


def test_pulses_and_our_own_clock() -> None:
    pulses = Setup(clock=Clock(mode="pulses"))
    assert states(clock_lines(heard(), heard(pulses=12), pulses)) == {"pulses": PASS}
    assert states(clock_lines(heard(), heard(), pulses)) == {"pulses": FAIL}
    assert states(clock_lines(heard(), heard(tempo=None), Setup(clock=Clock(source="internal")))) == {"clock": PASS}


@pytest.mark.parametrize(
    ("frames", "rate", "state"),
    [(16, 96000, PASS), (64, 48000, PASS), (144, 48000, PASS), (145, 48000, FAIL), (256, 48000, FAIL)],
)
def test_a_period_above_3_ms_fails(frames: int, rate: int, state: str) -> None:
    line = period_line(Period(frames, rate), "jack")
    assert line.state == state and f"{frames * 1000 / rate:.2f} ms" in line.text
    if state == FAIL:
        assert "at most 128 frames" in line.advice  # 2.67 ms at 48 kHz


def test_without_a_period_nothing_is_made_up() -> None:
    assert period_line(None, "alsa").state == PASS
    assert period_line(None, "jack").state == period_line(None, "none").state == UNKNOWN


RIG = Setup(
    inputs=(Input("clock", "clock", ("stage",)), Input("knobs", "knobs")),
    outputs=(Output("out", ("interface",)), Output("second")),
)
PATCHES = {
    "in:replank-clock": {"port": "replank-clock:clock", "peers": ["stage:clock"], "wishes": ["stage"]},
    "in:replank-knobs": {"port": "replank-knobs:knobs", "peers": [], "wishes": []},
    "out:replank-out": {"port": "replank-out:out", "peers": ["interface:in"], "wishes": ["interface"]},
    "out:replank-second": {"port": "replank-second:second", "peers": ["synth:in"], "wishes": []},
}


def test_ports() -> None:
    assert list(states(port_lines(PATCHES, RIG)).values()) == [PASS, LIST, PASS, PASS]
    for key, row in PATCHES.items():
        out = {**PATCHES, key: {**row, "peers": []}}
        found = states(port_lines(out, RIG))[f"port {key.partition(':')[2]}"]
        assert found == (LIST if "knobs" in key else FAIL)
        gone = {**PATCHES, key: {**row, "port": "", "peers": []}}
        assert states(port_lines(gone, RIG))[f"port {key.partition(':')[2]}"] == FAIL
    assert states(port_lines({}, RIG)) == {"ports": FAIL}


def test_no_clock_is_needed_where_ours_runs() -> None:
    loose = {"in:replank-clock": {"port": "replank-clock:clock", "peers": [], "wishes": []}}
    assert states(port_lines(loose, Setup())) == {"port replank-clock": FAIL}
    assert states(port_lines(loose, Setup(clock=Clock(source="internal")))) == {"port replank-clock": LIST}


def test_transport() -> None:
    assert transport_line(["armed", "playing", "armed"], Setup()).text == "armed, playing"
    assert transport_line([], Setup()).state == FAIL
    assert transport_line([], Setup(clock=Clock(without_start="play"))).state == LIST


def test_controls_that_the_first_piece_uses_are_demanded_and_the_rest_listed() -> None:
    controls = {name: {"port": "knobs", "control": f"knob {n}"} for n, name in enumerate(("gate", "homing", "leap"))}
    used = used_controls(controls, {"homing": 0.4, "root": "A", "leap": 5})
    assert used == ["homing", "leap"]
    lines = control_lines(controls, used, {"homing", "gate"})
    assert states(lines) == {"control homing": PASS, "control leap": FAIL, "other controls": LIST}
    assert lines[-1].text == "gate (knob 0, moved)"


def test_tones_go_from_low_and_quiet_to_high_on_each_voice_inside_its_reach() -> None:
    strange = Voltage(per_octave=1.2, zero_note=36, high=8.0)
    setup = Setup(voices=(Voice("line"), Voice("bass", transpose=-24, voltage=strange), Voice("none", low=5, high=4)))
    found = tones(setup, {"register_low": 48, "register_span": 19})
    assert [(t.voice, t.note) for t in found] == [(0, 48), (0, 57), (0, 67), (1, 36), (1, 39), (1, 43)]
    for voice in (0, 1):
        loudness = [t.velocity for t in found if t.voice == voice]
        assert loudness == sorted(loudness) and loudness[0] <= 16 and loudness[-1] <= 64


def test_latency() -> None:
    fast, slow = {"p50": 80.0, "p99": 900.0, "max": 1500.0}, {"p50": 90.0, "p99": 3400.0, "max": 9000.0}
    assert latency_line([], None).state == UNKNOWN
    line = latency_line([{}, fast], Period(64, 48000))
    assert line.state == PASS and "p99 0.90 ms" in line.text and "1.33 ms" in line.text
    assert latency_line([fast, slow], None).state == FAIL  # the worst second counts


def test_wire_and_volts_say_that_they_are_computed() -> None:
    din = Setup(outputs=(Output("out", din=True),), voices=(Voice(voltage=Voltage(zero_note=36)),))
    lines = wire_lines(din, 120.0)
    assert {line.state for line in lines} == {PASS, LIST}
    assert {line.basis for line in lines} == {"computed from the rig", "published"}
    crowd = replace(din, voices=tuple(Voice(f"v{n}", channel=n) for n in range(1, 17)))
    assert FAIL in {line.state for line in wire_lines(crowd, 300.0)}
    volts = voltage_lines(din.voices, 4)
    assert volts and {line.basis for line in volts} == {"computed from the rig"}
    assert FAIL in {line.state for line in voltage_lines((Voice(high=10, voltage=Voltage(zero_note=36)),), 4)}
