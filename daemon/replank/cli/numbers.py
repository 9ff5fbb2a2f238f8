"""Numbers that are typed as options, their range in the help and a wrong one told in words; and numbers of things."""

from __future__ import annotations

import math
from typing import Any

import click


class Number(click.ParamType):  # type: ignore[type-arg]  # generic from click 8.4 on
    """A number from `low` to `high`, both included.

    Args:
        low: The least.
        high: The most; None for no limit.
        metavar: Stands in the help; the range where it is empty.
    """

    name = "number"

    def __init__(self, low: float, high: float | None = None, metavar: str = "") -> None:
        self.low, self.high = low, high
        self._metavar = metavar or (f"{low}+" if high is None else f"{low}..{high}")

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        return self._metavar

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            number = self.read(value)
        except (TypeError, ValueError, OverflowError):
            self.fail(f"{value!r} is not a {self.name}", param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a {self.name}", param, ctx)
        if number < self.low or (self.high is not None and number > self.high):
            limits = f"below {self.low}" if self.high is None else f"outside {self.low} to {self.high}"
            self.fail(f"{value} is {limits}", param, ctx)
        return number

    def read(self, value: Any) -> float:
        """Return the number that was typed."""
        return float(value)


class Whole(Number):
    """A whole number from `low` to `high`, both included."""

    name = "whole number"

    def read(self, value: Any) -> int:
        return int(value)


SEED_METAVAR, MOST_SEED = "N", 2**63 - 1
"""How a seed stands in the help, and the largest one, as the parameter has it."""
