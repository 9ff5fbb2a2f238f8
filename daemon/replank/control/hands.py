"""What the hands on the knob boxes ask for.

`Hands` turns the messages of all boxes into intents; the performer carries
them out.  It reads no clock: every call brings the time in ns, and
`next_deadline` says when `fire` has something to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from replank.control.asking import Asking, Intent, Values
from replank.control.decoding import SETTLE_NS, Decoder, Heard, clicks
from replank.control.driving import Drive, Lists, choice_value, word_value, words_of
from replank.control.guards import Guards
from replank.control.knobs import Knob
from replank.control.parameters import Value
from replank.control.profiles import Profile
from replank.control.setup import Input

__all__ = ["Hands", "Intent"]

FAST_NS = 60_000_000
"""Clicks of an encoder closer than this, in ns, are accelerated."""
TURN_CLICKS = 24.0
"""Clicks that a knob with ends is worth in a `turn` action, end to end."""
_ON = 64


class Hands:
    """All boxes.

    Args:
        profiles: Compiled profiles by name.
        inputs: As in `Setup.inputs`; those with a known profile are read,
            whatever their role, others are ignored.

    Attributes:
        watches_steps: True where a box shows steps by the very message that
            edits them: then `steps_heard` must be called.
    """

    def __init__(self, profiles: dict[str, Profile], inputs: tuple[Input, ...]) -> None:
        self._names = [one.name for one in inputs]
        self._profiles = {port: profiles[one.profile] for port, one in enumerate(inputs) if one.profile in profiles}
        self._decoders = {port: Decoder(profile) for port, profile in self._profiles.items()}
        self._knobs = {
            (port, index): Knob(control)
            for port, profile in self._profiles.items()
            for index, control in enumerate(profile.controls)
        }
        self._asking = Asking()
        self._guards = Guards(self._knobs, self._profiles)
        self.watches_steps = self._guards.watches_steps
        self._positions = {port: self._find_positions(port, decoder) for port, decoder in self._decoders.items()}
        self._now = 0
        self._lists: Lists = {}
        self._expected = 0  # intents of the present call whose feedback is expected already

    # -- what the performer calls ---------------------------------------------------------------

    def message(self, port: int, data: bytes, now: int, values: Values, lists: Lists) -> list[Intent]:
        """Take one complete MIDI message of input `port`; return what it asks for, due things first."""
        out = self.fire(now, values, lists)
        positions = self._positions.get(port)
        if positions and len(data) == 3 and (found := positions.get(data[0] << 8 | data[1])) and data[2] < 0x80:
            for key, knob in found:
                self._position(key, knob, data[2], self._now)
            if out:
                self._expect_new(self._now)
            return out
        decoder = self._decoders.get(port)
        if decoder is None:
            return out
        for heard in decoder.decode(data):
            settling = ("settle", port, heard.control)
            if heard.settled:
                self._asking.drop(settling)
                self._hear(port, heard, self._now)
            elif self._asking.waits(settling):
                self._asking.replace(settling, heard.raw)
            else:
                self._asking.wait(settling, self._now + SETTLE_NS, heard.raw)
        if out:
            self._expect_new(self._now)
        return out

    def next_deadline(self) -> int | None:
        """Return the ns at which `fire` is due, or None."""
        return self._asking.next_deadline()

    def fire(self, now: int, values: Values, lists: Lists) -> list[Intent]:
        """Return everything that was due at or before `now`, in order."""
        asking = self._asking
        self._lists, asking.values = lists, values
        out: list[Intent] = []
        asking.out, self._expected = out, 0
        if now < self._now:
            now = self._now
        while (due := asking.take(now)) is not None:
            key, deadline, payload = due
            self._now = max(self._now, deadline)
            self._fire_one(key, payload, self._now)
            self._expect_new(self._now)
        self._now = now
        return out

    def begin(self, now: int, values: Values | None = None, lists: Lists | None = None) -> None:
        """Say that all boxes are about to be shown everything, which they may send back."""
        self._lists, self._asking.values = lists or {}, values or {}
        for port in self._profiles:
            self._guards.all_shown(port, now, self._asking.values, self._lists)

    def forget_positions(self, port: int, now: int | None = None) -> None:
        """Take input `port`'s box as new: its first movements teach, what it had begun to say is void."""
        if port in self._profiles:
            self._decoders[port] = Decoder(self._profiles[port])
            at = self._now if now is None else now
            self._guards.all_shown(port, at, self._asking.values, self._lists)
        self._asking.drop_settling(port)
        for (of, _), knob in self._knobs.items():
            if of == port:
                knob.forget()

    def moved(self, name: str, value: Value, now: int | None = None) -> None:
        """Say that a parameter was changed by something else: a piece, a ramp, a client.

        What a hand had asked for and was not yet applied is void; `now`
        bounds how long boxes may echo what they will be shown.
        """
        if not self._asking.moved(name, value):
            return
        self._guards.value_moved(name, value, self._now if now is None else now, self._lists)
        for knob in self._knobs.values():
            for drive in knob.drives:
                if drive.name == name:
                    drive.sync(value, self._lists, knob.raw)

    def steps_heard(self, heard: Sequence[int], now: int) -> None:
        """Say how steps sound, from step 1 on, whenever that may have changed (see `watches_steps`).

        0 is silent, 1 sounds, 2 sounds with an accent.
        """
        self._guards.steps_heard(heard, now)

    def view(self) -> dict[str, dict[str, Any]]:
        """Return for each parameter and written action the control that last moved it.

        ``position`` is 0 (left) to 1 (right), 0 while `taught` is False.
        """
        rows: dict[str, dict[str, Any]] = {}
        newest: dict[str, int] = {}
        for (port, _), knob in self._knobs.items():
            position = max(knob.raw, 0) / knob.top
            base = {"port": self._names[port], "control": knob.control.label, "taught": knob.raw >= 0}
            ways = {drive.name: knob.way(drive) for drive in knob.drives}
            for name in knob.control.functions:
                if name in rows and newest[name] >= knob.moved_at:
                    continue
                newest[name] = knob.moved_at
                way = ways.get(name, "")
                rows[name] = {**base, "position": position, "waiting": bool(way), "way": way}
        return rows

    def save(self) -> dict[str, Any]:
        """Return the state of all decoders and controls, as plain data."""
        return {
            "names": list(self._names),
            "decoders": [[port, decoder.save()] for port, decoder in self._decoders.items()],
            "knobs": [[*key, knob.save()] for key, knob in self._knobs.items()],
            "guards": self._guards.save(),
            "asking": self._asking.save(),
            "lists": {name: list(words) for name, words in self._lists.items()},
            "now": self._now,
        }

    def load(self, plain: dict[str, Any]) -> None:
        """Take over what `save` returned; inputs and controls that are no longer there are left out."""
        ports = {old: self._names.index(name) for old, name in enumerate(plain["names"]) if name in self._names}
        known = set()
        for old, decoder in plain["decoders"]:
            if ports.get(old) in self._decoders:
                self._decoders[ports[old]].load(decoder)
        for old, index, row in plain["knobs"]:
            knob = self._knobs.get((ports.get(old, -1), index))
            if knob is not None and knob.load(row):
                known.add((ports[old], index))
        self._guards.load(plain["guards"], ports)
        self._asking.load(plain["asking"], ports, known)
        self._lists = {name: tuple(words) for name, words in plain["lists"].items()}
        self._now = plain["now"]

    # -- what comes of it -----------------------------------------------------------------------

    def _find_positions(self, port: int, decoder: Decoder) -> dict[int, list[tuple[tuple[int, int], Knob]]]:
        """Return the knobs that a controller moves and nothing more, by status and number: the short way through."""
        found = {}
        for sent, indices in decoder.plain.items():
            rows = [((port, index), self._knobs[port, index]) for index in indices]
            if all(knob.is_position and key not in self._guards.keys for key, knob in rows):
                found[sent] = rows
        return found

    def _fire_one(self, key: tuple[Any, ...], payload: Any, now: int) -> None:
        if key[0] == "settle":
            self._hear(key[1], Heard(key[2], payload), now)
        elif key[0] == "rest":
            value, port, control, number = payload
            knob = self._knobs.get((port, control))
            if knob is not None and number < len(knob.drives):
                knob.drives[number].known = value
            self._asking.apply(key[1], value, now)
        elif key[0] == "rate":
            self._asking.emit(key[1], payload, now)
        else:
            self._asking.emit_turn(key[1], payload, now)

    def _expect_new(self, now: int) -> None:
        out = self._asking.out
        if self._guards.keys:
            for intent in out[self._expected :]:
                if intent.kind == "set":
                    self._guards.value_moved(intent.name, intent.value, now, self._lists)
        self._expected = len(out)

    def _hear(self, port: int, heard: Heard, now: int) -> None:
        key = (port, heard.control)
        knob = self._knobs[key]
        control = knob.control
        raw = self._stepped(knob, heard.step) if heard.step else heard.raw
        if key in self._guards.keys and self._guards.is_echo(key, raw if knob.top == 127 else raw >> 7, now):
            return
        if knob.is_position:
            self._position(key, knob, raw, now)
        elif control.relative:
            self._turned(key, knob, clicks(control.relative, raw), now)
        elif control.source.kind == "program" and control.source.number < 0:
            self._program(knob, raw, now)
        else:
            self._button(knob, raw, now)

    def _stepped(self, knob: Knob, step: int) -> int:
        """Return the number one step on from where the control, or else its parameter, is."""
        top = knob.top
        if knob.raw < 0 and knob.drives:
            drive = knob.drives[0]
            drive.sync(self._asking.current(drive.name), self._lists, -1)
            knob.raw = int(min(max(drive.catch.held, 0.0), 1.0) * top + 0.5)
        return min(max(knob.raw + step, 0), top)

    # -- positions ------------------------------------------------------------------------------

    def _position(self, key: tuple[int, int], knob: Knob, raw: int, now: int) -> None:
        before = knob.raw
        if knob.is_flutter(raw, now):
            return
        for drive in knob.drives:
            drive.sync(self._asking.current(drive.name), self._lists, before)
        knob.raw, knob.moved_at = raw, now
        is_in_step = key in self._guards.keys and self._is_in_step(key, knob)
        for number, drive in enumerate(knob.drives):
            if drive.target.raw:
                self._exactly(drive, raw, now)
            elif before < 0 or is_in_step:
                drive.catch.place(drive.catch.held, drive.unit(raw), 1 / 127 if is_in_step else drive.near)
            elif not drive.catch.move(drive.unit(before), drive.unit(raw), drive.near):
                self._say_waiting(key[0], knob, drive)
            else:
                if knob.told:
                    knob.told.pop(drive.name, None)
                self._ask(key, knob, number, drive.at_held(), now)
        if before < 0:
            self._say_taught(key[0], knob)
        elif knob.control.turn and before != raw:
            self._turn(knob, (raw - before) / knob.top * TURN_CLICKS, now)

    def _is_in_step(self, key: tuple[int, int], knob: Knob) -> bool:
        if not knob.drives:
            return False
        present = self._asking.current(knob.drives[0].name)
        return self._guards.is_in_step(key, present, self._lists)

    def _ask(self, key: tuple[int, int], knob: Knob, number: int, value: Value, now: int) -> None:
        drive = knob.drives[number]
        if drive.words:
            self._asking.rest(drive.name, value, [*key, number], now)
        else:
            drive.known = value
            self._asking.apply(drive.name, value, now)

    def _say_waiting(self, port: int, knob: Knob, drive: Drive) -> None:
        name, way = drive.name, knob.way(drive)
        if knob.told.get(name) != way:
            knob.told[name] = way
            self._asking.say("waiting", control=knob.control.label, name=name, way=way, port=self._names[port])

    def _say_taught(self, port: int, knob: Knob) -> None:
        names = [drive.name for drive in knob.drives if not drive.target.raw]
        if not knob.drives and knob.control.turn:
            names = [knob.control.turn]
        for name in names:
            self._asking.say("taught", control=knob.control.label, name=name, port=self._names[port])

    def _exactly(self, drive: Drive, raw: int, now: int) -> None:
        """The number on the wire is the value; beyond the range it is clamped and said."""
        name, words = drive.name, words_of(drive.target, self._lists)
        if words:
            value, is_beyond = word_value(name, words[min(raw, len(words) - 1)]), raw >= len(words)
        else:
            value, is_beyond = drive.number(raw), not drive.row.low <= raw <= drive.row.high
        if is_beyond:
            self._asking.say_clamped(name, value)
        drive.known = value
        self._asking.apply(name, value, now)

    # -- encoders, buttons, programs ------------------------------------------------------------

    def _turned(self, key: tuple[int, int], knob: Knob, count: int, now: int) -> None:
        if count == 0:
            return
        since, knob.moved_at, knob.raw = now - knob.moved_at, now, 0
        factor = 1.0
        if since < FAST_NS:
            factor += knob.control.acceleration * (FAST_NS - since) / FAST_NS
        for number, drive in enumerate(knob.drives):
            name = drive.name
            drive.sync(self._asking.current(name), self._lists, -1)
            value, is_stopped = drive.click(count * factor)
            if not is_stopped:
                knob.told.pop(name, None)
            elif name not in knob.told:
                knob.told[name] = "end"
                self._asking.say_clamped(name, value)
            self._ask(key, knob, number, value, now)
        if knob.control.turn:
            self._turn(knob, count * factor, now)

    def _turn(self, knob: Knob, count: float, now: int) -> None:
        """Gather clicks into the amount of a `turn` action; whole clicks only."""
        knob.part += count
        whole = int(knob.part)
        knob.part -= whole
        if whole:
            self._asking.turn(knob.control.turn, whole * knob.control.amount, now)

    def _button(self, knob: Knob, raw: int, now: int) -> None:
        control = knob.control
        is_note = control.source.kind in ("note", "program")
        is_on = raw > 0 if is_note else raw * 128 >= _ON * (knob.top + 1)
        is_again = is_on and raw == knob.raw
        was_down, knob.is_down, knob.raw, knob.moved_at = knob.is_down, is_on, raw, now
        if control.latching:
            if is_note or is_on != was_down:
                self._press(knob, now)
        elif is_on and (is_note or not was_down or is_again):
            self._press(knob, now)
        elif not is_on and was_down:
            self._release(knob, now)

    def _press(self, knob: Knob, now: int) -> None:
        for drive in knob.drives:
            target, name = drive.target, drive.name
            if target.how == "hold":
                value: Value = knob.is_down
            elif target.how == "toggle":
                value = not self._asking.current(name)
            else:
                choices = [choice_value(name, word) for word in target.values]
                present = self._asking.current(name)
                value = choices[(choices.index(present) + 1) % len(choices)] if present in choices else choices[0]
            self._asking.apply(name, value, now)
        if knob.control.press:
            self._asking.act(knob.control.press)

    def _release(self, knob: Knob, now: int) -> None:
        for drive in knob.drives:
            if drive.target.how == "hold":
                self._asking.apply(drive.name, False, now)
        if knob.control.on_release:
            self._asking.act(knob.control.on_release)

    def _program(self, knob: Knob, raw: int, now: int) -> None:
        knob.raw, knob.moved_at = raw, now
        for drive in knob.drives:
            self._exactly(drive, raw, now)
        if knob.control.press:
            self._asking.act(knob.control.press.replace("*", str(raw + 1)))
