"""Wire time against the MIDI 1.0 Detailed Specification 4.2.1 and published figures of hearing.

31,250 baud, one start, eight data and one stop bit (p. 1): 320 us a byte, 3125 bytes a
second; a three-byte message takes 960 us (p. 9).  Just heard displacement: Friberg &
Sundberg, "Time discrimination in a monotonic, isochronous sequence", 1995 (abstract):
6 ms below intervals of about 240 ms, 2.5 % above.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from replank.control.setup import NO_CC, Output, Setup, Voice
from replank.control.wire import (
    BYTE_US,
    BYTES_PER_SECOND,
    MESSAGE,
    RANGE_BYTES,
    SHAPES,
    THRESHOLDS,
    Cable,
    cables,
    judge,
    just_heard,
    note_bytes,
    report,
)

DIN = (Output("out", din=True),)


def one(voice: Voice, *, tempo: float = 120.0, division: str = "1/16", **output: object) -> Cable:
    setup = Setup(outputs=(Output("out", din=True, **output),), voices=(voice,))  # type: ignore[arg-type]
    return cables(setup, tempo, division)[0]


def test_byte_and_message() -> None:
    assert BYTE_US == 10 / 31250 * 1e6 and BYTES_PER_SECOND == 31250 / 10
    assert MESSAGE * BYTE_US == 960


def test_the_usual_step_is_twelve_bytes() -> None:
    # note-off, accent, velocity, note-on: 12 bytes, 3.84 ms
    cable = one(Voice())
    assert (cable.bytes, cable.last_us) == (12, 3840)
    assert cable.arrivals[0].fullest == 3840 and cable.arrivals[0].displaced == 1920


def test_one_further_controller_moves_the_note_by_a_message() -> None:
    more, less = one(Voice()), one(Voice(velocity_cc=NO_CC))
    assert more.arrivals[0].fullest - less.arrivals[0].fullest == 960


def test_bytes_between_clocks() -> None:
    # 24 clocks a quarter (p. 30): 65 whole bytes fit between two at 120 BPM, 26 at 300
    for tempo, wanted in ((120.0, 65), (300.0, 26)):
        assert int(60e6 / (24 * tempo) / BYTE_US) == wanted
        clock = one(Voice(accent_cc=NO_CC, velocity_cc=NO_CC), tempo=tempo, division="1c")
        assert clock.interval_ms == pytest.approx(60000 / (24 * tempo))


def test_a_full_sweep_of_one_channel() -> None:
    assert 128 * MESSAGE * BYTE_US == 122_880  # 0.12 s: why panic sweeps in slices


def hearing_faults(heard: Callable[[float], float]) -> list[float]:
    rows = {100.0: 6.0, 125.0: 6.0, 250.0: 6.25, 500.0: 12.5, 1000.0: 25.0}
    return [interval for interval, wanted in rows.items() if heard(interval) != wanted]


def test_displacement_that_is_just_heard() -> None:
    assert hearing_faults(just_heard) == []
    assert hearing_faults(lambda ms: 0.025 * ms)  # a build without the floor
    assert hearing_faults(lambda ms: 6.0)  # a build without the slope


# -- counted by hand, from lists of messages ---------------------------------------------------

CASES = [
    # voice, messages up to the note-on in the fullest and in the leanest step of a DIN cable
    (Voice(), 4, 3),  # off, accent, velocity, on; a slide: accent, velocity, on
    (Voice(accent_cc=NO_CC, velocity_cc=NO_CC), 2, 1),
    (Voice(velocity_14bit=True), 5, 4),
    (Voice(bend_range=2), 5, 4),
    (Voice(accent_note=36), 5, 3),  # the trigger on accents only
    (Voice(slide_cc=True), 5, 4),
    (Voice(slide_cc=True, slide_time=40), 5, 5),  # the time takes the release's place
]


@pytest.mark.parametrize(("voice", "fullest", "leanest"), CASES)
def test_messages_of_a_step(voice: Voice, fullest: int, leanest: int) -> None:
    cable = one(voice)
    assert cable.arrivals[0].fullest == fullest * 960
    assert cable.arrivals[0].leanest == leanest * 960
    assert cable.jitter_us == (fullest - leanest) * 960


def test_a_second_voice_waits_for_the_first() -> None:
    setup = Setup(outputs=DIN, voices=(Voice("line"), Voice("bass", channel=2)))
    first, second = cables(setup)[0].arrivals
    assert (first.fullest, second.fullest) == (3840, 7680)
    later = Setup(outputs=DIN, voices=(Voice("line"), Voice("bass", channel=2, delay_ms=30.0)))
    assert [a.fullest for a in cables(later)[0].arrivals] == [3840, 3840]


def test_ahead_takes_the_controllers_out_of_the_way() -> None:
    cable = one(Voice(), cc_early=True)
    assert cable.arrivals[0].fullest == 2 * 960 and cable.arrivals[0].displaced == 0
    assert cable.ahead_saves_us == 1920 == one(Voice()).ahead_saves_us
    assert (cable.bytes, cable.last_us) == (12, 6 * BYTE_US)
    assert judge(cable)[0].text == "fullest step 12 bytes, 6 of them ahead of it, last byte after 1.92 ms"


def test_bend_range_follows_the_notes() -> None:
    cable = one(Voice(bend_range=12))
    assert cable.cycle_us == RANGE_BYTES * BYTE_US == 5760


def test_rate_against_the_cable() -> None:
    cable = one(Voice())  # eight steps a second of 12 bytes
    assert cable.rate == pytest.approx(96.0)
    assert one(Voice(), send_clock="thru").rate == pytest.approx(96.0 + 48.0)
    crowd = Setup(outputs=DIN, voices=tuple(Voice(f"v{n}", channel=n) for n in range(1, 9)))
    full = cables(crowd, 300.0, "1/32")[0]
    assert full.rate > BYTES_PER_SECOND
    assert "fail" in [row.state for row in judge(full)]


def test_verdicts() -> None:
    assert {row.state for row in judge(one(Voice()))} == {"pass"}
    jittery = [row for row in judge(one(Voice(accent_note=36))) if "jitter" in row.text]
    assert jittery[0].state == "warn" and jittery[0].advice  # 1.92 ms: more than 1, less than 6


def test_an_output_that_is_no_din_cable_gets_no_times() -> None:
    text = "\n".join(report(Setup()))
    assert "do not apply" in text and "jitter from" not in text
    assert all(row.source in text for row in THRESHOLDS)


def test_every_line_says_that_it_is_computed() -> None:
    lines = report(Setup(outputs=DIN))
    assert "computed from the rig" in lines[0]
    assert any("note arrives 3.84 ms" in line for line in lines)


def test_a_broken_count_is_rejected() -> None:
    # a build that takes the slide's release for one before the note
    def broken(voice: Voice) -> int:
        return max(note_bytes(voice, shape) + shape.slide * MESSAGE for shape in SHAPES)

    assert any(broken(voice) != fullest * MESSAGE for voice, fullest, _ in CASES)
