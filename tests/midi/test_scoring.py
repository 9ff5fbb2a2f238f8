"""From messages and notices to a score."""

from replank.control.notices import Notice
from replank.control.parameters import DEFAULTS
from replank.control.setup import Output, Setup, Voice
from replank.midi.scoring import marker_text, score_of
from replank.midi.tempo import TickMap

MS = 1_000_000
TICKS = TickMap([(1_000 * MS, 0), (1_500 * MS, 960)])
SETUP = Setup(outputs=(Output("out"), Output("synth")), voices=(Voice("line"), Voice("canon", output=1, channel=2)))


def change(now: int, name: str, value: str) -> Notice:
    return Notice("parameter", now, {"name": name, "value": value})


def mutation(now: int, text: str, silent: bool) -> Notice:
    return Notice("mutation", now, {"cycle": 3, "index": 5, "text": text, "silent": silent})


def test_a_track_for_each_output_and_channel():
    messages = [
        (1_000 * MS, 0, b"\x90\x3c\x40"),
        (1_250 * MS, 1, b"\x91\x3e\x40"),
        (1_500 * MS, 0, b"\x80\x3c\x40"),
        (1_500 * MS, 0, b"\xf8"),
        (1_500 * MS, 1, b"\x99\x24\x40"),
        (2_000 * MS, 1, b"\x81\x3e\x40"),
    ]
    score = score_of(messages, [], SETUP, DEFAULTS, TICKS, [(0, 500_000)], "First Light")
    assert [(track.name, [tick for tick, _ in track.events]) for track in score.tracks] == [
        ("line", [0, 960]),
        ("canon", [480, 1920]),
        ("synth, channel 10", [960]),
    ]
    assert score.name == "First Light"


def test_what_came_before_the_first_clock_stands_at_the_beginning():
    score = score_of([(0, 0, b"\xb0\x14\x00")], [mutation(0, "x", False)], SETUP, DEFAULTS, TICKS, [(0, 500_000)])
    assert score.tracks[0].events == [(0, b"\xb0\x14\x00")]
    assert score.markers[0][0] == 0


def test_mutations_pieces_and_stars_are_marked_and_silence_is_said():
    notices = [
        mutation(1_000 * MS, "D3 → F3 · neighbour", False),
        mutation(1_000 * MS, "D3 → F3 · neighbour", True),
        mutation(1_000 * MS, "D3 → F3 · neighbour (silent)", True),
        Notice("step", 1_100 * MS, {"index": 1}),
        Notice("piece", 1_500 * MS, {"number": 2, "name": "Meridian", "how": "as prepared"}),
        Notice("star", 2_000 * MS, {"text": "", "cycle": 4}),
    ]
    score = score_of([], notices, SETUP, DEFAULTS, TICKS, [(0, 500_000)])
    assert score.markers == [
        (0, "cycle 3 · step 5 D3 → F3 · neighbour"),
        (0, "cycle 3 · step 5 D3 → F3 · neighbour · silent"),
        (0, "cycle 3 · step 5 D3 → F3 · neighbour (silent)"),
        (960, "piece 2: Meridian, as prepared"),
        (1920, marker_text(notices[-1])),
    ]


def test_key_and_meter_follow_what_is_said():
    notices = [
        change(1_500 * MS, "scale", "dorian"),
        change(2_000 * MS, "root", "E"),
        change(2_000 * MS, "meter", "7/8"),
        change(2_500 * MS, "scale", "whole tone"),
        change(3_000 * MS, "root", "A"),
        change(3_000 * MS, "length", "7"),
    ]
    values = {**DEFAULTS, "root": "D", "scale": "minor pentatonic"}
    score = score_of([], notices, SETUP, values, TICKS, [(0, 500_000)])
    assert score.keys == [(960, "C"), (1920, "D")]
    assert score.meters == [(0, "4/4"), (1920, "7/8")]
