"""What `replank forecast` finds out about one piece, as people read it and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import fmean
from typing import Any, NamedTuple

from replank.cli.exits import Fail
from replank.cli.options import Prepared
from replank.control.notices import counted
from replank.control.pace import Pace, solve_half_life
from replank.host.files.mistakes import plain_text
from replank.line.mutation import may_change
from replank.midi.counting import Counted, Touch, count_piece, half_touched
from replank.midi.rehearsing import Part, begun
from replank.performer import Performer, pacing

MARKS = 1.0, 2.0, 5.0, 10.0
"""Minutes after which it is said how much is still itself, as far as the piece lasts."""
UNPLANNED = 10.0
"""Minutes that are played of a piece that plans none."""
BARS = 8.0, 16.0, 32.0, 64.0, 128.0
"""Bars after which JSON says what is untouched."""
USUAL_TEMPO = 96.0

FROM, LONG, FIRST, CHOSEN = "from_the_beginning", "in_the_long_run", "at_first", "chosen_at_all"
_KINDS = {FROM: pacing.from_home, LONG: pacing.in_the_long_run, FIRST: pacing.at_first, CHOSEN: pacing.of_choices}


class Asked(NamedTuple):
    """What the command line asks.

    Attributes:
        minutes: How long; None as the piece plans.
        bars: Bars after which it is said what keeps its pitch.
        want: A half-life for which settings are to be found; None for none.
        pinned: Steps, from step 1, to pin.
        evenings: How many are played where no seed says which.
    """

    minutes: float | None
    bars: list[float]
    want: str | None
    pinned: int
    evenings: int

    def lasts(self, prepared: Prepared, number: int) -> float:
        """Return the minutes that a piece is played; those that nobody has planned are `UNPLANNED`."""
        piece = prepared.piece(number)
        return self.minutes or (piece.minutes if piece else 0.0) or UNPLANNED

    def length(self, prepared: Prepared, number: int) -> float:
        """Return how much is played of a piece in an evening: minutes at 96 BPM."""
        return self.lasts(prepared, number) * float(prepared.values(number)["tempo"]) / USUAL_TEMPO


class Foretold(NamedTuple):
    """What is found out about one piece, or about a line without one.

    Attributes:
        name: Of the piece; empty without one.
        number: Of the piece; 0 without one.
        held: How it begins held, in words; empty where it does not.
        tempo: Quarter notes a minute.
        minutes: How long it is played.
        marks: Minutes after which it is said how much is still itself.
        seed: The piece's own; 0 where it has none.
        length: Played steps.
        settle: Cycles that settle first.
        evenings: What each evening did; none where nothing was played.
        paces: The four computed ones, by name.
        bars: As asked.
        wanted: Settings for a half-life that was asked for.
    """

    name: str
    number: int
    held: str
    tempo: float
    minutes: float
    marks: Sequence[float]
    seed: int
    length: int
    settle: int
    evenings: list[Counted]
    paces: dict[str, Pace]
    bars: list[float]
    wanted: dict[str, Any] | None

    def plain(self) -> dict[str, Any]:
        """Return every figure for JSON."""
        head = {"number": self.number, "name": self.name, "held": bool(self.held)} if self.number else {}
        bars = self.bars or list(BARS)
        rows = {
            name: {**row._asdict(), "untouched": {f"{n:g}": row.untouched_after(n) for n in bars}}
            for name, row in self.paces.items()
        }
        rows[FROM].pop("untouched")  # it does not begin at once
        return {
            **head, "tempo": self.tempo, "minutes": self.minutes, "seed": self.seed, "settle": self.settle,
            "counted": self._counted(), "computed": rows, **({"want": self.wanted} if self.wanted else {}),
        }  # fmt: skip

    def _counted(self) -> dict[str, Any] | None:
        if not self.evenings:
            return None
        half, singles = half_touched(self.evenings), [half_touched([evening]) for evening in self.evenings]
        return {
            "evenings": len(self.evenings),
            "itself_after_minutes": {f"{at:g}": self._itself(at, n) for n, at in enumerate(self.marks)},
            "audible_changes_a_minute": _spread([one.changes / one.minutes for one in self.evenings]),
            "first_audible_change_minutes": _spread([one.first for one in self.evenings if one.first is not None]),
            "half_life": None if half is None else half._asdict(),
            "half_life_cycles_of_evenings": [one.cycles if one else None for one in singles],
        }

    def _itself(self, at: float, n: int) -> dict[str, float] | None:
        return _spread([one.itself[n] for one in self.evenings if n < len(one.itself)])

    def lines(self) -> Iterator[str]:
        """Yield it as people read it."""
        if self.number:
            yield plain_text(f"piece {self.number}: {self.name}{self.held}")
        if self.evenings:
            yield from self._heard()
        yield f"  half of the steps that may change ({self.paces[FROM].steps} of {self.length}) have another pitch"
        yield from self._halves()
        if self.bars:
            yield "  keep their pitch after  " + "  ".join(f"{f'{n:g} bars':>9}" for n in self.bars) + "   computed"
            for name, word in ((FIRST, "at first"), (LONG, "in the long run")):
                shares = "  ".join(f"{self.paces[name].untouched_after(n):>9.0%}" for n in self.bars)
                yield f"    {word:<22}{shares}"
        if self.wanted:
            yield f"  {self.wanted['text']}"
        yield f"  a cycle is {counted_bars(self.paces[FROM].cycle_bars)}, at {self.tempo:g} BPM"

    def _halves(self) -> Iterator[str]:
        row, long, where = self.paces[FROM], self.paces[LONG], "from the beginning"
        settles = "" if not self.settle else f"; nothing changes in the first {counted(cycle=self.settle)}"
        if self.evenings:
            half, single = half_touched(self.evenings), self._single_evenings()
            said = _half(half) if half else f"not within {_minutes(self.minutes)}"
            range_ = f"; {single} in single evenings" if half and len(self.evenings) > 1 else ""
            yield f"    {where:<20}{said:<38} counted{range_}"
            where = ""
        yield f"    {where:<20}{_half(row):<38} computed{settles if row.cycles else ''}"
        sooner = (
            "" if row.echoed <= 1 or long.cycles is None else f"; up to {row.echoed:.1f} times as fast by its motif"
        )
        yield f"    {'in the long run':<20}{_half(long):<38} computed{sooner}"

    def _single_evenings(self) -> str:
        halves = [half_touched([evening]) for evening in self.evenings]
        cycles = [half.cycles for half in halves if half is not None]
        most = f"{max(cycles):g} cycles" if len(cycles) == len(halves) else "never"
        return f"{min(cycles):g} to {most}" if cycles else "never"

    def _heard(self) -> Iterator[str]:
        who = f"the evening of seed {self.seed}" if self.seed else counted(evening=len(self.evenings))
        yield "  after             " + "".join(f"{_minutes(at):>13}" for at in self.marks)
        shares = [self._itself(at, n) for n, at in enumerate(self.marks)]
        said = [_share(one) for one in shares]
        yield "  still itself      " + "".join(f"{one:>13}" for one in said) + f"   counted, {who}"
        rate = _spread([one.changes / one.minutes for one in self.evenings])
        first = _spread([one.first for one in self.evenings if one.first is not None])
        assert rate is not None
        when = f", the first after {_seconds(first)}" if first else ""
        yield f"  audible changes   {_range(rate, 1.0, '.1f')} a minute{when}   counted"


def foretell(prepared: Prepared, number: int, asked: Asked) -> Foretold:
    """Return what is found out about a piece; 0 is the line of no set.

    Raises:
        Fail: The piece does not fit the rig, or what was asked does not fit the piece.
    """
    piece, values, minutes = prepared.piece(number), prepared.values(number), asked.lasts(prepared, number)
    if asked.pinned > int(values["length"]):
        raise Fail(f"--pinned {asked.pinned}: only {values['length']} steps are played")
    marks = sorted({at for at in MARKS if at < minutes} | {minutes})
    seed = int(values["seed"])
    seeds = list(range(1, asked.evenings + 1)) if not seed else [seed] if asked.evenings else []
    setup, part, held = prepared.setup, Part(number, minutes, asked.pinned), ""
    free = setup
    if piece and piece.hold and "hold" not in prepared.given:
        free = replace(setup, pieces=tuple(replace(one, hold=False) for one in setup.pieces))
        if any(act.text.startswith("hold") for act in piece.plan):
            held = "; it begins held until its plan lets it go"
        else:
            setup, held = free, "; it begins held, so this counts from when it is let go"
    try:
        begin = [begun(free, one, part)[0] for one in seeds or [seed or 1]]
        evenings = [count_piece(setup, one, number, minutes, marks, asked.pinned) for one in seeds]
    except ValueError as error:
        raise Fail(f"piece {number}: {error}" if number else str(error)) from None
    paces = {name: _mean([pace(performer) for performer in begin]) for name, pace in _KINDS.items()}
    return Foretold(
        piece.name if piece else "", number, held, float(begin[0].values["tempo"]), minutes, marks,
        seed, int(values["length"]), int(begin[0].values["settle_new"]), evenings, paces, asked.bars,
        _wanted(begin[0], asked.want) if asked.want else None,
    )  # fmt: skip


def _mean(paces: list[Pace]) -> Pace:
    """Return the mean of paces that differ by the line on which they stand alone."""
    rows = [pace for pace in paces if pace.cycles is not None and pace.bars is not None]
    if len(rows) < len(paces):
        return paces[0]._replace(cycles=None, bars=None, minutes=None)
    timed = [pace.minutes for pace in rows if pace.minutes is not None]
    return paces[0]._replace(
        rate=fmean(pace.rate for pace in rows), echoed=fmean(pace.echoed for pace in rows),
        cycles=fmean(pace.cycles for pace in rows if pace.cycles is not None),
        bars=fmean(pace.bars for pace in rows if pace.bars is not None), minutes=fmean(timed) if timed else None,
    )  # fmt: skip


def _wanted(p: Performer, want: str) -> dict[str, Any]:
    """Return the settings of a wanted half-life from the beginning."""
    on = pacing.ground_of(p)
    bars = _bars_of(want, on.cycle_bars, on.bar_minutes)
    if not any(may_change(step) for step in p.melody.steps[: p.settings.length]):
        raise Fail("--want: every step is pinned or always rests, so nothing can change")
    found = solve_half_life(p.values, bars, on)
    if found is None:
        text = f"no mutation_chance gives {want}; shorten the line or the cycle"
        return {"bars": bars, "mutation_chance": None, "mutation_count": None, "reached": False, "text": text}
    text = f"for {want} from the beginning: mutation_chance={found.chance:g} mutation_count={found.count}"
    return {"bars": bars, "mutation_chance": found.chance, "mutation_count": found.count, "reached": True,
            "text": text}  # fmt: skip


def _bars_of(want: str, cycle_bars: float, bar_minutes: float) -> float:
    word = want.strip().lower().replace(" ", "")
    number = word.rstrip("abcdefghijklmnopqrstuvwxyz")
    unit = word[len(number) :].rstrip("s")
    try:
        amount = float(number)
    except ValueError:
        amount = 0.0
    per = {"cycle": cycle_bars, "bar": 1.0}
    if bar_minutes:  # with pulses nobody knows the minutes
        per["min"] = per["minute"] = 1 / bar_minutes
    if unit not in per or not 0 < amount < 1e6:
        raise Fail(f"--want {want}: write {'40bars, 5min or 20cycles' if bar_minutes else '20cycles'}")
    return amount * per[unit]


# -- words -----------------------------------------------------------------------


def counted_bars(bars: float) -> str:
    """Return a number of bars as people read it."""
    return f"{round(bars, 3 if bars < 10 else 1):g} bar" + ("" if bars == 1 else "s")


def _spread(values: Sequence[float]) -> dict[str, float] | None:
    if not values:
        return None
    return {"mean": fmean(values), "least": min(values), "most": max(values)}


def _share(spread: dict[str, float] | None) -> str:
    return "-" if spread is None else _range(spread, 100.0, ".0f", "%")


def _range(spread: dict[str, float], scale: float, form: str, unit: str = "") -> str:
    mean, least, most = (f"{spread[name] * scale:{form}}" for name in ("mean", "least", "most"))
    return f"{mean}{unit}" if least == most else f"{mean}{unit} ({least}-{most})"


def _seconds(spread: dict[str, float]) -> str:
    return f"{_range(spread, 60.0, '.0f')} s"


def _minutes(minutes: float) -> str:
    return f"{minutes:g} min"


def _half(row: Pace | Touch) -> str:
    if row.cycles is None or row.bars is None:
        return "never"
    cycles = f"{round(row.cycles, 1):g} cycles"
    if row.minutes is None:
        return cycles
    time = f"{row.minutes * 60:.0f} s" if row.minutes < 2 else f"{row.minutes:.1f} minutes"
    return f"{cycles}, {counted_bars(row.bars)}, {time}"
