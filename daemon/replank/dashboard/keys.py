"""The key table: which key does what, and where; footer, help and palette read it.

A command is what `replank send` takes (``undo``, ``nudge:-1``), or one of the
dashboard's own, written with a slash (``/page:history``).  ``{step}`` stands
for the chosen step.  A command that ends in a colon asks for the rest.
"""

from __future__ import annotations

from dataclasses import dataclass

from replank.control.actions import ACTIONS


@dataclass(frozen=True, slots=True)
class Key:
    """One row.

    Attributes:
        key: Textual's name of the key.
        label: How the key is written on screen.
        command: What it does.
        text: Two or three words for the footer; "" joins the key to the one before.
        where: Page on which it holds; "" everywhere, "step" with a chosen step.
    """

    key: str
    label: str
    command: str
    text: str
    where: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its name, its word in the footer, and a sentence."""

    name: str
    title: str
    help: str


PAGES = (
    Page("line", "line", "The line as a contour, what happens, and the main facts."),
    Page("shape", "shape", "Every parameter, with its control."),
    Page("history", "history", "The last cycles as a picture; bring one back."),
    Page("health", "health", "Clock, ports, processes, disk: what is well and what is not."),
    Page("kept", "kept", "Snapshots: browse and bring back."),
    Page("set", "set", "The pieces of the set, planned and left minutes."),
    Page("doing", "do", "Every action."),
    Page("far", "far", "Few facts, very large."),
    Page("help", "help", "Keys and marks."),
)

OWN: dict[str, str] = {
    "/page": "Opens a page.",
    "/far": "Far view, and back.",
    "/step": "Chooses a step for editing.",
    "/step_by": "Chooses the next step or the one before.",
    "/unselect": "Ends step editing.",
    "/recall": "Brings a snapshot back, whatever its name.",
    "/ask": "Asks for a parameter (name=value) or an action.",
    "/due": "When the next action takes effect; again for the next choice.",
    "/guard": "Key guard: only mute, panic and keep stay.",
    "/calm": "Calm mode: no motion.",
    "/ground": "Dark or light ground.",
    "/way": "Long lines: page along, stay put, or the whole line.",
    "/palette": "Search every action and parameter.",
    "/move": "Moves the marker in a list.",
    "/enter": "Does what the marked row offers.",
    "/nudge": "Moves the marked parameter.",
    "/reset": "Sets the marked parameter to its default.",
    "/quit": "Closes the dashboard; the line plays on.",
}
"""The dashboard's own commands and what they do."""

GUARDED = ("mute", "panic", "keep", "/guard")
"""What the key guard lets through."""

_ROWS = (
    *(Key(str(at), str(at), f"/page:{page.name}", page.title) for at, page in enumerate(PAGES[:-1], 1)),
    Key("question_mark", "?", "/page:help", "help"),
    Key("m", "m", "mute", "mute"),
    Key("p", "p", "panic", "panic"),
    Key("k", "k", "keep", "keep"),
    Key("K", "K", "keep_last", "keep last"),
    Key("u", "u", "undo", "undo"),
    Key("U", "U", "redo", "redo"),
    Key("h", "h", "hold", "hold"),
    Key("c", "c", "mutate", "mutate"),
    Key("g", "g", "go_home", "go home"),
    Key("G", "G", "set_home", "home is this"),
    Key("w", "w", "redraw", "draw anew"),
    Key("e", "e", "end", "end"),
    Key("x", "x", "cut", "cut"),
    Key("r", "r", "join", "join"),
    Key("n", "n", "next_piece", "next piece"),
    Key("N", "N", "previous_piece", "piece before"),
    Key("s", "s", "star", "star"),
    Key("t", "t", "tap", "tap tempo"),
    Key("S", "S", "start", "start clock"),
    Key("X", "X", "stop", "stop clock"),
    Key("C", "C", "continue", "clock goes on"),
    Key("o", "o", "downbeat", "downbeat"),
    Key("z", "z", "reset", "to step 1"),
    Key("Z", "Z", "realign", "realign"),
    Key("comma", ",", "nudge:-1", "playhead back"),
    Key("full_stop", ".", "nudge:1", "playhead on"),
    Key("less_than_sign", "<", "rotate:-1", "rotate earlier"),
    Key("greater_than_sign", ">", "rotate:1", "rotate later"),
    Key("P", "P", "pin_all", "pin all"),
    Key("Y", "Y", "all_to_chance", "all to chance"),
    Key("W", "W", "clear", "clear"),
    Key("A", "A", "answer:", "answer n:m"),
    Key("backspace", "⌫", "cancel", "cancel waiting"),
    Key("at", "@", "/due", "when"),
    Key("colon", ":", "/ask", "type it"),
    Key("f", "f", "/far", "far view"),
    Key("ctrl+l", "^l", "/guard", "guard"),
    Key("ctrl+n", "^n", "/calm", "calm"),
    Key("ctrl+t", "^t", "/ground", "dark, light"),
    Key("ctrl+o", "^o", "/way", "long lines"),
    Key("ctrl+p", "^p", "/palette", "search"),
    Key("q", "q", "/quit", "close"),
    Key("ctrl+q", "^q", "/quit", "close"),
    Key("left", "←", "/step_by:-1", "step before", "line"),
    Key("right", "→", "/step_by:1", "next step", "line"),
    Key("left", "←", "/step_by:-1", "step", "step"),
    Key("right", "→", "/step_by:1", "", "step"),
    Key("up", "↑", "pitch:{step}:+1", "degree", "step"),
    Key("down", "↓", "pitch:{step}:-1", "", "step"),
    Key("enter", "enter", "flip:{step}", "flip", "step"),
    Key("a", "a", "accent:{step}", "accent", "step"),
    Key("i", "i", "pin:{step}", "pin", "step"),
    Key("l", "l", "link:{step}", "link", "step"),
    Key("plus", "+", "velocity:{step}:0.1", "velocity", "step"),
    Key("minus", "-", "velocity:{step}:-0.1", "", "step"),
    Key("left_square_bracket", "[", "semitone:{step}:-1", "semitone", "step"),
    Key("right_square_bracket", "]", "semitone:{step}:+1", "", "step"),
    Key("R", "R", "ratchet:{step}:{ratchet}", "ratchet", "step"),
    Key("T", "T", "pass:{step}:", "pass", "step"),
    Key("b", "b", "note:{step}:", "note by name", "step"),
    Key("y", "y", "to_chance:{step}", "back to chance", "step"),
    Key("v", "v", "select:{step}", "keyboard writes", "step"),
    Key("escape", "esc", "/unselect", "done", "step"),
    *(
        Key(key, label, command, text, where)
        for where in ("shape", "history", "health", "kept", "set", "doing", "help")
        for key, label, command, text in (
            ("up", "↑", "/move:-1", "up"), ("down", "↓", "/move:1", "down"),
            ("pageup", "pgup", "/move:-10", "up 10"), ("pagedown", "pgdn", "/move:10", "down 10"),
        )
    ),
    Key("left", "←", "/nudge:-1", "less, more", "shape"),
    Key("right", "→", "/nudge:1", "", "shape"),
    Key("left_square_bracket", "[", "/nudge:-5", "much", "shape"),
    Key("right_square_bracket", "]", "/nudge:5", "", "shape"),
    Key("enter", "enter", "/enter", "type a value", "shape"),
    Key("d", "d", "/reset", "default", "shape"),
    Key("a", "a", "/enter:ramp", "ramp", "shape"),
    Key("enter", "enter", "/enter", "bring it back", "history"),
    Key("b", "b", "/enter:back_full", "with key and settings", "history"),
    Key("enter", "enter", "/enter", "bring it back", "kept"),
    Key("l", "l", "/enter:recall_line", "line only", "kept"),
    Key("b", "b", "/enter:home_from", "make it home", "kept"),
    Key("delete", "del", "/enter:forget", "forget", "kept"),
    Key("enter", "enter", "/enter", "bring it in", "set"),
    Key("l", "l", "/enter:piece_as_left", "as it was left", "set"),
    Key("enter", "enter", "/enter", "do it", "doing"),
)  # fmt: skip

KEYS: tuple[Key, ...] = _ROWS
DUES = ("", "now", "step", "cycle", "bar", "2bars", "4bars", "8bars")
"""What the key `@` walks; empty is the action's usual time."""


def find_key(key: str, where: tuple[str, ...]) -> Key | None:
    """Return the row of a key in the first of the places that has one."""
    for place in where:
        for row in KEYS:
            if row.key == key and row.where == place:
                return row
    return None


def key_of(command: str) -> str:
    """Return the label of the key that gives an action everywhere, or nothing."""
    name = command.split(":")[0]
    for row in KEYS:
        if row.command.split(":")[0] == name and row.where in ("", "step"):
            return row.label
    return ""


def help_of(row: Key) -> str:
    """Return the sentence of what a key does, from the table it stands in."""
    name = row.command.split(":")[0]
    if name == "/page":
        return next(page.help for page in PAGES if f"/page:{page.name}" == row.command)
    return OWN[name] if name in OWN else ACTIONS[name].help
