"""Feedback that a box sends back must not count as a hand.

Whatever a box is about to be shown is expected back for a short while, once.
Only controls whose feedback uses the very message that they send need this.
"""

from __future__ import annotations

from typing import Any

from replank.control.profiles import Control

WINDOW_NS = 250_000_000
"""How long, in ns, a value that was shown may come back as an echo."""
RETURN_NS = 2_000_000_000
"""How long, in ns, a box that came back may echo what it is shown then: everything."""
_MOST = 24


class Echoes:
    """What may come back, per control, a key of (port, index of the control)."""

    def __init__(self) -> None:
        # what was shown, and until when it may come back
        self._expected: dict[tuple[int, int], list[tuple[int, int]]] = {}

    def expect(self, key: tuple[int, int], shown: int, now: int, window: int = WINDOW_NS) -> None:
        """Expect the number `shown`, 0 to 127, from a control, for `window` ns."""
        rows = self._expected.setdefault(key, [])
        rows.append((shown, now + window))
        del rows[:-_MOST]

    def is_echo(self, key: tuple[int, int], shown: int, now: int) -> bool:
        """Tell whether a number that arrived was expected, and expect it no more."""
        rows = self._expected.get(key)
        if not rows:
            return False
        for index, (expected, until) in enumerate(rows):
            if expected == shown and now <= until:
                del rows[: index + 1]
                return True
        return False

    def save(self) -> dict[str, Any]:
        """Return what is expected, as plain data."""
        rows = [[*key, [list(row) for row in rows]] for key, rows in self._expected.items() if rows]
        return {"expected": rows}

    def load(self, plain: dict[str, Any], ports: dict[int, int]) -> None:
        """Take over what `save` returned; `ports` says which port each has become."""
        self._expected = {
            (ports[port], index): [(shown, until) for shown, until in rows]
            for port, index, rows in plain["expected"]
            if port in ports
        }


def is_shown_in_place(control: Control) -> bool:
    """Tell whether a box is shown a control's state by the very message that the control sends."""
    shown, sent = control.feedback, control.source
    if shown is None:
        return False
    channels = {shown.channel, sent.channel}
    kinds = ("cc", "cc14")
    same_kind = shown.kind == sent.kind or (shown.kind in kinds and sent.kind in kinds)
    return same_kind and shown.number == sent.number and (len(channels) == 1 or 0 in channels)


def lights(control: Control) -> tuple[str, ...]:
    """Return what a control shows: its first parameter, or ``step N``."""
    if control.targets:
        return (control.targets[0].parameter,)
    return (f"step {control.step}",) if control.step else ()
