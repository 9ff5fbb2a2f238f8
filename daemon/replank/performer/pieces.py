"""Pieces of the set, and lines that come from outside: the host's store, a fellow player."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replank.control.parameters import PIECE_NAMES
from replank.control.setup import Piece, values_of
from replank.line.chance import mix64
from replank.line.lenses import TOP, fold
from replank.line.steps import BY_CHANCE, SOUND, STEPS, Form, Step
from replank.performer import acting, clocking, course, keeping, prepared, steps
from replank.performer.course import Course
from replank.performer.melody import Kept
from replank.performer.settings import Settings

if TYPE_CHECKING:
    from replank.performer.core import Performer
    from replank.performer.events import BringBack


def first(p: Performer) -> None:
    """Begin: the first piece of the set, or a drawn line on the defaults; the lines that the set keeps."""
    prepared.take_in(p)
    if p.setup.pieces:
        _begin(p, 1, _prepared(p, p.setup.pieces[0]))
        p.piece = 1
    else:
        p.begin_chances(p.values["seed"] or p.given_seed)
    _draw(p, p.setup.pieces[0] if p.setup.pieces else None)
    p.melody.settle(p.values["settle_new"])


def _prepared(p: Performer, piece: Piece) -> dict[str, Any]:
    """Return the values with which a piece begins; ValueError where the rig does not know one."""
    whole = values_of(piece, p.setup)
    values = {name: whole[name] for name in (*PIECE_NAMES, "hold") if name != "tempo" or name in piece.values}
    Settings({**p.values, **values}, p.setup)
    return values


def _begin(p: Performer, number: int, values: dict[str, Any]) -> None:
    for name, value in values.items():
        p.set_value(name, value)
    p.changed()
    # A piece without a seed has one of this show, so that no two pieces begin alike.
    p.begin_chances(p.values["seed"] or mix64(p.given_seed ^ number))


def _draw(p: Performer, piece: Piece | None) -> None:
    m, s = p.melody, p.settings
    if piece and piece.line:
        m.write(piece)
    else:
        m.steps = [Step()] * STEPS  # pins of the line before do not hold here
        m.redraw(s.lens, s.shape)


def bring_in(p: Performer, number: int, as_left: bool, origin: str) -> None:
    """Bring in a piece, by number from 1; the one that is left is kept as it is."""
    piece = p.setup.pieces[number - 1]
    left = p.as_left.get(piece.name) if as_left else None
    if as_left and left is None:
        raise ValueError(f"{piece.name} has not been played yet")
    m, was, values = p.melody, dict(p.values), _prepared(p, piece)
    before = m.form(p.settings.length)
    leaving = _leave(p)
    steps.close_cycle(p)
    p.course = Course(course.bar_now(p))
    m.has_ended = False  # its mutations go with it: the first moment is at the end of the piece's first cycle
    _begin(p, number, values)
    if left is None:
        _draw(p, piece)
    else:
        _return(p, left)
    old = {name: value for name, value in was.items() if p.values[name] != value}
    m.trail.record(
        cycle=m.cycle, now=p.now, kind="piece", text=f"piece {piece.name}", before=before,
        after=m.form(p.settings.length), values=[(name, value, p.values[name]) for name, value in old.items()],
    )  # fmt: skip
    if leaving:
        p.as_left[leaving[0]] = leaving[1]
    p.piece, p.piece_since, p.ramps = number, p.now, {}
    for name in old:
        p.hands.moved(name, p.values[name], p.now)
    _from_step_one(p)
    m.settle(p.values["settle_new"])
    p.notice("piece", number=number, name=piece.name, how="as it was left" if left else "as prepared")
    if acting.is_moving(p) or (not p.by_pulses and p.transport.song_clock >= 0):  # stopped in mid bar, its first is now
        course.take_acts(p)


def _leave(p: Performer) -> tuple[str, list[Any]] | None:
    if not 0 < p.piece <= len(p.setup.pieces):
        return None
    m = p.melody
    name = p.setup.pieces[p.piece - 1].name
    kept = Kept(name, m.cycle, m.form(p.settings.length), p.piece_values())
    # What was decided and not yet applied is decided again, by the same numbers.
    moment = m.moment - m.decided * m.is_decided
    course.pause(p, p.now)
    chances = [m.seed, moment, m.draws, m.by_hand, m.passes, p.transport.playhead.advances]
    return name, [kept.save(), course.keep(p), *chances]


def _return(p: Performer, left: list[Any]) -> None:
    kept = Kept.restore(left[0])
    for name, value in kept.values.items():
        p.set_value(name, value)
    p.changed()
    m = p.melody
    m.take(kept.form)
    here, m.seed, m.moment, m.draws, m.by_hand, m.passes, p.transport.playhead.advances = left[1:]
    course.take_up(p, here)


def _from_step_one(p: Performer) -> None:
    t = p.transport
    if t.running and not p.by_pulses and t.song_clock >= 0:
        clocking.begin_here(p, t.here(), "piece")
    else:
        t.playhead.reset()
        t.ended_by, t.origin = "piece", 0
    t.keeps_form = True
    t.since_moment = t.cycles_ended = 0


def _piece(p: Performer, args: list[Any], origin: str) -> None:
    bring_in(p, args[0], False, origin)


def _as_left(p: Performer, args: list[Any], origin: str) -> None:
    bring_in(p, args[0], True, origin)


def _beside(p: Performer, by: int, origin: str) -> None:
    if not p.setup.pieces:
        raise ValueError("there are no pieces: give play a set with --set")
    number = p.piece + by
    if not 1 <= number <= len(p.setup.pieces):
        raise ValueError("this is the last piece" if by > 0 else "this is the first piece")
    bring_in(p, number, False, origin)


def _next(p: Performer, args: list[Any], origin: str) -> None:
    _beside(p, 1, origin)


def _previous(p: Performer, args: list[Any], origin: str) -> None:
    _beside(p, -1, origin)


# -- lines from outside --------------------------------------------------------


def catch(p: Performer, notes: list[int]) -> None:
    """A fellow player's last notes become the line at the next bar, home included."""
    if notes:
        acting.enqueue(p, "bar", ["act", "caught", [notes], "keyboard"])


def _caught(p: Performer, args: list[Any], origin: str) -> None:
    # What was played is what shall sound: transpositions are taken out, a note
    # outside the scale stays, free, and no rest or pass is in its way.  A note
    # outside the register is kept as it was played, so that a wider one brings
    # it back; only a free one, which no register moves, is itself folded.
    s, m = p.settings, p.melody
    shift = s.lens.sound(Step(pitch=60, free=True), s.degrees, s.semitones) - 60
    made = []
    for i, step in enumerate(m.steps):
        played = fold(args[0][i % len(args[0])] - shift, 0, TOP)
        folded = fold(played, s.lens.low, s.lens.high)
        free = folded not in s.lens.tones
        step = step._replace(
            pitch=folded if free else played, free=free, rest=max(step.rest, 0.95), pass_number=1, pass_of=1, twin=0
        )
        made.append(step._replace(rhythm=SOUND if step.rhythm == SOUND else BY_CHANCE))
    steps = tuple(made)
    unit = keeping.change_line(p, "catch", "caught from the keyboard", Form(steps, steps, s.length), {})
    m.settle(p.values["settle_new"])
    acting.done(p, "catch", f"caught {len(args[0])} notes; they are the line and its home", origin, unit)


def bring_back(p: Performer, event: BringBack) -> None:
    """Take a form from the host's store: as a snapshot on the list, or as the line when due."""
    try:
        kept = Kept.restore(event.plain["kept"])
        if len(kept.form.steps) != STEPS or len(kept.form.home) != STEPS:
            raise ValueError("not a line of 64 steps")
    except (KeyError, IndexError, TypeError, ValueError) as error:
        p.notice("refused", what=event.name, why=f"this line cannot be read: {error}", origin="host")
        return
    kept = kept._replace(name=event.name)
    if event.how == "snapshot":
        names = p.melody.snapshots
        if (at_hand := names.get(kept.name)) is not None and at_hand != kept:
            kept = kept._replace(name=keeping.free_name(p, kept.name))
        names[kept.name] = kept
        p.notice("snapshot", name=kept.name, cycle=kept.cycle, text=f"{kept.name} is on the list")
    else:
        acting.enqueue(p, event.due, ["act", "brought", [kept.save(), event.how == "back_full"], "host"])


def _brought(p: Performer, args: list[Any], origin: str) -> None:
    kept, full = Kept.restore(args[0]), args[1]
    unit = keeping.change_line(p, "back", f"back: {kept.name}", kept.form, kept.values if full else {})
    p.melody.settle(p.values["settle"])
    acting.done(p, "back", f"{kept.name} is back", origin, unit)


HANDLERS: dict[str, Any] = {
    "piece": _piece,
    "piece_as_left": _as_left,
    "next_piece": _next,
    "previous_piece": _previous,
    "caught": _caught,
    "brought": _brought,
}
