"""A small stage: boxes, hands and a parameter store that does what hands ask."""

from __future__ import annotations

from replank.control.asking import Intent
from replank.control.compiling import compile_profile
from replank.control.hands import Hands
from replank.control.parameters import DEFAULTS, check
from replank.control.profiles import Profile
from replank.control.setup import Input

MS = 1_000_000
KNOBS = Input("knobs", "knobs", (), "box")


def box(*controls: dict, **more) -> Profile:
    """Return the compiled profile of some controls."""
    return compile_profile({"profile": 1, "controls": list(controls), **more})


class Stage:
    """Hands on boxes, at a time that the test moves.

    Attributes:
        now: ns.
        values: Every parameter.
        said: Every intent so far, with its time.
    """

    def __init__(
        self, *profiles: Profile, inputs: tuple[Input, ...] | None = None, kind: type[Hands] = Hands, **values
    ):
        names = [f"box{n or ''}" for n in range(len(profiles))]
        self.inputs = inputs or tuple(Input(f"knobs{n or ''}", "knobs", (), name) for n, name in enumerate(names))
        self.hands = kind(dict(zip(names, profiles, strict=True)), self.inputs)
        self.now = 1000 * MS
        self.values = {**DEFAULTS, **values}
        self.lists: dict[str, tuple[str, ...]] = {}
        self.said: list[tuple[int, Intent]] = []

    def take(self, intents: list[Intent], at: int) -> list[Intent]:
        """Do what hands ask; every value must be one that files could hold."""
        for intent in intents:
            self.said.append((at, intent))
            if intent.kind == "set":
                assert check(intent.name, intent.value) == intent.value
                self.values[intent.name] = intent.value
        return intents

    def send(self, *data: int, port: int = 0, after_ms: float = 10) -> list[Intent]:
        """Send a message `after_ms` later, deadlines before it; return what came of both."""
        made = self.wait(after_ms)
        return made + self.take(self.hands.message(port, bytes(data), self.now, self.values, self.lists), self.now)

    def cc(self, number: int, *values: int, channel: int = 1, after_ms: float = 10) -> list[Intent]:
        made = []
        for value in values:
            made += self.send(0xB0 | channel - 1, number, value, after_ms=after_ms)
        return made

    def wait(self, ms: float) -> list[Intent]:
        """Let time go by as the performer does: each deadline at its own time."""
        until = self.now + int(ms * MS)
        made = []
        while (due := self.hands.next_deadline()) is not None and due <= until:
            self.now = max(self.now, due)
            made += self.take(self.hands.fire(self.now, self.values, self.lists), self.now)
        self.now = until
        return made

    def set(self, name: str, value) -> None:
        """Change a parameter as a piece or client would."""
        self.values[name] = value
        self.hands.moved(name, value, self.now)


def sets(intents: list[Intent]) -> list[tuple[str, object]]:
    return [(one.name, one.value) for one in intents if one.kind == "set"]


def acts(intents: list[Intent]) -> list[str]:
    return [one.name for one in intents if one.kind == "act"]


def notices(intents: list[Intent], kind: str = "") -> list[dict]:
    return [one.data for one in intents if one.kind == "notice" and kind in ("", one.name)]
