"""`replank forecast` against the closed forms of the coupon collector, and by playing dice.

Share untouched after c cycles (1 - p/N)^c and half-life ln(1/2) / ln(1 - p/N): Feller, *An
Introduction to Probability Theory and Its Applications*, vol. 1 (from memory), worked out
apart from the code.
"""

from __future__ import annotations

import json
import random
from typing import Any

import pytest
from click.testing import CliRunner

from replank.cli.main import main
from replank.control.pace import pace
from replank.control.parameters import DEFAULTS

# N, p, share left after 16 and 32 cycles, half-life in cycles
TABLE = [
    (8, 1.0, 0.1181, 0.0139, 5.19),
    (8, 0.25, 0.6017, 0.3621, 21.83),
    (16, 1.0, 0.3561, 0.1268, 10.74),
    (16, 0.5, 0.6017, 0.3621, 21.83),
    (16, 0.03, 0.9704, 0.9417, 369.33),
    (32, 1.0, 0.6017, 0.3621, 21.83),
    (64, 0.5, 0.8821, 0.7780, 88.38),
]


def forecast(*words: str) -> dict[str, Any]:
    run = CliRunner().invoke(main, ["forecast", "--evenings", "0", "--json", *words])
    assert run.exit_code == 0, run.output
    plain: dict[str, Any] = json.loads(run.output)["computed"] | json.loads(run.output)
    return plain


@pytest.mark.parametrize(("n", "p", "after16", "after32", "half"), TABLE)
def test_agrees_with_the_table(n: int, p: float, after16: float, after32: float, half: float) -> None:
    # a meter of n sixteenths makes a bar of a cycle
    found = forecast("-p", f"length={n}", "-p", f"mutation_chance={p}", "-p", f"meter={n if n < 33 else 32}/16",
                     "-p", f"division={'1/16' if n < 33 else '1/32'}", "--bars", "16,32")["chosen_at_all"]  # fmt: skip
    assert found["cycle_bars"] == 1.0
    assert found["cycles"] == pytest.approx(half, abs=0.006)
    assert found["untouched"]["16"] == pytest.approx(after16, abs=0.00006)
    assert found["untouched"]["32"] == pytest.approx(after32, abs=0.00006)


def test_the_default_line_takes_about_45_seconds_at_120() -> None:
    found = forecast("-p", "tempo=120")["chosen_at_all"]
    assert found["minutes"] * 60 == pytest.approx(43.66, abs=0.01)


def dice(n: int, count: int, chance: float, cycles: int, lines: int) -> float:
    """Return the mean share untouched, by throwing dice."""
    numbers, left = random.Random(20), 0
    for _ in range(lines):
        whole = set(range(n))
        for _ in range(cycles):
            if numbers.random() < chance:
                whole -= set(numbers.sample(range(n), count))
        left += len(whole)
    return left / lines / n


def test_agrees_with_dice() -> None:
    # 400 lines of 16: a standard error of about 0.006, so 0.03 is five of them
    for count, chance, cycles in ((1, 0.5, 20), (3, 0.4, 10), (16, 0.1, 7)):
        found = pace({**DEFAULTS, "mutation_count": count, "mutation_chance": chance}, chosen=True)
        rolled = dice(16, count, chance, cycles, 400)
        assert found.untouched_after(cycles) == pytest.approx(rolled, abs=0.03)
        # negative control: a build that forgets the count, or the chance
        wrong = pace({**DEFAULTS, "mutation_count": 1, "mutation_chance": min(1.0, 2 * chance)}, chosen=True)
        assert wrong.untouched_after(cycles) != pytest.approx(rolled, abs=0.03)


def test_directions_restarts_and_moments_change_the_bars() -> None:
    usual = pace(DEFAULTS)
    assert pace({**DEFAULTS, "direction": "mirror"}).cycle_bars == 2.0
    assert pace({**DEFAULTS, "direction": "pendulum"}).cycle_bars == 30 / 16
    assert pace({**DEFAULTS, "division": "1/8"}).cycle_bars == 2.0
    # seven sixteenths restarted every bar: cycles of 7, 7 and 2 steps
    assert pace({**DEFAULTS, "length": 7, "restart_every": 1}).cycle_bars == pytest.approx(1 / 3)
    assert pace({**DEFAULTS, "mutate_every": "4bars"}).rate == pytest.approx(usual.rate / 4)


def test_never_is_said_plainly() -> None:
    assert forecast("-p", "hold=on")["chosen_at_all"]["cycles"] is None
    assert forecast("--pinned", "16")["at_first"]["minutes"] is None
    assert "never" in CliRunner().invoke(main, ["forecast", "-p", "mutation_chance=0"]).output


def test_want_finds_settings_that_give_it() -> None:
    wanted = forecast("-p", "tempo=100", "--want", "5min")["want"]
    again = forecast("-p", "tempo=100", "-p", f"mutation_chance={wanted['mutation_chance']}")
    assert again["from_the_beginning"]["minutes"] == pytest.approx(5.0, rel=1e-3)
    assert again["in_the_long_run"]["minutes"] != pytest.approx(5.0, rel=0.02)
    for fast in ("0.5cycles", "3cycles"):  # in the first four nothing changes
        assert not forecast("--want", fast)["want"]["reached"]


@pytest.mark.parametrize(
    "words",
    [("-p", "lenth=3"), ("-p", "length"), ("-p", "length=65"), ("--bars", "a"), ("--want", "fast"), ("-p", "scale=x"),
     ("--pinned", "20")],
)  # fmt: skip
def test_wrong_input_is_one_line_and_code_2(words: tuple[str, ...]) -> None:
    run = CliRunner().invoke(main, ["forecast", *words])
    assert run.exit_code == 2
    assert len(run.output.strip().splitlines()) == 1, run.output
