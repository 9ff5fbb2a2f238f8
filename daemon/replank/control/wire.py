"""Wire time: how long a step's bytes take on a 5-pin DIN cable, and what that does to the notes.

31,250 baud, ten bits a byte: 320 microseconds a byte, 3125 bytes a second (MIDI 1.0
Detailed Specification 4.2.1, p. 1).  Running status is not assumed: a driver may
or may not use it.  All of this is computed from the rig; nothing is measured.
"""

from __future__ import annotations

from typing import NamedTuple

from replank.control.parameters import DEFAULTS
from replank.control.setup import NO_CC, Output, Setup, Voice
from replank.timing.divisions import PPQN, division_clocks

BYTE_US = 320
"""Microseconds of a byte on a DIN cable: ten bits at 31,250 baud."""
BYTES_PER_SECOND = 3125
MESSAGE = 3
"""Bytes of a note, controller or bend message with its status byte."""
RANGE_BYTES = 6 * MESSAGE
"""Bytes that set the bend range (see `replank.control.bend.bend_range_messages`)."""


class Threshold(NamedTuple):
    """A published figure beside which a number can be read.

    Attributes:
        milliseconds: The figure.
        what: What it limits, in words.
        source: Who published it, and where.
    """

    milliseconds: float
    what: str
    source: str


JITTER = Threshold(
    1.0, "variation of latency that should not be exceeded (a design position)", "Wessel & Wright, NIME 2001"
)
NOTICED = Threshold(
    3.0,
    "jitter around 10 ms that was enough to be rated worse",
    "Jack, Mehrabi, Stockman & McPherson, Music Perception 2018",
)
DISPLACED = Threshold(
    6.0, "displacement of one tone that is just heard, intervals below 240 ms (2.5 % above)",
    "Friberg & Sundberg, J. Acoust. Soc. Am. 1995",
)  # fmt: skip
LATENCY = Threshold(10.0, "latency that should not be exceeded (a design position)", "Wessel & Wright, NIME 2001")
THRESHOLDS = (JITTER, NOTICED, DISPLACED, LATENCY)


def just_heard(interval_ms: float) -> float:
    """Return the displacement of one tone, in ms, that listeners just hear at a note interval in ms.

    6 ms below an interval of 240 ms, 2.5 % above (Friberg & Sundberg 1995, isochronous tones).
    """
    return max(DISPLACED.milliseconds, 0.025 * interval_ms)


class Shape(NamedTuple):
    """What kind of step it is, as far as its bytes go.

    Attributes:
        slide: The old note is released after the new one, not before it.
        accent: A trigger note goes before the note, where the voice has one.
    """

    slide: bool
    accent: bool


SHAPES = tuple(Shape(slide, accent) for slide in (False, True) for accent in (False, True))


NONE, WITH_NOTE, ALL = 0, 1, 2
"""Which controllers count: none, those that cannot go ahead of the step, all."""


def early_bytes(voice: Voice) -> int:
    """Return the bytes of accent and velocity, which may be sent ahead of a step."""
    messages = (voice.accent_cc != NO_CC) + (voice.velocity_cc != NO_CC) * (2 if voice.velocity_14bit else 1)
    return messages * MESSAGE


def controller_bytes(voice: Voice, slide: bool, which: int = ALL) -> int:
    """Return the bytes of a step's controllers: accent and velocity, portamento and bend.

    Portamento and bend would be heard on the note that still sounds, so they
    always stand with the step.
    """
    if which == NONE:
        return 0
    late = voice.slide_cc * (2 if slide and voice.slide_time != NO_CC else 1) + (voice.bend_range > 0)
    is_early = which == WITH_NOTE and not voice.delay_ms and not voice.is_cue
    return late * MESSAGE + (0 if is_early else early_bytes(voice))


def note_bytes(voice: Voice, shape: Shape, which: int = ALL) -> int:
    """Return the bytes from a voice's first to the last one of its note-on.

    Release of the old note (not in a slide), controllers, trigger of an accent, note.
    """
    trigger = shape.accent and voice.accent_note != NO_CC
    return controller_bytes(voice, shape.slide, which) + ((not shape.slide) + trigger + 1) * MESSAGE


def all_bytes(voice: Voice, shape: Shape, which: int = ALL) -> int:
    """Return all bytes of a voice in a step, the release behind a slide included."""
    return note_bytes(voice, shape, which) + shape.slide * MESSAGE


class Arrival(NamedTuple):
    """When a voice's note has arrived, in microseconds after the step's first byte.

    Attributes:
        voice: Its name.
        fullest: In the fullest step.
        leanest: In the leanest step of this output.
        displaced: Share of `fullest` that controllers cause.
    """

    voice: str
    fullest: int
    leanest: int
    displaced: int


class Cable(NamedTuple):
    """What one output has to carry.

    Attributes:
        output: Its name.
        din: True for a 5-pin DIN cable, False where these times do not apply.
        bytes: Bytes of the fullest step.
        last_us: When the last byte of those that leave at the step has arrived, in microseconds.
        arrivals: Each voice's note, in the order of the cable.
        jitter_us: The most by which unequal steps move a note.
        cycle_us: Further bytes, behind the notes, on the first step of a cycle.
        cc_early: True where the rig sends controllers before the step.
        ahead_saves_us: What sending them before the step saves, or would save.
        rate: Bytes a second at the tempo and division asked, every step the fullest.
        interval_ms: Milliseconds of a step there.
    """

    output: str
    din: bool
    bytes: int
    last_us: int
    arrivals: tuple[Arrival, ...]
    jitter_us: int
    cycle_us: int
    cc_early: bool
    ahead_saves_us: int
    rate: float
    interval_ms: float


def cables(setup: Setup, tempo: float = 120.0, division: str = "") -> list[Cable]:
    """Return what every output of a rig has to carry.

    Args:
        setup: The rig and set.
        tempo: Quarter notes a minute at which the cable is judged.
        division: Length of a step; empty takes the first piece's, the rig's, or the default.
    """
    values = {**DEFAULTS, **setup.values, **(setup.pieces[0].values if setup.pieces else {})}
    clocks = division_clocks(division or str(values["division"]), str(values["meter"]))
    strikes = int(values["ratchet_count"]) if float(values["ratchet_chance"]) > 0 else 1
    interval_ms = clocks * 60000.0 / (PPQN * tempo)
    found = []
    for number, output in enumerate(setup.outputs):
        voices = [voice for voice in setup.voices if voice.output == number and not voice.is_cue]
        found.append(_cable(output, voices, interval_ms, strikes, tempo))
    return found


def _cable(output: Output, voices: list[Voice], interval_ms: float, strikes: int, tempo: float) -> Cable:
    # voices of different delay speak at different moments; only those together share the cable
    groups: dict[float, list[Voice]] = {}
    for voice in voices:
        groups.setdefault(voice.delay_ms, []).append(voice)
    which = WITH_NOTE if output.cc_early else ALL
    arrivals: list[Arrival] = []
    for group in groups.values():
        for number, voice in enumerate(group):
            ends = [_ends(group[:number], voice, shape, which) for shape in SHAPES]
            bare = [_ends(group[:number], voice, shape, NONE) for shape in SHAPES]
            late = max(ends)
            # elsewhere than on a DIN cable, releases and unchanged controllers may be left out
            early = min(ends) if output.din else (number + 1) * MESSAGE
            arrivals.append(Arrival(voice.name, late * BYTE_US, early * BYTE_US, (late - max(bare)) * BYTE_US))
    fullest = max((sum(all_bytes(v, shape) for v in g) for g in groups.values() for shape in SHAPES), default=0)
    batch = max((sum(all_bytes(v, shape, which) for v in g) for g in groups.values() for shape in SHAPES), default=0)
    ranges = max((sum(RANGE_BYTES for v in g if v.bend_range > 0) for g in groups.values()), default=0)
    saved = max((sum(early_bytes(v) for v in g if not v.delay_ms) for g in groups.values()), default=0)
    return Cable(
        output=output.name,
        din=output.din,
        bytes=fullest,
        last_us=batch * BYTE_US,
        arrivals=tuple(arrivals),
        jitter_us=max((a.fullest - a.leanest for a in arrivals), default=0),
        cycle_us=ranges * BYTE_US,
        cc_early=output.cc_early,
        ahead_saves_us=saved * BYTE_US,
        rate=_rate(output, voices, interval_ms, strikes, tempo),
        interval_ms=interval_ms,
    )


def _ends(earlier: list[Voice], voice: Voice, shape: Shape, which: int) -> int:
    return sum(all_bytes(other, shape, which) for other in earlier) + note_bytes(voice, shape, which)


def _rate(output: Output, voices: list[Voice], interval_ms: float, strikes: int, tempo: float) -> float:
    step = 0
    for voice in voices:
        step += max(all_bytes(voice, shape) for shape in SHAPES)
        step += (strikes - 1) * 2 * MESSAGE  # strike and release; controllers as in the first at most
        step += MESSAGE * (voice.accent_note != NO_CC)  # the trigger's release
        step += MESSAGE * (voice.accent_pulse_ms > 0 and voice.accent_cc != NO_CC)  # back to 0
    rate = step * 1000.0 / interval_ms
    rate += PPQN * tempo / 60.0 if output.send_clock != "none" else 0.0
    return rate + (4.0 if output.active_sensing else 0.0)


class Judged(NamedTuple):
    """One sentence about a cable.

    Attributes:
        state: ``pass``, ``warn`` or ``fail``.
        text: The fact.
        advice: What to do about it; empty where nothing is to be done.
    """

    state: str
    text: str
    advice: str


def judge(cable: Cable) -> list[Judged]:
    """Return what is to be said about a cable, each fact with its verdict."""
    if not cable.din:
        text = f"{cable.bytes} bytes in the fullest step; not declared as a DIN cable, so 320 us a byte do not apply"
        return [Judged("pass", text, "declare din: on if a 5-pin cable follows it" if cable.bytes else "")]
    heard = just_heard(cable.interval_ms)
    jitter = cable.jitter_us / 1000.0
    full = cable.bytes / BYTES_PER_SECOND * 1000.0
    before = cable.bytes - cable.last_us // BYTE_US
    text = f"fullest step {cable.bytes} bytes{f', {before} of them ahead of it' if before else ''}"
    found = [Judged("pass", f"{text}, last byte after {cable.last_us / 1000:.2f} ms", "")]
    if full > cable.interval_ms:
        found[0] = Judged(
            "fail", f"{found[0].text}, longer than the step", "fewer controllers or voices, or a second cable"
        )
    for a in cable.arrivals:
        moved = f"{a.voice}: note arrives {a.fullest / 1000:.2f} ms after the step's first byte"
        moved += f", {a.displaced / 1000:.2f} ms of it by controllers"
        late = a.fullest > LATENCY.milliseconds * 1000
        found.append(Judged("warn" if late else "pass", moved, "move a voice to another output" if late else ""))
    advice = "" if jitter <= JITTER.milliseconds else "give the trigger note, or the last voice, an output of its own"
    state = "pass" if jitter <= JITTER.milliseconds else "fail" if jitter >= heard else "warn"
    found.append(Judged(state, f"jitter from unequal steps {jitter:.2f} ms ({heard:.1f} ms is just heard)", advice))
    share = cable.rate / BYTES_PER_SECOND
    state = "pass" if share <= 0.7 else "warn" if share <= 1 else "fail"
    text = f"{cable.rate:.0f} bytes a second of {BYTES_PER_SECOND}, {share:.0%}, every step the fullest"
    found.append(Judged(state, text, "" if state == "pass" else "fewer controllers or voices, or a second cable"))
    if cable.ahead_saves_us:
        saves = "saves" if cable.cc_early else "would save"
        text = f"cc_early: on {saves} {cable.ahead_saves_us / 1000:.2f} ms before the note"
        text += ", but not on the first steps after Start, when nothing tells how soon the next one comes"
        found.append(Judged("pass", text, ""))
    if cable.cycle_us:
        text = f"bend range behind the notes of a cycle's first step: {cable.cycle_us / 1000:.2f} ms more on the cable"
        found.append(Judged("pass", text, ""))
    return found


def report(setup: Setup, tempo: float = 120.0, division: str = "") -> list[str]:
    """Return the wire report as lines for people: every output, then the published figures."""
    lines: list[str] = []
    for cable in cables(setup, tempo, division):
        lines.append(
            f"output {cable.output}, a step every {cable.interval_ms:.1f} ms at {tempo:g} BPM (computed from the rig)"
        )
        lines += [f"  {row.text}{': ' + row.advice if row.advice else ''}" for row in judge(cable)]
    lines.append("published figures:")
    lines += [f"  {row.milliseconds:g} ms: {row.what} ({row.source})" for row in THRESHOLDS]
    return lines
