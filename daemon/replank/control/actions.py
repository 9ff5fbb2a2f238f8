"""The action table: everything a person can do, declared once.

On a command line or socket an action is written ``name:argument:argument``,
with ``@due`` behind it where it should take effect at another time than its
usual one: ``recall:blue@now``, ``redraw@4bars``, ``piece:2@bar``.  To move a
parameter is written ``gate+=0.1`` or ``length-=2``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from replank.control.parameters import PARAMETERS, find, nearest

DUES = ("now", "step", "cycle", "bar")
_BARS = re.compile(r"([1-9]\d?)bars?")
_MOVE = re.compile(r"([A-Za-z_\- ]+?) *([+-])= *(.*)", re.DOTALL)
_AMOUNT = re.compile(r"([+-]?)(\d{1,6}(?:\.\d{1,9})?|\.\d{1,9})(%?)")


@dataclass(frozen=True, slots=True)
class Action:
    """One row of the table.

    Attributes:
        name: Its name everywhere.
        takes: Arguments in words: "step", "amount", "name", "[name]" (optional) ...
        due: When it takes effect if nothing else is said.
        group: Where it stands in help and palette.
        help: One sentence for people.
        written: How it is written, where that is not its name and arguments behind colons.
    """

    name: str
    takes: tuple[str, ...]
    due: str
    group: str
    help: str
    written: str = ""


_ROWS = (
    Action("keep", ("[name]",), "now", "keep", "Stores the line as it is now, as a snapshot."),
    Action("keep_last", ("[name]",), "now", "keep", "Stores the last completed cycle as it sounded."),
    Action("recall", ("name",), "bar", "keep", "Brings a snapshot back exactly."),
    Action("recall_line", ("name",), "bar", "keep", "Brings back a snapshot's line and length only."),
    Action("forget", ("name",), "now", "keep", "Removes a snapshot from the list; undo brings it back."),
    Action("undo", (), "step", "trail", "Takes back the last change not yet taken back."),
    Action("redo", (), "step", "trail", "Makes the change again that undo took back."),
    Action("back", ("cycle",), "bar", "trail", "Brings back the line of a cycle, in tonight's key and settings."),
    Action("back_full", ("cycle",), "bar", "trail", "Brings back the line of a cycle with its key and settings."),
    Action("redraw", (), "cycle", "line", "Draws a new line over all unpinned steps."),
    Action("clear", (), "cycle", "line", "Sets every step to the root and parameters to defaults."),
    Action("mutate", (), "step", "line", "Makes one mutation at the next step, also under hold."),
    Action("go_home", (), "cycle", "line", "Restores all unpinned steps to their home."),
    Action("set_home", (), "now", "line", "Makes the line as it is now the home."),
    Action("home_from", ("name",), "now", "line", "Makes a snapshot the home, so that the line walks there."),
    Action("rotate", ("amount",), "step", "line", "Turns the visible steps by an amount, +1 is later."),
    Action("pitch", ("step", "amount"), "now", "edit", "Moves a step by scale degrees."),
    Action("semitone", ("step", "amount"), "now", "edit", "Moves a step by semitones and sets it free."),
    Action("note", ("step", "note"), "now", "edit", "Gives a step a pitch; free where it is outside the scale."),
    Action("flip", ("step",), "now", "edit", "Turns what is heard into its opposite: note to rest, rest to note."),
    Action("rest", ("step", "state"), "now", "edit", "Sets a step's rhythm: chance, rest, sound."),
    Action("accent", ("step", "[state]"), "now", "edit", "Sets a step's accent: on, off, chance; without, turns it."),
    Action("velocity", ("step", "amount"), "now", "edit", "Changes a step's velocity roll by -1 to 1."),
    Action("link", ("step", "[state]"), "now", "edit", "Sets a step's link: none, slide, tie, chance; without, the next."),
    Action("ratchet", ("step", "count"), "now", "edit", "Sets how often a step strikes, 1 to 4."),
    Action("pass", ("step", "pass"), "now", "edit", "Lets a step sound only on one pass of every so many.",
           "pass:STEP:1of4"),
    Action("pin", ("step", "[state]"), "now", "edit", "Protects a step from mutation; again gives it back."),
    Action("pin_all", ("[state]",), "now", "edit", "Pins or unpins every visible step."),
    Action("to_chance", ("step",), "now", "edit", "Gives a step's forced states back to chance."),
    Action("all_to_chance", (), "now", "edit", "Gives all forced states back to chance."),
    Action("select", ("step",), "now", "edit", "Chooses the step that the keyboard writes."),
    Action("hold", ("[state]",), "now", "play", "Stops all mutation; again lets it go on."),
    Action("mute", ("[state]",), "now", "play", "Stops striking notes; again goes on."),
    Action("join", (), "bar", "play", "Joins in as though Start had come."),
    Action("end", (), "cycle", "play", "Plays the cycle out, then the root once, then mutes."),
    Action("cut", (), "now", "play", "Silence now."),
    Action("answer", ("[sound]", "[silent]"), "bar", "play", "Sounds n bars, is silent m bars; without, off."),
    Action("panic", (), "now", "play", "Releases everything; a second press within 3 s, all 16 channels."),
    Action("reset", (), "now", "play", "The next step is the first."),
    Action("realign", (), "bar", "play", "Returns the line to step 1 and counts from there."),
    Action("downbeat", (), "now", "play", "The nearest clock is bar 1, beat 1, step 1."),
    Action("nudge", ("amount",), "now", "play", "Moves the playhead by steps."),
    Action("start", (), "now", "clock", "Starts the internal clock from the top."),
    Action("stop", (), "now", "clock", "Stops the internal clock."),
    Action("continue", (), "now", "clock", "Lets the internal clock go on."),
    Action("tap", (), "now", "clock", "Tap the tempo of the internal clock, twice or more."),
    Action("ramp", ("parameter", "value", "bars"), "now", "shape", "Moves a parameter to a value over bars."),
    Action("toggle", ("parameter",), "now", "shape", "Turns an on-off parameter."),
    Action("adjust", ("parameter", "amount"), "now", "shape", "Moves a parameter by an amount or list places.",
           "PARAMETER+=AMOUNT"),
    Action("cancel", ("[name]",), "now", "shape", "Cancels what waits and every ramp; with a name that one, or plan."),
    Action("piece", ("piece",), "bar", "set", "Brings in a piece as prepared, by number or name."),
    Action("piece_as_left", ("piece",), "bar", "set", "Brings in a piece as it was left."),
    Action("next_piece", (), "bar", "set", "Brings in the next piece of the set."),
    Action("previous_piece", (), "bar", "set", "Brings in the piece before."),
    Action("goto", ("minutes",), "now", "set", "Moves the piece to a time, for its arcs and its plan."),
    Action("star", ("[text]",), "now", "show", "Marks this moment in the show."),
    Action("name_show", ("text",), "now", "show", "Names the show."),
    Action("keyboard", ("mode",), "now", "keyboard", "What the keyboard does: transpose, root, write, catch, off."),
    Action("tuning_note", ("[note]", "[velocity]", "[voice]"), "now", "tune", "Holds a note for tuning; again, or Start, ends it."),
)  # fmt: skip

ACTIONS: dict[str, Action] = {row.name: row for row in _ROWS}
"""Every action by name, in the order in which people read them."""


PLANNED = ("recall", "recall_line", "redraw", "go_home", "set_home", "end", "answer", "next_piece", "ramp")
"""The actions that the plan of a piece may hold; values may stand there too."""


def find_action(name: str) -> Action:
    """Return the action of a name.

    Raises:
        ValueError: No such action; the message names the nearest one.
    """
    row = ACTIONS.get(name)
    if row is None:
        known = (*ACTIONS, "NAME+=AMOUNT")
        raise ValueError(f"there is no action {name!r}{nearest(name, known)}")
    return row


def split_action(word: str) -> tuple[str, tuple[str, ...], str]:
    """Take a written action apart into name, arguments and due.

    ``gate-=0.1`` is the action adjust with gate and -0.1.  Due is empty where the word names none.  The last argument of an action
    that takes a name or text may hold colons.

    Raises:
        ValueError: No such action, or the wrong number of arguments, or a bad due.
    """
    if is_move(word):
        return _split_move(word)
    body, at, due = word.rpartition("@")
    if not at:
        body, due = word, ""
    name, *rest = body.split(":")
    if "=" in name:
        _refuse_value(name)
    row = find_action(name)
    if row.written and ":" not in row.written:
        raise ValueError(f"{name} is written {row.written}")
    if due and row.takes and row.takes[-1].strip("[]") == "text" and not _is_due(due):
        rest, due = word.split(":")[1:], ""  # an @ of the text itself
    elif due:
        due = check_due(due)
    most = len(row.takes)
    if most and len(rest) > most and row.takes[-1].strip("[]") in ("name", "text", "piece"):
        rest = [*rest[: most - 1], ":".join(rest[most - 1 :])]
    least = sum(1 for word in row.takes if not word.startswith("["))
    if not least <= len(rest) <= most:
        raise ValueError(f"{name} is written {usage(row)}")
    return name, tuple(rest), due


def is_move(word: str) -> bool:
    """Tell whether a word moves a parameter: ``gate+=0.1``, ``length-=2``."""
    return _MOVE.fullmatch(word) is not None


def _split_move(word: str) -> tuple[str, tuple[str, ...], str]:
    body, at, due = word.partition("@")
    found = _MOVE.fullmatch(body)
    assert found is not None
    row = find(found[1].strip().replace("-", "_"))
    amount = _AMOUNT.fullmatch(found[3].strip())
    if amount is None:
        raise ValueError(f"{row.name}{found[2]}=: {found[3].strip()!r} is not a number such as 0.1 or 2")
    number = amount[2]
    if amount[3]:
        if row.kind != "float" or row.high != 1:
            raise ValueError(f"{row.name} is not a chance: write a number without %")
        number = f"{float(number) / 100:.9f}".rstrip("0").rstrip(".")
    sign = "-" if (amount[1] == "-") != (found[2] == "-") else ""
    return "adjust", (row.name, sign + number), check_due(due) if at else ""


def _refuse_value(word: str) -> None:
    name, _, value = word.partition("=")
    if name.strip() in PARAMETERS and value.strip().startswith("+"):
        text = value.strip()[1:]
        raise ValueError(f"{word} can be read in two ways: {name}={text} sets it, {name}+={text} moves it")
    raise ValueError(f"{word} is not an action; an action moves a parameter with += or -=")


def written(name: str, args: tuple[str, ...]) -> str:
    """Return an action as `split_action` reads it, without a due."""
    if name == "adjust":
        parameter, amount = args
        return f"{parameter}-={amount[1:]}" if amount.startswith("-") else f"{parameter}+={amount.removeprefix('+')}"
    return ":".join((name, *args))


def _is_due(text: str) -> bool:
    try:
        check_due(text)
    except ValueError:
        return False
    return True


def check_due(due: str) -> str:
    """Return a due in its one spelling: now, step, cycle, bar, 1bars to 64bars.

    Raises:
        ValueError: Not a due.
    """
    word = due.strip().lower().replace(" ", "")
    if word in DUES:
        return word
    found = _BARS.fullmatch(word)
    if found is None or not 1 <= int(found[1]) <= 64:
        raise ValueError(f"{due!r} is not a due: now, step, cycle, bar, or 2bars to 64bars")
    return f"{int(found[1])}bars"


def beginning(row: Action) -> str:
    """Return what an action with arguments begins with where somebody types it on: ``pitch:``."""
    return "" if row.written and ":" not in row.written else f"{row.name}:"


def when_words(due: str) -> str:
    """Return a due as people read it, e.g. ``in 4 bars``."""
    if due.endswith("bars"):
        return f"in {due[:-4]} bars"
    return "where both divisions meet" if due == "boundary" else f"at the next {due}"


def usage(row: Action) -> str:
    """Return how an action is written, e.g. ``pitch:STEP:AMOUNT``."""
    if row.written:
        return row.written
    text = row.name
    for word in row.takes:
        text += f"[:{word.strip('[]').upper()}]" if word.startswith("[") else f":{word.upper()}"
    return text
