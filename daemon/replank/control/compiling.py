"""From what a profile file says to the compiled profile, all mistakes in one go.

Input is plain data as a YAML reader leaves it: dicts, lists and text (numbers
and truth values are taken too).  Every mistake carries the path of its place,
so that a file reader can add line and column.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from replank.control.actions import ACTIONS, split_action
from replank.control.clashes import clashes
from replank.control.curves import CURVES
from replank.control.parameters import Parameter, find, parse
from replank.control.plain import BadProfile, Path, PlainReader
from replank.control.profile_keys import CONTROL_KEYS, FEEDBACK_KEYS, FORMAT, STEPS_KEYS, TARGET_KEYS, TOP_KEYS
from replank.control.profiles import MOST_TARGETS, RELATIVE, TAKEOVER, Control, Profile, Source, Target
from replank.control.sources import LAST_CC, read_source

__all__ = ["BadProfile", "compile_profile"]

MOST_CONTROLS = 256
_EDIT_AMOUNT = {"pitch": 1.0, "semitone": 1.0, "velocity": 0.05}
_PUSHES = tuple(
    name
    for name, row in ACTIONS.items()
    if row.takes[:1] == ("step",) and all(word.startswith("[") for word in row.takes[1:])
)


def compile_profile(plain: Any, scales: Iterable[str] = (), middle_c: int = 4) -> Profile:
    """Return the compiled profile.

    Args:
        plain: What the file says.
        scales: Names of further scales that the rig declares.
        middle_c: Octave number of note 60, for note names.

    Raises:
        BadProfile: With every mistake (a ValueError).
    """
    compiler = _Compiler(tuple(scales), middle_c)
    profile = compiler.profile(plain)
    if compiler.wrongs:
        raise BadProfile(compiler.wrongs)
    return profile


class _Compiler(PlainReader):
    def __init__(self, scales: tuple[str, ...], middle_c: int) -> None:
        super().__init__()
        self.scales, self.middle_c = scales, middle_c
        self.places: list[Path] = []
        self.rows: list[str] = []
        self.channel, self.send = 0, "none"

    # -- the file -------------------------------------------------------------------------------

    def profile(self, plain: Any) -> Profile:
        rows = self.mapping(plain, (), TOP_KEYS, "a profile")
        if isinstance(plain, dict) and "profile" not in plain:
            self.refuse((), f"a profile begins with 'profile: {FORMAT}'")
        elif self.text(rows, "profile", ()) != str(FORMAT):
            self.refuse(("profile",), f"this program reads profiles of format {FORMAT}")
        self.channel = self.on_channel(rows, (), 0)
        feedback: Path = ("feedback",)
        back = self.mapping(rows.get("feedback", {}), feedback, FEEDBACK_KEYS, "feedback")
        self.send = self.choice(back, "send", feedback, ("same", "none"), "none")
        controls: list[Control] = []
        for number, row in enumerate(self.items(rows.get("controls", []), ("controls",))[:MOST_CONTROLS]):
            path: Path = ("controls", number)
            control = self.control(row, path)
            if control is not None:
                controls.append(control)
                self.places.append(path)
        for number, row in enumerate(self.items(rows.get("steps", []), ("steps",))[:8]):
            path = ("steps", number)
            for control in self.step_row(row, path):
                controls.append(control)
                self.places.append(path)
        if not controls and not self.wrongs:
            self.refuse((), "there are no controls")
        if len(controls) > MOST_CONTROLS:
            self.refuse((), f"there are more than {MOST_CONTROLS} controls")
        shared = {" ".join(str(word).lower().split()) for word in self.items(rows.get("shared", []), ("shared",))}
        self.wrongs += clashes(controls, self.places, shared)
        return Profile(
            title=self.text(rows, "title", (), "untitled box", 64),
            about=self.text(rows, "about", (), "", 400),
            controls=tuple(controls),
            sends_back=self.switch(back, "sends_back", feedback, True),
            every_ms=self.number(back, "every_ms", feedback, 1, 1000, 20),
            rows=tuple(self.rows),
        )

    def row_number(self, title: str) -> int:
        if title not in self.rows:
            self.rows.append(title)
        return self.rows.index(title)

    # -- controls -------------------------------------------------------------------------------

    def source(self, rows: dict[str, Any], name: str, path: Path, channel: int) -> Source | None:
        try:
            return read_source(self.text(rows, name, path), channel, self.middle_c)
        except ValueError as error:
            self.refuse((*path, name), f"{name}: {error}")
            return None

    def control(self, plain: Any, path: Path) -> Control | None:
        rows = self.mapping(plain, path, CONTROL_KEYS, "a control")
        if "sends" not in rows:
            self.refuse(path, "a control needs 'sends', the message that it sends")
            return None
        source = self.source(rows, "sends", path, self.on_channel(rows, path, self.channel))
        if source is None:
            return None
        relative = self.choice(rows, "relative", path, RELATIVE)
        if relative and source.kind != "cc":
            self.refuse((*path, "relative"), "an encoder sends a 7-bit cc")
        targets = self.targets(rows, path, source, relative)
        is_press = source.kind in ("note", "program")
        title = (
            "buttons" if is_press or not any(t.how == "move" for t in targets) else "encoders" if relative else "knobs"
        )
        if "turn" in rows and not is_press:
            title = "encoders" if relative else "knobs"
        usual = 3.0 if relative and any(t.detents >= 100 for t in targets) else 0.0
        made = Control(
            label=self.text(rows, "label", path, source.words, 40),
            source=source,
            relative=relative,
            acceleration=self.number(rows, "acceleration", path, 0, 15, usual),
            bits=self.whole(rows, "bits", path, 7, 14, 14),
            targets=targets,
            turn=self.action(rows, "turn", path, "*"),
            amount=self.number(rows, "amount", path, -100, 100, 1),
            press=self.action(rows, "does", path, "*" if source == source._replace(kind="program", number=-1) else ""),
            on_release=self.action(rows, "on_release", path, ""),
            latching=self.switch(rows, "latching", path),
            feedback=self.feedback(rows, path, source),
            lit=self.whole(rows, "lit", path, 0, 127, 127),
            unlit=self.whole(rows, "unlit", path, 0, 127, 0),
            row=self.row_number(self.text(rows, "row", path, title, 40)),
        )
        self.fits(made, path, rows)
        does_something = set(rows) & {"moves", "toggles", "while_held", "chooses", "does", "turn"}
        if not does_something and set(plain) <= set(CONTROL_KEYS):
            self.refuse(path, "a control needs one of: moves, toggles, while_held, chooses, does, turn")
        return made

    def fits(self, control: Control, path: Path, rows: dict[str, Any]) -> None:
        """Refuse what the kind of control cannot do."""
        kind = control.source.kind
        moves = any(target.how == "move" for target in control.targets)
        if (moves or control.turn) and control.is_button:
            self.refuse(
                path, "one control is turned or pressed, not both; a push that is a message of its own is a control"
            )
        if (moves or control.turn) and kind == "note":
            self.refuse(path, "a note is pressed; it cannot move a parameter (toggles, while_held, chooses, does)")
        if (
            (control.is_button or control.turn)
            and kind == "program"
            and (control.source.number < 0)
            and not control.press
        ):
            self.refuse(path, "'program' without a number chooses: does: piece:*, or moves with raw: yes")
        if moves and kind == "program" and control.source.number >= 0:
            self.refuse(path, f"{control.source.written} is one press; write 'program' to follow its number")
        if control.is_button and (control.relative or kind == "bend"):
            self.refuse(path, "an encoder or a bend is turned; it cannot be pressed")
        if control.bits not in (7, 14) or ("bits" in rows and kind not in ("nrpn", "rpn")):
            self.refuse((*path, "bits"), "bits is 7 or 14, of nrpn and rpn")

    def action(self, rows: dict[str, Any], name: str, path: Path, star: str) -> str:
        word = self.text(rows, name, path)
        if not word:
            return ""
        try:
            split_action(word.replace("*", "1"))
        except ValueError as error:
            self.refuse((*path, name), f"{name}: {error}")
            return ""
        if ("*" in word) != bool(star):
            self.refuse((*path, name), f"{name}: {'* must stand' if star else '* cannot stand'} for an amount here")
            return ""
        return word

    def feedback(self, rows: dict[str, Any], path: Path, source: Source) -> Source | None:
        word = self.text(rows, "feedback", path, self.send)
        can = source.kind in ("cc", "cc14", "note")
        if word == "none" or (word == "same" and "feedback" not in rows and not can):
            return None
        if word == "same":
            if not can:
                self.refuse((*path, "feedback"), f"{source.kind} cannot be sent back; name a cc or a note")
            return source._replace(kind="cc") if source.kind == "cc14" else source
        shown = self.source(rows, "feedback", path, source.channel)
        if shown is not None and shown.kind not in ("cc", "note"):
            self.refuse((*path, "feedback"), "feedback is a cc or a note")
            return None
        return shown

    def targets(self, rows: dict[str, Any], path: Path, source: Source, relative: str) -> tuple[Target, ...]:
        made: list[Target] = []
        shared_keys = {key: value for key, value in rows.items() if key in TARGET_KEYS}
        if "moves" in rows:
            many = rows["moves"] if isinstance(rows["moves"], list) else [rows["moves"]]
            if len(many) > MOST_TARGETS:
                self.refuse((*path, "moves"), f"one control moves at most {MOST_TARGETS} parameters")
            for number, one in enumerate(many[:MOST_TARGETS]):
                at: Path = (*path, "moves", number) if isinstance(rows["moves"], list) else (*path, "moves")
                keys = self.mapping(one, at, TARGET_KEYS, "a parameter of a control") if isinstance(one, dict) else None
                if keys is None:
                    target = self.target({**shared_keys, "parameter": one}, path, at, "move", source, relative)
                else:
                    target = self.target({**shared_keys, **keys}, at, at, "move", source, relative)
                if target is not None and target.parameter in [t.parameter for t in made]:
                    self.refuse(at, f"{target.parameter} is named twice")
                elif target is not None:
                    made.append(target)
        for key, how in (("toggles", "toggle"), ("while_held", "hold"), ("chooses", "choose")):
            if key in rows:
                target = self.target({**shared_keys, "parameter": rows[key]}, path, (*path, key), how, source, relative)
                if target is not None:
                    made.append(target)
        return tuple(made)

    def target(
        self, rows: dict[str, Any], path: Path, at: Path, how: str, source: Source, relative: str
    ) -> Target | None:
        """Read one target; `path` is where its keys stand, `at` where its parameter's name stands."""
        try:
            row = find(str(rows.get("parameter", "")))
        except ValueError as error:
            self.refuse(at, str(error))
            return None
        if row.kind == "seed":
            self.refuse(at, f"{row.name} cannot be on a control")
            return None
        if how in ("toggle", "hold") and row.kind != "bool":
            self.refuse(at, f"{row.name} is not on or off; a button can choose one of its values")
        values = self.values(rows, row, path, how)
        low, high = self.ends(rows, row, path)
        if self.switch(rows, "inverted", path):
            low, high = high, low
        if row.is_list and "curve" in rows:
            self.refuse((*path, "curve"), f"{row.name} is a list; a curve is for numbers")
        usual = (
            "jump"
            if relative or source.kind in ("bend", "pressure", "program")
            else "pickup"
            if row.is_list
            else "scaled"
        )
        span = abs(high - low)
        return Target(
            parameter=row.name,
            how=how,
            low=low,
            high=high,
            curve=self.choice(rows, "curve", path, CURVES, "linear"),
            values=values,
            takeover=self.choice(rows, "takeover", path, TAKEOVER, usual),
            raw=self.switch(rows, "raw", path) or source.kind == "program",
            detents=self.number(
                rows, "detents", path, 1, 16384, 100 if row.kind == "float" or row.is_list else max(span, 1)
            ),
        )

    def values(self, rows: dict[str, Any], row: Parameter, path: Path, how: str) -> tuple[str, ...]:
        if "values" not in rows:
            if how == "choose":
                self.refuse(path, f"a button that chooses {row.name} needs 'values'")
            return ()
        if how != "choose" and not row.is_list:
            self.refuse((*path, "values"), f"{row.name} is a number; it has a range (from, to), not values")
            return ()
        made = []
        plain = rows["values"]
        for number, word in enumerate(self.items(plain, (*path, "values"))[:64]):
            if isinstance(word, bool):
                word = "on" if word else "off"
            try:
                value = parse(row.name, _unsigned(row, str(word)), self.middle_c, self.scales)
            except ValueError as error:
                self.refuse((*path, "values", number), str(error))
                continue
            made.append(("on" if value else "off") if isinstance(value, bool) else str(value))
        if not made and isinstance(plain, list) and not plain:
            self.refuse((*path, "values"), "values is empty")
        return tuple(made)

    def ends(self, rows: dict[str, Any], row: Parameter, path: Path) -> tuple[float, float]:
        if row.is_list:
            for key in ("from", "to"):
                if key in rows:
                    self.refuse((*path, key), f"{row.name} is a list; name its 'values' instead of a range")
            return 0.0, 1.0
        ends = [row.low, row.high]
        for which, key in enumerate(("from", "to")):
            if key in rows:
                try:
                    ends[which] = float(parse(row.name, _unsigned(row, self.text(rows, key, path)), self.middle_c))
                except ValueError as error:
                    self.refuse((*path, key), str(error))
        if ends[0] == ends[1]:
            self.refuse(path, f"{row.name}: from and to are the same")
            return row.low, row.high
        return ends[0], ends[1]

    # -- rows of steps --------------------------------------------------------------------------

    def step_row(self, plain: Any, path: Path) -> list[Control]:
        rows = self.mapping(plain, path, STEPS_KEYS, "a row of steps")
        channel = self.on_channel(rows, path, self.channel)
        first = self.whole(rows, "first", path, 1, 64, 1)
        count = self.whole(rows, "count", path, 1, 64, min(16, 65 - first))
        if first + count > 65:
            self.refuse(path, f"steps {first} to {first + count - 1}: a line has 64")
            return []
        relative = self.choice(rows, "relative", path, RELATIVE)
        edit = self.choice(rows, "edit", path, tuple(_EDIT_AMOUNT), "pitch")
        push = self.choice(rows, "push", path, _PUSHES, "flip")
        made: list[Control] = []
        if "encoders" in rows and not relative:
            self.refuse(path, f"encoders need 'relative': {', '.join(RELATIVE)}")
        if "knobs" in rows and (relative or "encoders" in rows):
            self.refuse((*path, "knobs"), "a row is encoders (with 'relative') or knobs (without)")
        acceleration = self.number(rows, "acceleration", path, 0, 15, 0)
        turned = "encoders" if "encoders" in rows else "knobs"
        if turned in rows:
            title = f"{turned} · {edit} of steps {first} to {first + count - 1}"
            for step, source in self.row_of(rows, turned, path, channel, first, count, ("cc",)):
                control = Control(f"step {step}", source, relative, acceleration, turn=f"{edit}:{step}:*")
                made.append(replace(control, amount=_EDIT_AMOUNT[edit], step=step, row=self.row_number(title)))
        if "pushes" in rows:
            title = f"pushes · {push} of steps {first} to {first + count - 1}"
            for step, source in self.row_of(rows, "pushes", path, channel, first, count, ("note", "cc")):
                shown = self.feedback(rows, path, source)
                control = Control(f"push {step}", source, press=f"{push}:{step}", feedback=shown, step=step)
                lit, unlit = self.whole(rows, "lit", path, 0, 127, 127), self.whole(rows, "unlit", path, 0, 127, 0)
                accent = self.whole(rows, "lit_accent", path, 0, 127, lit)
                made.append(replace(control, lit=lit, unlit=unlit, lit_accent=accent, row=self.row_number(title)))
        if not made and not self.wrongs:
            self.refuse(path, "a row of steps needs encoders, knobs or pushes")
        return made

    def row_of(
        self, rows: dict[str, Any], key: str, path: Path, channel: int, first: int, count: int, kinds: tuple[str, ...]
    ) -> list[tuple[int, Source]]:
        source = self.source(rows, key, path, channel)
        if source is None:
            return []
        top = LAST_CC if source.kind == "cc" else 127
        if source.kind not in kinds:
            self.refuse((*path, key), f"{key} send {' or '.join(kinds)}")
        elif source.number + count - 1 > top:
            self.refuse((*path, key), f"{key} {source.number} to {source.number + count - 1}: the last is {top}")
        else:
            return [(first + n, source._replace(number=source.number + n)) for n in range(count)]
        return []


def _unsigned(row: Parameter, text: str) -> str:
    """Return a number without its plus: in a file nothing is moved, +5 is 5."""
    return text.removeprefix("+") if row.kind in ("int", "float") else text
