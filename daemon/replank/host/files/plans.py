"""What a piece plans: arcs of parameters over its time, and acts at its bars.

``arc: {gate: [0 0.4, 3 0.8, 5 0.4]}`` is a list of points for each parameter:
a time from the piece's beginning, in minutes or as ``32bars``, and a value.
``plan: [{at: 17, do: redraw}]`` is a list of acts, each at a bar of the piece.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from replank.control.actions import PLANNED, find_action
from replank.control.numbers import number_text, plain_number
from replank.control.parameters import PARAMETERS, nearest, parse, show
from replank.control.setup import Arc, Piece, PlanAct, Setup, values_of
from replank.control.text import Setting, read_word
from replank.host.files.mistakes import Mark, quoted
from replank.host.files.schema import Key
from replank.host.files.yaml_reader import Mapping, Node, Sequence, scalar
from replank.performer.arguments import Known, prepare
from replank.timing.divisions import PPQN, bar_clocks

if TYPE_CHECKING:
    from replank.host.files.reader import Reader

LONGEST_MINUTES, LONGEST_BARS = 600, 100_000
MOST = 128
"""Points of one arc, acts of one plan."""
SLOTS = tuple(f"slot{number}" for number in range(1, 9))
"""Names of kept lines that a hand fills during the show, so that a plan may count on them."""

PLAN_KEYS = (
    Key("at", "int", "The bar of the piece, from 1, at whose beginning it happens.", ("bar",), 1, LONGEST_BARS),
    Key("do", "act", "The act, written as for `replank send`.", ("text",)),
)
_TIME = re.compile(r"(.*?)(bars?)?", re.DOTALL)
_POINT = "a point is a time and a value: 3 0.5 (minutes), or 32bars 0.5"


def read_arc(reader: Reader, key: Key, node: Node) -> tuple[Arc, ...]:
    """Return the arcs of a piece; notes every wrong point.

    Raises:
        ValueError: No parameters with lists at all.
    """
    if not isinstance(node, Mapping):
        raise ValueError("is written as parameters with lists of points, such as 'gate: [0 0.4, 3 0.8]'")
    made = []
    for name, (mark, value) in node.pairs.items():
        row = PARAMETERS.get(name)
        if row is None:
            reader.refuse(mark, f"{key.name}: there is no parameter {quoted(name)}{nearest(name, PARAMETERS)}")
        elif not row.is_continuous:
            reader.refuse(mark, f"{key.name}: {name} is a list and cannot be moved in between")
        elif not isinstance(value, Sequence) or not 1 <= len(value.items) <= MOST:
            reader.refuse(value.mark, f"{key.name}: {name} is a list of 1 to {MOST} points, such as [0 0.4, 3 0.8]")
        else:
            made.append(_arc(reader, f"{key.name}: {name}", name, value))
    return tuple(made)


def _arc(reader: Reader, called: str, name: str, node: Sequence) -> Arc:
    points: list[tuple[float, float]] = []
    units: list[str] = []
    for item in node.items:
        mark = item.mark
        try:
            words = scalar(item).words()
            if len(words) != 2:
                raise ValueError(f"{quoted(scalar(item).text)}: {_POINT}")
            (time_word, time_mark), (value_word, mark) = words
            value = _value(reader, name, value_word)
            mark = time_mark
            time, unit = _time(time_word)
            if units and unit != units[0]:
                raise ValueError("minutes and bars are not mixed in one list")
            if points and time <= points[-1][0]:
                raise ValueError(f"{time_word} does not come after {_time_text(points[-1][0], unit)}")
        except ValueError as error:
            reader.refuse(mark, f"{called}: {error}")
            continue
        points.append((time, value))
        units.append(unit)
    return Arc(name, units[0] if units else "minutes", tuple(points))


def _value(reader: Reader, name: str, word: str) -> float:
    try:
        word = word if PARAMETERS[name].kind == "note" else word.removeprefix("+")  # nothing is moved: +5 is 5
        return float(parse(name, word, reader.middle_c, reader.scales))
    except ValueError as error:
        raise ValueError(str(error).removeprefix(f"{name}: ")) from None


def _time(word: str) -> tuple[float, str]:
    number, bars = _TIME.fullmatch(word).groups()  # type: ignore[union-attr]  # it matches any word
    unit, most = ("bars", LONGEST_BARS) if bars else ("minutes", LONGEST_MINUTES)
    try:
        time = float(plain_number(number))
    except ValueError:
        raise ValueError(f"{quoted(word)} is not a time: 3 (minutes), or 32bars") from None
    if not 0 <= time <= most:
        raise ValueError(f"{word} is outside 0 to {most} {unit}")
    return time, unit


def _time_text(time: float, unit: str) -> str:
    return f"{time:g}bars" if unit == "bars" else f"{time:g}"


def write_arc(value: tuple[Arc, ...], middle_c: int) -> str:
    """Return arcs as a file writes them."""
    rows = []
    for arc in value:
        points = (
            f"{number_text(time)}{'bars' * (arc.unit == 'bars')} {_shown(arc, at, middle_c)}" for time, at in arc.points
        )
        rows.append(f"{arc.name}: [{', '.join(points)}]")
    return "{" + ", ".join(rows) + "}"


def _shown(arc: Arc, value: float, middle_c: int) -> str:
    row = PARAMETERS[arc.name]
    return number_text(value) if row.kind == "float" else show(arc.name, int(value), middle_c)


def read_plan(reader: Reader, key: Key, node: Node) -> tuple[PlanAct, ...]:
    """Return the acts of a piece's plan; notes every wrong one.

    Raises:
        ValueError: No list of acts.
    """
    if not isinstance(node, Sequence) or len(node.items) > MOST:
        raise ValueError(f"is a list of up to {MOST} acts, such as [{{at: 17, do: redraw}}]")
    made: list[PlanAct] = []
    for item in node.items:
        before = len(reader.mistakes)
        fields = reader.table(item, PLAN_KEYS, "an act of a plan")
        if len(reader.mistakes) > before or not isinstance(item, Mapping):
            continue
        if len(fields) < len(PLAN_KEYS):
            reader.refuse(item.mark, "an act of a plan says when and what, such as {at: 17, do: redraw}")
        elif made and fields["bar"] < made[-1].bar:
            mark = item.pairs["at"][1].mark
            reader.refuse(mark, f"{key.name}: bar {fields['bar']} stands after bar {made[-1].bar}; write it before")
        else:
            made.append(PlanAct(**fields))
    return tuple(made)


def read_act(reader: Reader, key: Key, node: Node) -> str:
    """Return an act that a plan may hold, as it was written.

    Raises:
        ValueError: No such act, one that cannot be planned, or one of wrong arguments.
    """
    text = scalar(node).text.strip()
    if "@" in text:
        raise ValueError(f"{quoted(text)}: an act of a plan happens at its bar; leave out '@' and what is behind it")
    word = read_word(text, reader.middle_c, reader.scales)
    if isinstance(word, Setting):
        return text
    if word.name not in PLANNED:
        name = word.name if text.startswith(word.name) else text
        raise ValueError(f"{name} cannot be planned; {', '.join(PLANNED)} and values such as gate=0.5 can")
    setup = Setup(middle_c=reader.middle_c, user_scales=dict.fromkeys(reader.scales, ()))
    try:
        prepare(Known(setup, (*reader.kept, *SLOTS)), find_action(word.name), word.args)
    except ValueError as error:
        raise ValueError(f"{word.name}: {str(error).removeprefix(f'{word.name}: ')}") from None
    return text


def write_plan(value: tuple[PlanAct, ...], quote: Any) -> str:
    """Return a plan as a file writes it; `quote` makes a text a YAML scalar."""
    return "[" + ", ".join(f"{{at: {act.bar}, do: {quote(act.text)}}}" for act in value) + "]"


# -- plans in the light of the whole piece ---------------------------------------


def bar_minutes(piece: Piece, setup: Setup) -> float:
    """Return how long a bar of a piece lasts at its tempo; 0 with pulses, where a bar is a cycle and nobody knows."""
    values = values_of(piece, setup)
    return 0.0 if by_pulses(setup) else bar_clocks(str(values["meter"])) / PPQN / float(values["tempo"])


def minutes_text(minutes: float) -> str:
    """Return minutes as people read them."""
    return f"{minutes:g} minute" + ("" if minutes == 1 else "s")


def by_pulses(setup: Setup) -> bool:
    """Tell whether bars are cycles."""
    return setup.clock.mode == "pulses"


def advise_plans(reader: Reader, piece: Piece, node: Mapping, setup: Setup) -> None:
    """Say what of arcs and plan is never reached, a line for each arc and one for the plan."""
    bar, tempo = bar_minutes(piece, setup), values_of(piece, setup)["tempo"]
    for arc in piece.arc:
        last = arc.points[-1][0]
        minutes = last * bar if arc.unit == "bars" else last
        if piece.minutes and minutes > piece.minutes + 1e-9:
            at = (
                f"{last:g} bars ({minutes:.1f} minutes at {tempo:g} BPM)" if arc.unit == "bars" else f"{last:g} minutes"
            )
            what = f"arc: the last point of {arc.name} is at {at}, beyond the piece's {minutes_text(piece.minutes)}"
            reader.advise(_points_of(node, arc.name)[-1].mark, f"{what}; what lies beyond is not reached")
    left = next((act.bar for act in piece.plan if act.text == "next_piece"), 0)
    passed_by = False
    for act, mark in zip(piece.plan, _places(node), strict=True):
        if piece.minutes and bar and (act.bar - 1) * bar >= piece.minutes - 1e-9:
            bars = f"{minutes_text(piece.minutes)} are {piece.minutes / bar:.0f} bars at {tempo:g} BPM"
            reader.advise(mark, f"plan: bar {act.bar} never comes: the piece's {bars}; what stands there is left out")
            return
        if passed_by:
            reader.advise(mark, f"plan: {act.text} never comes: next_piece at bar {left} leaves the piece before")
            return
        passed_by = act.text == "next_piece"


def refuse_next(reader: Reader, node: Mapping, piece: Piece) -> None:
    """Refuse `next_piece` in the plan of the last piece."""
    for act, mark in zip(piece.plan, _places(node, "do"), strict=False):
        if act.text == "next_piece":
            reader.refuse(mark, "do: next_piece: this is the last piece")


def _points_of(node: Mapping, name: str) -> tuple[Node, ...]:
    arcs = node.pairs["arc"][1]
    assert isinstance(arcs, Mapping)
    points = arcs.pairs[name][1]
    assert isinstance(points, Sequence)
    return points.items


def _places(node: Mapping, name: str = "at") -> list[Mark]:
    """Return where `name` stands in each act of a plan."""
    acts = node.pairs["plan"][1] if "plan" in node.pairs else None
    items = acts.items if isinstance(acts, Sequence) else ()
    return [item.pairs[name][1].mark for item in items if isinstance(item, Mapping) and name in item.pairs]


def summary_of_plans(piece: Piece, setup: Setup) -> list[str]:
    """Return a line for each arc and one for the plan, as `check` prints them."""
    lines, unit = [], "cycle" if by_pulses(setup) else "bar"
    for arc in piece.arc:
        points = ", ".join(f"{_said(arc, value, setup.middle_c)} at {time:g}" for time, value in arc.points)
        lines.append(f"arc of {arc.name}: {points} {f'{unit}s' if arc.unit == 'bars' else 'minutes'}")
    if piece.plan:
        lines.append("plan: " + ", ".join(f"{unit} {act.bar} {act.text}" for act in piece.plan))
    if unit == "cycle" and (piece.plan or any(arc.unit == "bars" for arc in piece.arc)):
        lines.append("with pulses bars and phrases are cycles")
    return lines


def _said(arc: Arc, value: float, middle_c: int) -> str:
    return show(arc.name, value if PARAMETERS[arc.name].kind == "float" else int(value), middle_c)
