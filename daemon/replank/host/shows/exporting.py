"""A recorded show as a score: what was sent, on the clock as it was received."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from replank.control.notices import Notice
from replank.control.parameters import DEFAULTS
from replank.control.setup import Setup, from_plain
from replank.host.files.notation import roll_lists, write_line
from replank.host.files.sets import FORMAT, VALUE_NAMES
from replank.host.files.values import quote, write_parameter
from replank.host.shows import schema
from replank.host.shows.packing import Damaged
from replank.host.shows.reading import Archive, Mark, Show
from replank.host.shows.replaying import perform, stretches
from replank.line.steps import Form, rolls_of, words_of
from replank.midi.files import Score
from replank.midi.scoring import score_of
from replank.midi.tempo import CLOCK_TICKS, SLOWEST, TICKS, TickMap, tempo_us
from replank.performer.melody import Kept
from replank.timing.divisions import bar_clocks, division_clocks

_LONGEST_QUARTER = SLOWEST * 1000


class Exported(NamedTuple):
    """A score and what is in it.

    Attributes:
        score: For `midi.files.write_score`.
        notes: Note-ons.
        markers: Markers.
        clocks: Clocks or pulses that its tempo map follows; 0 where there were none.
        gaps: Gaps of the record in that part.
    """

    score: Score
    notes: int
    markers: int
    clocks: int
    gaps: int


def export(archive: Archive, show: Show, begin: int, end: int) -> Exported:
    """Return the part of a show between two times as a score.

    Notes that sound when the part begins are left out, those that sound when
    it ends are released there.

    Args:
        archive: The open database.
        show: Which show.
        begin: Performer time, ns.
        end: Performer time, ns; later than `begin`.

    Raises:
        Damaged: The show holds no state that can be read.
    """
    state = state_at(archive, show, begin)
    setup: Setup = from_plain(state["setup"])
    values = {**DEFAULTS, **state["values"]}
    notices = [Notice(item.what[0], item.now, item.what[1]) for item in archive.stream(show, "notices")]
    _follow(values, notices, begin)
    ticks, clocks = tick_map(archive, show, setup, values, begin, end)
    messages = list(_messages(archive, show, begin, end))
    inside = [notice for notice in notices if begin <= notice.now <= end]
    gaps = [mark for mark in archive.marks(show, schema.GAP) if begin <= mark.now <= end]
    score = score_of(messages, inside, setup, values, ticks, ticks.tempos(), show.name or f"show {show.id}")
    score.markers += [(max(0, ticks.tick(gap.now)), f"gap in the record: {gap.text}") for gap in gaps]
    score.end = max(0, ticks.tick(end))
    notes = sum(len(data) == 3 and data[0] & 0xF0 == 0x90 and data[2] > 0 for _, _, data in messages)
    return Exported(score, notes, len(score.markers), clocks, len(gaps))


def state_at(archive: Archive, show: Show, now: int) -> dict[str, Any]:
    """Return the newest state kept at or before a time, or the first there is."""
    marks = archive.marks(show, schema.CHECKPOINT)
    before: list[Mark] = [mark for mark in marks if mark.now <= now] or marks[:1]
    for mark in reversed(before):
        try:
            return archive.state(mark)
        except Damaged:
            continue
    raise Damaged("no state of the show can be read")


def _follow(values: dict[str, Any], notices: Sequence[Notice], until: int) -> None:
    """Bring values up to a time by what was said of them."""
    for notice in notices:
        if notice.now <= until and notice.kind == "parameter" and notice.data.get("name") in values:
            values[notice.data["name"]] = notice.data["value"]


def _messages(archive: Archive, show: Show, begin: int, end: int) -> Iterator[tuple[int, int, bytes]]:
    sounding: set[tuple[int, int, int]] = set()
    for item in archive.stream(show, "outputs"):
        if not begin <= item.now <= end:
            continue
        output, data = item.what
        if len(data) == 3 and data[0] & 0xE0 == 0x80:
            key = (output, data[0] & 0x0F, data[1])
            if data[0] & 0x10 and data[2]:
                sounding.add(key)
            elif key not in sounding:
                continue  # of a note that was struck before the part
            else:
                sounding.discard(key)
        yield item.now, output, data


def tick_map(archive: Archive, show: Show, setup: Setup, values: dict[str, Any],
             begin: int, end: int) -> tuple[TickMap, int]:  # fmt: skip
    """Return the tempo map of a part of a show, and how many clocks or pulses it follows.

    Without two of them in that part, time runs evenly at the tempo parameter.
    """
    if setup.clock.source == "external" and setup.clock.mode == "midi":
        ports = {n for n, one in enumerate(setup.inputs) if one.role == "clock"}
        times = [item.now for item in archive.stream(show, "inputs")
                 if begin <= item.now <= end and item.what[0] == "m" and item.what[1] in ports
                 and item.what[2] == b"\xf8"]  # fmt: skip
    else:
        times = [now for now in _counted(archive, show, setup.clock.mode == "pulses") if begin <= now <= end]
    if len(times) < 2:
        return TickMap([(begin, 0), (begin + tempo_us(float(values["tempo"])) * 1000, TICKS)]), 0
    if setup.clock.mode == "pulses":
        each = division_clocks(str(values["division"]), str(values["meter"])) * CLOCK_TICKS
        ticks = pulse_map(times, each)
    else:
        ticks = TickMap.of_clocks(times)
    one = _first_step(archive, show, setup, begin, times)
    return _from(ticks, begin, one, bar_clocks(str(values["meter"])) * CLOCK_TICKS), len(times)


def _first_step(archive: Archive, show: Show, setup: Setup, begin: int, times: Sequence[int]) -> int:
    """Return the first clock after the first Start in a part, else its first clock: it becomes a bar line."""
    ports = {n for n, one in enumerate(setup.inputs) if one.role == "clock"}
    for item in archive.stream(show, "inputs"):
        if item.now > times[-1]:
            break
        is_start = item.what[0] == "m" and item.what[1] in ports and item.what[2] == b"\xfa"
        if item.now >= begin and (is_start or item.what[:2] == ["x", "start"]):
            return next((now for now in times if now >= item.now), times[0])
    return times[0]


def _counted(archive: Archive, show: Show, pulses: bool) -> Iterator[int]:
    """Yield when clocks of the internal clock, or pulses, were counted; they are found by replaying."""
    for stretch in stretches(archive, show):
        count = -1
        try:
            for played in perform(archive, show, stretch):
                transport = played.performer.transport
                now_at = transport.pulse.count if pulses else transport.judge.received
                if now_at > count >= 0:
                    yield played.now
                count = now_at
        except Damaged:
            continue


def pulse_map(times: Sequence[int], each: int) -> TickMap:
    """Return the map of pulses: `each` ticks from one to the next, however uneven.

    A pause so long that no tempo of a file could hold it is longer by whole quarter notes.
    """
    knots = [(times[0], 0)]
    for now in times[1:]:
        last, tick = knots[-1]
        now = max(now, last + 1000)
        missing = (now - last) * TICKS - each * _LONGEST_QUARTER
        more = -(-missing // (_LONGEST_QUARTER * TICKS)) * TICKS if missing > 0 else 0
        knots.append((now, tick + each + more))
    return TickMap(knots)


def _from(ticks: TickMap, begin: int, one: int, bar: int) -> TickMap:
    """Shift a map so that `begin` is tick 0 and the moment `one` a bar line of `bar` ticks."""
    (first, tick), (second, then) = ticks.knots[:2]
    if begin >= first:
        return ticks
    quarter = max((second - first) * TICKS // (then - tick), 1)
    lead = max(1, -(-(first - begin) // _LONGEST_QUARTER), round((first - begin) / quarter)) * TICKS
    lead += -(lead + ticks.tick(one)) % bar
    return TickMap([(begin, 0), *((now, at + lead) for now, at in ticks.knots)])


def piece_text(kept: Kept, setup: Setup, name: str) -> str:
    """Return a set with one piece whose line is what sounded in a cycle.

    Words, rolls and home come with it, so that reading the set gives the same line and every
    chance knob works on it as it did.  Steps beyond `length` are left out.
    """
    values = {**DEFAULTS, **setup.values, **kept.values, "length": kept.form.length}
    lines = [f"set: {FORMAT}", "pieces:", f"  - name: {quote(name)}"]
    lines += [f"    {line}" for line in line_text(kept.form, setup.middle_c)]
    lines += [f"    {key}: {write_parameter(key, value, setup.middle_c)}" for key, value in values.items()
              if key in VALUE_NAMES and (value != DEFAULTS[key] or key in setup.values)]  # fmt: skip
    return "\n".join(lines) + "\n"


def line_text(form: Form, middle_c: int) -> list[str]:
    """Return the lines of YAML that say a form's played steps: words, rolls, and home where it differs."""
    steps, home = form.steps[: form.length], form.home[: form.length]
    lines = [f"line: {write_line(tuple(map(words_of, steps)), middle_c)}"]
    lines += ["rolls:", *(f"  {row}" for row in roll_lists(tuple(map(rolls_of, steps))))]
    if home != steps:
        lines.append(f"home: {write_line(tuple(map(words_of, home)), middle_c)}")
    if list(map(rolls_of, home)) != list(map(rolls_of, steps)):
        lines += ["home_rolls:", *(f"  {row}" for row in roll_lists(tuple(map(rolls_of, home))))]
    return lines
