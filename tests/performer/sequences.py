"""Arbitrary performances for hypothesis: events with times, that mostly do play."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from replank.control.actions import ACTIONS
from replank.control.parameters import PARAMETERS, place
from replank.control.setup import Clock, Output, Setup, Voice
from replank.performer.events import Act, Assign, Event, Midi, Reconnected

MS = 1_000_000

setups = st.builds(
    lambda mode, source, voices, din: Setup(
        clock=Clock(mode=mode, without_start=source),
        voices=voices,
        outputs=(
            Output(din=din, cc_early=din),
            Output("second", active_sensing=True, send_clock="generate" if din else "thru"),
        ),
    ),
    st.sampled_from(("midi", "midi", "midi", "pulses")),
    st.sampled_from(("wait", "play")),
    st.sampled_from(
        (
            (Voice(),),
            (Voice(), Voice("canon", output=1, canon_steps=3, degrees=2)),
            (Voice(accent_note=36, slide_cc=True, bend_range=2), Voice("same", transpose=0, delay_ms=20)),
            (Voice(low=40, high=60, out_of_range="rest", velocity_14bit=True), Voice("cue", output=1, is_cue=True)),
            (Voice(), Voice("early", channel=2, delay_ms=-15), Voice("soon", output=1, delay_ms=-30, canon_steps=2)),
        )
    ),
    st.booleans(),
)


@st.composite
def assigns(draw: st.DrawFn) -> Assign:
    name = draw(st.sampled_from([n for n in PARAMETERS if n not in ("seed", "tempo")]))
    return Assign({name: place(name, draw(st.floats(0, 1)))})


_ARGS = {
    "step": st.integers(1, 20).map(str),
    "amount": st.integers(-5, 5).map(str),
    "name": st.sampled_from(("a", "b", "cycle-1")),
    "[name]": st.sampled_from(("a", "b", "")),
    "cycle": st.integers(1, 9).map(str),
    "state": st.sampled_from(("on", "off", "rest", "sound", "chance", "slide", "tie", "none")),
    "[state]": st.sampled_from(("", "on", "off", "slide", "tie")),
    "note": st.integers(0, 127).map(str),
    "[note]": st.sampled_from(("", "57")),
    "[velocity]": st.sampled_from(("", "30")),
    "[voice]": st.sampled_from(("", "1", "2")),
    "count": st.integers(1, 4).map(str),
    "pass": st.sampled_from(("1of1", "2of3", "3of2", "1of4")),
    "piece": st.just("1"),
    "parameter": st.sampled_from(("gate", "rest_chance", "length", "hold", "mute", "scale")),
    "value": st.sampled_from(("0.3", "12", "1")),
    "bars": st.integers(1, 4).map(str),
    "[sound]": st.sampled_from(("", "1", "2")),
    "[silent]": st.sampled_from(("", "1")),
    "mode": st.sampled_from(("root", "write", "transpose")),
    "text": st.just("First Light"),
    "[text]": st.just(""),
}


NOTHING = st.just("")


@st.composite
def acts(draw: st.DrawFn) -> Act:
    row = draw(st.sampled_from(list(ACTIONS.values())))
    args = tuple(draw(_ARGS.get(word, NOTHING)) for word in row.takes)
    return Act(row.name, args, draw(st.sampled_from(("", "", "now", "step", "cycle", "bar", "2bars"))))


PULSE = Midi(0, bytes((0x90, 60, 100)))
CLOCK = Midi(0, b"\xf8")

others = st.one_of(
    st.sampled_from((0xFA, 0xFB, 0xFC)).map(lambda status: Midi(0, bytes((status,)))),
    st.integers(0, 200).map(lambda beats: Midi(0, bytes((0xF2, beats & 127, beats >> 7)))),
    st.binary(min_size=0, max_size=4).map(lambda data: Midi(0, data)),
    st.builds(Reconnected, st.integers(0, 1)),
    assigns(),
    assigns(),
    acts(),
    acts(),
    acts(),
)

Timed = tuple[int, Event]


@st.composite
def performances(draw: st.DrawFn, most: int = 12) -> tuple[Setup, int, list[Timed]]:
    """A setup, a seed, and (nanoseconds after the event before, event): runs of clocks with acts between."""
    setup = draw(setups)
    values = draw(st.sampled_from(({}, {"mutation_chance": 1.0, "settle_new": 0}, {"division": "1/32", "length": 5})))
    setup = replace(setup, values=values)
    beat = PULSE if setup.clock.mode == "pulses" else CLOCK
    events: list[Timed] = [(0, Midi(0, b"\xfa"))] if draw(st.integers(0, 9)) else []
    for _ in range(draw(st.integers(2, most))):
        step = draw(st.sampled_from((5, 8, 20, 21, 40, 150))) * MS
        events += [(step + draw(st.integers(-MS, MS)), beat)] * draw(st.integers(1, 60))
        for _ in range(draw(st.integers(0, 3))):
            events.append((draw(st.sampled_from((0, 0, 1, 7, 600, 9000))) * MS, draw(others)))
    return setup, draw(st.integers(1, 2**40)), events
