"""Every kind of fault in turn, as many rounds as there is time for: the long form of the tests in this folder.

A trial is the test of that name, on a daemon and a stage of its own, with
another seed each round.  One that fails is told, and the next begins.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.faults import holes, test_cables, test_clock, test_disk, test_keeping_again, test_kills, test_reload
from tests.faults.measure import Evidence, ons
from tests.faults.stage import Playing, Trial, seeded


class Ground:
    """What the trials of one round stand on: daemons and stages, ended with it.

    Attributes:
        evidence: What was heard in each fault.
    """

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="rpsoak"))
        self.evidence: list[Evidence] = []
        self._daemons: list[Playing] = []
        self._trials: list[Trial] = []

    def playing(self, *args: str, **options: Any) -> Playing:
        self._daemons.append(Playing(*args, **options))
        return self._daemons[-1]

    def stage(self, daemon: Playing) -> Trial:
        trial = Trial(daemon)
        self._trials.append(trial)
        end = trial.end

        def remember(stop: bool = True) -> Evidence:
            self.evidence.append(end(stop))
            return self.evidence[-1]

        trial.end = remember  # type: ignore[method-assign]
        trial.patch()
        return trial

    def shared(self) -> tuple[Playing, Trial]:
        daemon = self.playing()
        return daemon, self.stage(daemon)

    def end(self) -> None:
        for one in (*self._trials, *self._daemons):
            with contextlib.suppress(Exception):  # it may be what failed
                one.close() if isinstance(one, Trial) else one.clean()
        shutil.rmtree(self.folder, ignore_errors=True)


def _whole(test: Callable[..., None], *more: Any) -> Callable[[Ground], None]:
    return lambda ground: test(ground.playing, ground.stage, *more)


def _shared(test: Callable[..., None], *more: Any) -> Callable[[Ground], None]:
    return lambda ground: test(*ground.shared(), *more)


def _server(ground: Ground) -> None:
    with pytest.MonkeyPatch.context() as patch:
        test_cables.test_server_restart(ground.playing, patch)


def _short(ground: Ground) -> None:
    """Every short fault of the clock once; one of them in a hundred may take longer (`scripts/holes` counts them)."""
    kinds = [kind for kind in holes.KINDS if kind not in holes.STOPS_TIME]
    found = holes.tried(ground.playing(*holes.SHAPE), kinds, seeded().randrange(1_000_000))
    wrong = [text for one in found for text in one.complaints()]
    if len(wrong) > 1 or any(one.twice or one.locked_wrong for one in found):
        raise AssertionError("\n".join(wrong))


def _damaged_files(ground: Ground) -> None:
    daemon, trial = ground.shared()
    for name in test_reload.DAMAGED:
        test_reload.test_damaged_rig_is_refused_with_its_line(daemon, trial, name)
    test_reload.test_damaged_profile_is_refused_on_a_signal(daemon, trial)
    test_reload.test_vanished_rig_is_refused(daemon, trial)


KINDS: dict[str, Callable[[Ground], None]] = {
    "player and host killed, then all at once": _whole(test_kills.test_kills_of_player_and_host_then_of_all),
    "keeper killed, then the player": _whole(test_kills.test_killed_keeper_then_killed_player),
    "player stopped (SIGSTOP)": _whole(test_kills.test_stopped_player_is_replaced),
    "host stopped (SIGSTOP)": _shared(test_kills.test_stopped_host_costs_nothing),
    "client stopped (SIGSTOP)": _shared(test_kills.test_stopped_client_is_not_waited_for),
    "JACK server killed and started again": _server,
    "cables out and in": _shared(test_cables.test_cables_out_and_in_again_in_any_order),
    "clock's cable out": _shared(test_cables.test_pulled_clock_is_not_called_locked),
    "peers under other numbers": lambda ground: test_cables.test_peers_come_back_under_other_numbers(ground.playing),
    "clock fails in short ways": _short,
    "clock drops out": _shared(test_clock.test_drop_out_is_estimated_or_said_to_be_unknown),
    "tempo from 20 to 400 BPM": _shared(test_clock.test_tempo_jump, 20, 400),
    "tempo from 400 to 20 BPM": _shared(test_clock.test_tempo_jump, 400, 20),
    "clock storm": _shared(test_clock.test_clock_storm_is_counted_or_said),
    "panic amid a flood": _shared(test_clock.test_panic_amid_everything),
    "disk full": lambda ground: test_disk.test_full_disk(ground.playing, ground.stage, ground.folder),
    "database full (max_page_count)": _whole(test_keeping_again.test_the_show_goes_on_and_is_kept_again, "full"),
    "database read-only": _whole(test_keeping_again.test_the_show_goes_on_and_is_kept_again, "read-only"),
    "database slow": _whole(test_keeping_again.test_the_show_goes_on_and_is_kept_again, "slow"),
    "folder read-only, as another user": lambda ground: test_disk.test_read_only_folder_as_another_user(ground.folder),
    "database cut or damaged": _whole(test_disk.test_damaged_databases_at_the_start_and_while_playing),
    "damaged rig and profile": _damaged_files,
}
NEEDS = {
    "folder read-only, as another user": os.getuid() == 0 and shutil.which("setpriv") is not None,
}
"""Kinds that can be tried only where this holds."""


@dataclass
class Tried:
    """What came of one kind."""

    passed: int = 0
    failed: int = 0
    left_out: str = ""
    least_before: int | None = None
    least_after: int | None = None
    phases: Counter[str] = field(default_factory=Counter)
    why: list[str] = field(default_factory=list)


def run(seconds: float, seed: int, say: Callable[[str], None], kinds: dict[str, Any] | None = None) -> dict[str, Tried]:
    """Try every kind once, and again until the time is over; no failure ends it."""
    kinds = KINDS if kinds is None else kinds
    found = {name: Tried() for name in kinds}
    until, rounds = time.monotonic() + seconds, 0
    while rounds == 0 or time.monotonic() < until:
        for number, (name, trial) in enumerate(kinds.items()):
            if rounds and time.monotonic() > until:
                break
            if found[name].left_out or not NEEDS.get(name, True):
                found[name].left_out = found[name].left_out or "needs root and setpriv"
                continue
            one(name, trial, found[name], (seed + rounds * 1000 + number) % 1_000_000, say)
        rounds += 1
    return found


def one(name: str, trial: Callable[[Ground], None], tried: Tried, seed: int, say: Callable[[str], None]) -> None:
    """Try one kind once and note what came of it."""
    began, why = time.monotonic(), ""
    with _seed(seed):
        ground = Ground()
        try:
            trial(ground)
            tried.passed += 1
        except pytest.skip.Exception as skipped:
            tried.left_out = str(skipped).removeprefix("elsewhere: ")
        except Exception as error:
            tried.failed += 1
            last = traceback.extract_tb(error.__traceback__)[-1]
            text = " ".join(str(error).split())[:300] or last.line
            why = f"{type(error).__name__} at {Path(last.filename).name}:{last.lineno}: {text}"
            tried.why.append(f"{name}, REPLANK_FAULT_SEED={seed}: {why}")
        finally:
            ground.end()
    for evidence in ground.evidence:
        _count(tried, evidence)
    result = f"FAILED {why}" if why else f"left out: {tried.left_out}" if tried.left_out else "survived"
    say(f"{name}: {result} ({time.monotonic() - began:.0f} s)")


def _count(tried: Tried, evidence: Evidence) -> None:
    tried.phases[evidence.phase] += 1
    for name, heard in evidence.heard.items():
        fault, settled = evidence.cuts.get(name, (0, 0))
        before, after = len(ons(heard[:fault])), len(ons(heard[settled:]))
        tried.least_before = before if tried.least_before is None else min(before, tried.least_before)
        tried.least_after = after if tried.least_after is None else min(after, tried.least_after)


@contextlib.contextmanager
def _seed(number: int) -> Iterator[None]:
    before = os.environ.get("REPLANK_FAULT_SEED")
    os.environ["REPLANK_FAULT_SEED"] = str(number)
    try:
        yield
    finally:
        os.environ.pop("REPLANK_FAULT_SEED")
        if before is not None:
            os.environ["REPLANK_FAULT_SEED"] = before


def table(found: dict[str, Tried]) -> list[str]:
    """The report as Markdown."""
    lines = [
        "| fault | survived | least notes heard before, after, at a destination | phase at the end |",
        "| --- | --- | --- | --- |",
    ]
    for name, tried in found.items():
        count = f"{tried.passed} of {tried.passed + tried.failed}"
        if tried.left_out and not tried.passed + tried.failed:
            count = f"left out: {tried.left_out}"
        heard = f"{tried.least_before}, {tried.least_after}" if tried.least_before is not None else "in the test itself"
        phases = ", ".join(f"{word} {n}" for word, n in sorted(tried.phases.items()))
        lines.append(f"| {name} | {count} | {heard} | {phases} |")
    return lines


def verdict(found: dict[str, Tried]) -> list[str]:
    """What is wrong."""
    return [why for tried in found.values() for why in tried.why]


__all__ = ["KINDS", "Ground", "Tried", "one", "run", "table", "verdict"]
