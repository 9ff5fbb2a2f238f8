"""What hands have asked for: at most every 5 ms per parameter, lists after a rest.

What comes too soon waits for the next multiple of 5 ms that is far enough, so
that the values of a box whose knobs all turn are applied together.

A change that is still due (the root at the next bar) or still held back by
the rate limit counts as made for whatever turns next.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from replank.control.parameters import Value, show
from replank.control.takeover import REST_NS

RATE_NS = 5_000_000
"""A parameter is applied at most this often, in ns; the last value wins."""

NEVER = 1 << 62
"""A time after all others, in ns."""

Key = tuple[Any, ...]
Values = Mapping[str, Value]


class Intent(NamedTuple):
    """What a hand wants.

    Attributes:
        kind: ``set`` (a parameter), ``act`` (do a written action), ``notice``
            (tell people), ``catch`` (a fellow player's notes become the line).
        name: Parameter; written action such as ``flip:5``; key of `NOTICES`.
        value: The parameter's value; the notes of a catch.
        data: The notice's fields; the velocities of a catch.
    """

    kind: str
    name: str
    value: Any = None
    data: dict[str, Any] = {}  # noqa: RUF012  (never changed)


class Asking:
    """Collects intents and holds back those that come too soon.

    Attributes:
        values: The performer's parameters, as of the present call.
        out: The intents of the present call.
    """

    def __init__(self) -> None:
        self.values: Values = {}
        self.out: list[Intent] = []
        # parameter -> what was asked for, and what it was then
        self._asked: dict[str, tuple[Value, Value]] = {}
        self._applied: dict[str, int] = {}
        # what is due -> deadline in ns, order, payload
        self._due: dict[Key, tuple[int, int, Any]] = {}
        self._order = 0
        self._earliest = NEVER  # no deadline is before it
        self._is_exact = True  # and one is at it

    def current(self, name: str) -> Value:
        """Return a parameter's value as hands must see it."""
        value, asked = self.values[name], self._asked.get(name)
        if asked is None or value == asked[0]:
            return value
        if value == asked[1]:
            return asked[0]
        del self._asked[name]
        return value

    # -- deadlines ------------------------------------------------------------------------------

    def wait(self, key: Key, deadline: int, payload: Any) -> None:
        """Put something off to a deadline; a key that waits already starts anew."""
        self._order += 1
        if key in self._due:
            self._is_exact = False
        self._due[key] = (deadline, self._order, payload)
        if deadline < self._earliest:
            self._earliest, self._is_exact = deadline, True

    def waits(self, key: Key) -> bool:
        """Tell whether a key is due later."""
        return key in self._due

    def replace(self, key: Key, payload: Any) -> None:
        """Change what waits, not when."""
        deadline, order, _ = self._due[key]
        self._due[key] = (deadline, order, payload)

    def drop(self, key: Key) -> None:
        """Forget what waits."""
        row = self._due.pop(key, None)
        if row is not None and row[0] <= self._earliest:
            self._is_exact = False

    def drop_settling(self, port: int) -> None:
        """Forget the half-said numbers of a port."""
        for key in [key for key in self._due if key[:2] == ("settle", port)]:
            self.drop(key)

    def next_deadline(self) -> int | None:
        """Return the earliest deadline in ns, or None."""
        if not self._is_exact:
            self._earliest = min((row[0] for row in self._due.values()), default=NEVER)
            self._is_exact = True
        return self._earliest if self._due else None

    def take(self, now: int) -> tuple[Key, int, Any] | None:
        """Remove and return the first (key, deadline, payload) due at or before `now`."""
        if now < self._earliest or not self._due:
            return None
        key, (deadline, _, payload) = min(self._due.items(), key=lambda item: item[1][:2])
        self._earliest, self._is_exact = deadline, True
        if deadline > now:
            return None
        self.drop(key)
        return key, deadline, payload

    # -- parameters and turns -------------------------------------------------------------------

    def apply(self, name: str, value: Value, now: int) -> None:
        """Ask for a value: at once, or when the parameter may be applied again."""
        if value == self.current(name):
            return
        self._asked[name] = (value, self.values[name])
        key = ("rate", name)
        if key in self._due:
            self.replace(key, value)
        elif now - self._applied.get(name, now - RATE_NS) >= RATE_NS:
            self.emit(name, value, now)
        else:
            self.wait(key, self._next_turn(name), value)

    def emit(self, name: str, value: Value, now: int) -> None:
        """Give out a set at once."""
        self._applied[name] = now
        self.out.append(Intent("set", name, value))

    def rest(self, name: str, value: Value, who: list[int], now: int) -> None:
        """Ask for a list value once the control has come to rest.

        Args:
            name: The parameter.
            value: Its value.
            who: Port, control and target that ask, handed back by `take`.
            now: Of the movement, in ns.
        """
        if value == self.current(name):
            self.drop(("rest", name))
        else:
            self.wait(("rest", name), now + REST_NS, [value, *who])

    def turn(self, template: str, amount: float, now: int) -> None:
        """Ask for an action with an amount; amounts that come too soon add up."""
        key = ("turn", template)
        if key in self._due:
            self.replace(key, self._due[key][2] + amount)
        elif now - self._applied.get(template, now - RATE_NS) >= RATE_NS:
            self.emit_turn(template, amount, now)
        else:
            self.wait(key, self._next_turn(template), amount)

    def _next_turn(self, name: str) -> int:
        """Return the first multiple of the rate's interval at which `name` may be applied again, ns."""
        return -(-(self._applied[name] + RATE_NS) // RATE_NS) * RATE_NS

    def emit_turn(self, template: str, amount: float, now: int) -> None:
        """Give out an action with its amount at once; amounts that cancelled out are none."""
        self._applied[template] = now
        if amount:
            text = f"{round(amount):+d}" if amount == round(amount) else f"{amount:+.4f}"
            self.out.append(Intent("act", template.replace("*", text)))

    def act(self, written: str) -> None:
        """Give out an action."""
        self.out.append(Intent("act", written))

    def say(self, kind: str, **data: Any) -> None:
        """Give out a notice."""
        self.out.append(Intent("notice", kind, data=data))

    def say_clamped(self, name: str, value: Value) -> None:
        """Say that a control asked for more than a parameter has."""
        self.say("clamped", name=name, value=value, shown=show(name, value))

    def moved(self, name: str, value: Value) -> bool:
        """Void what was asked of a parameter that something else has moved; False: it is as asked."""
        asked = self._asked.get(name)
        if asked is not None and asked[0] == value:
            return False
        self._asked.pop(name, None)
        self.drop(("rest", name))
        self.drop(("rate", name))
        return True

    def save(self) -> dict[str, Any]:
        """Return what is asked and due, as plain data."""
        return {
            "asked": {name: list(pair) for name, pair in self._asked.items()},
            "applied": dict(self._applied),
            "due": [[list(key), *row] for key, row in self._due.items()],
            "order": self._order,
        }

    def load(self, plain: dict[str, Any], ports: dict[int, int], known: set[tuple[int, int]]) -> None:
        """Take over what `save` returned.

        Args:
            plain: What was saved.
            ports: Which port each has become.
            known: (port, control) that are the same as then; what others had begun is dropped.
        """
        self._asked = {name: (pair[0], pair[1]) for name, pair in plain["asked"].items()}
        self._applied = dict(plain["applied"])
        self._due = {}
        for key, deadline, order, payload in plain["due"]:
            row: Key = tuple(key)
            if row[0] == "settle":
                row = ("settle", ports.get(row[1], -1), row[2])
                if row[1:] not in known:
                    continue
            elif row[0] == "rest":
                payload = [payload[0], ports.get(payload[1], -1), *payload[2:]]
            self._due[row] = (deadline, order, payload)
        self._earliest, self._is_exact = -1, False
        self._order = plain["order"]
