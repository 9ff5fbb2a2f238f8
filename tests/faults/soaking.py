"""Many kills under one long set, measured by an independent peer; and the performer alone for simulated hours."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from replank.control.setup import Setup
from replank.performer import Performer
from replank.performer.events import Act, Assign, Midi
from tests import jack_server
from tests.faults.flipping import flip_clock, rewrite
from tests.faults.measure import STEP, hanging, is_on, lost_steps, ons, released_after, steps_due
from tests.faults.stage import PATIENCE, START, STOP, Peer, Playing, Trial
from tests.isolation import isolate

LIVELY = ("-p", "rest_chance=0", "-p", "slide_chance=0", "-p", "mutation_chance=1", "-p", "mutation_count=2")
"""Every step sounds, so that a lost one is heard to be lost; the line changes all the time."""
BETWEEN = 3.0
"""Least seconds between two kills: by then a spare player waits again."""
MOST_FAULTS = 10
"""Trials that fail before it is given up."""
MADE_GOOD = 4.0
"""Seconds in which what is lost has to be made good or declared."""
WINDOW = 2.0
"""Seconds before a kill whose notes are looked at."""


@dataclass
class Kills:
    """What many kills did, each a number: ms, steps."""

    gaps: list[float] = field(default_factory=list)
    releases: list[float] = field(default_factory=list)
    told: list[float] = field(default_factory=list)  # from the kill until the host says that it has released, our time
    stood: list[float] = field(default_factory=list)  # how long the server's own time stood still
    lost: list[int] = field(default_factory=list)  # steps
    never_released: int = 0  # struck before a kill and not released in the second after it
    lost_before: int = 0  # releases that a cycle given up has lost while nothing was wrong with any process
    hanging: int = 0  # at the very end
    faults: list[str] = field(default_factory=list)
    never_replaced: int = 0
    wrong_counts: list[str] = field(default_factory=list)  # says locked and counts other clocks than were sent
    counted: int = 0  # kills after which the count was compared
    lost_by_stage: int = 0  # of those, where the witness counts other clocks than the stage has sent
    unsure: int = 0  # phase declared estimated or unknown
    unsure_right: int = 0  # of those, where the count was right all the same
    off: int = 0  # clocks counted less clocks sent, at the end
    hosts: int = 0  # kills of the host
    lost_by_host: int = 0  # of those, after which a step was lost
    memory: list[tuple[float, int, int]] = field(default_factory=list)  # seconds, KB of player, KB of host


@contextlib.contextmanager
def own_server() -> Iterator[str]:
    """A JACK server of our own, ended by its pid, and nothing that is a user's (`tests.isolation`)."""
    isolate()
    name = os.environ["JACK_DEFAULT_SERVER"] = f"replank-soak-{os.getpid()}"
    try:
        with jack_server.server(name):
            yield name
    except jack_server.NoServer as error:
        raise SystemExit(f"scripts/soak: {error}") from None


def memory(pid: int) -> int:
    """Resident KB of a process; 0 where the system does not tell."""
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") // 1024
    except (OSError, ValueError):
        return 0


def window(heard: list, begin: int, end: int) -> list:
    frames = [frame for frame, _ in heard]
    return heard[bisect_left(frames, begin) : bisect_left(frames, end)]


def one_kill(trial: Trial, victim: str, kills: Kills) -> None:
    """Kill a process in a note, wait until it is replaced, and measure what was heard."""
    daemon, rate = trial.daemon, trial.clock.client.samplerate
    pid = daemon.pid(victim)
    behind = trial.clock.behind()
    at, told = kill(trial, pid, victim)
    if not Peer.until(lambda: daemon.answers() and daemon.pid(victim) != pid, PATIENCE):
        kills.never_replaced += 1
        return
    time.sleep(0.7)  # several steps
    end = trial.clock.client.frame_time - rate // 4
    sent = [list(trial.clock.clock_frames), trial.witness.clocks()]  # a cycle given up may be lost to either
    step = sent[0][-1] - sent[0][-1 - STEP]
    lost, gap, release = 0, 0.0, 0.0
    for heard in trial.heard().values():
        row = window(heard, at - int(WINDOW * rate), end)
        lacking = [len(lost_steps(one, row, None, steps_due(one, at, end - 2 * rate // 10))) for one in sent]
        lost = max(lost, min(lacking))
        after = [frame for frame, _ in ons(row) if frame > at]
        gap = max(gap, (after[0] - at) / rate * 1000 if after else float("inf"))
        # every note ends within its step: what was struck before the last one had its release lost before the kill
        recent = window(row, at - 2 * step, end)
        kills.lost_before += len(hanging(window(row, 0, at))) - len(hanging(window(recent, 0, at)))
        released = released_after(recent, at)
        if released is None:
            kills.never_released += 1
        else:
            release = max(release, released / rate * 1000)
    if victim == "player":
        kills.lost.append(lost)
        kills.gaps.append(gap)
        kills.releases.append(release)
        kills.told.append(told)
        kills.stood.append(max(0.0, 1000 * (trial.clock.behind() - behind)))
    else:
        kills.hosts += 1
        kills.lost_by_host += bool(lost)


def kill(trial: Trial, pid: int, victim: str) -> tuple[int, float]:
    """Kill a process; return at which frame, and after how many ms of our own time the host tells that it has released.

    Of its own end a host tells nothing.
    """
    with trial.daemon.client() as ears:
        ears.ask("subscribe", levels=["warn"], state=False)
        # begun periods only: the time between them goes on also where the server is held up and comes later
        at, began = trial.clock.client.last_frame_time, time.monotonic()
        os.kill(pid, signal.SIGKILL)
        for line in ears.lines() if victim == "player" else ():
            if line.get("notice") == "player" and line["data"]["state"] == "replaced":
                return at, 1000 * (time.monotonic() - began)
    return at, float("inf")


def be_sure(trial: Trial, kills: Kills, number: int, victim: str, say: Callable[[str], None]) -> None:
    """Begin again with a Start where the phase is declared not to be known, or is wrong, as a performer would.

    Otherwise each later step would count as lost for being played by another count.  What the stage believes to have
    sent in a cycle that the server gives up reaches nobody, so what a witness counts is right, too.  Where these two
    have parted a Start makes them one again: of several kills with one count each could be short of another clock.
    """

    def is_right() -> bool:
        return not trial.count_off(trial.counted) or trial.daemon.transport()["phase"] != "locked"

    Peer.until(is_right, MADE_GOOD)
    off, witnessed = trial.count_off(trial.counted), trial.count_off(trial.witness.count)
    if trial.daemon.transport()["phase"] != "locked":
        kills.unsure += 1
        kills.unsure_right += off == 0
    else:
        kills.counted += off is not None
        kills.lost_by_stage += bool(witnessed)
        if off and off != witnessed:
            kills.wrong_counts.append(f"{off:+d} clocks after kill {number} ({victim}), the witness {witnessed}")
            say(f"WRONG COUNT {kills.wrong_counts[-1]}: {trial.daemon.transport()}")
    if off or witnessed or trial.daemon.transport()["phase"] != "locked":
        trial.clock.send(START)
        Peer.until(lambda: trial.daemon.transport()["phase"] == "locked", 3.0)


def soak(minutes: float, count: int, seed: int, bpm: float, say: Callable[[str], None]) -> tuple[Kills, dict, dict]:
    """Play for so long, killing the player so often and the host now and then; return figures and both replays.

    A trial that fails is told and counted, and another daemon goes on.
    """
    rng = random.Random(seed)
    kills, done, until = Kills(), 0, time.monotonic() + minutes * 60
    whole = flipped = {}
    while done < count or not whole:
        daemon = Playing(values=LIVELY)
        try:
            done = one_set(daemon, kills, range(done, count), (until, bpm, rng), say)
            folder = daemon.folder / "state" / "replank"
            whole = replayed(daemon, folder)
            rewrite(next(folder.glob("*.db")), "inputs", flip_clock)
            flipped = replayed(daemon, folder)
        except Exception as error:
            done += 1
            kills.faults.append(f"in kill {done}: {type(error).__name__}: {' '.join(str(error).split())[:300]}")
            say(f"FAILED {kills.faults[-1]}")
            if len(kills.faults) > MOST_FAULTS:
                break
        finally:
            with contextlib.suppress(Exception):
                daemon.clean()
    return kills, whole, flipped


def one_set(daemon: Playing, kills: Kills, numbers: range, plan: tuple, say: Callable[[str], None]) -> int:
    """Play a set with the kills of these numbers; return the number behind the last."""
    until, bpm, rng = plan
    trial = Trial(daemon)
    try:
        trial.patch()
        trial.begin(bpm)
        time.sleep(BETWEEN)
        began = time.monotonic()
        every = max(BETWEEN, (until - began) / max(1, len(numbers)))
        for place, number in enumerate(numbers):
            due = began + every * place + rng.uniform(0, every - BETWEEN + 0.5)
            time.sleep(max(0.0, due - time.monotonic()))
            victim = "host" if number % 10 == 9 else "player"
            one_kill(trial, victim, kills)
            be_sure(trial, kills, number, victim, say)
            if number % 10 == 0:
                pids = daemon.state()["host"]["pids"]
                elapsed = time.monotonic() - began
                kills.memory.append((elapsed, memory(pids["player"]), memory(pids["host"])))
                say(f"{number + 1} kills, {elapsed:.0f} s, lost steps {dict(sorted(Counter(kills.lost).items()))}, "
                    f"release at most {max(kills.releases, default=0):.0f} ms")  # fmt: skip
        time.sleep(max(0.0, until - time.monotonic()))
        pids = daemon.state()["host"]["pids"]
        kills.memory.append((time.monotonic() - began, memory(pids["player"]), memory(pids["host"])))
        trial.clock.rest()
        transport = daemon.transport()
        kills.off = int(transport["song_clock"] or 0) + 1 - len(trial.clock.clock_frames)
        if kills.off and kills.off == trial.witness.count() - len(trial.clock.clock_frames):
            kills.lost_by_stage, kills.off = kills.lost_by_stage + 1, 0
        if transport["phase"] == "locked" and kills.off:
            kills.wrong_counts.append(f"{kills.off:+d} clocks at the end")
        trial.clock.send(STOP)
        Peer.until(lambda: not any(hanging(heard) for heard in trial.heard().values()), 3.0)
        kills.hanging += sum(len(hanging(heard)) for heard in trial.heard().values())
    finally:
        trial.close()
    daemon.stop()
    return numbers.stop


def replayed(daemon: Playing, folder: Path) -> dict:
    """Perform the last show again and compare it with what was sent."""
    done = subprocess.run(
        [sys.executable, "-c", "from replank.cli.main import main; main()", "replay", "last", "--check", "--json",
         "--state-dir", str(folder)],
        capture_output=True, text=True, env=daemon.env, check=False,
    )  # fmt: skip
    if done.returncode not in (0, 1):
        raise SystemExit(f"replank replay failed: {done.stderr}")
    return dict(json.loads(done.stdout))


def row(name: str, values: list[float], unit: str) -> str:
    """One line of the table: a distribution."""
    if not values:
        return f"| {name} | none measured | | | | |"
    found = sorted(values)
    at = [found[min(len(found) - 1, int(len(found) * q))] for q in (0.5, 0.9, 0.99)]
    return f"| {name} ({unit}) | {len(found)} | {at[0]:.0f} | {at[1]:.0f} | {at[2]:.0f} | {found[-1]:.0f} |"


def table(kills: Kills, whole: dict, flipped: dict) -> list[str]:
    """The report as Markdown."""
    lines = [
        "| per kill of the player | kills | p50 | p90 | p99 | most |", "| --- | --- | --- | --- | --- | --- |",
        row("from the kill to the next note", kills.gaps, "ms"),
        row("from the kill to the last release", kills.releases, "ms"),
        row("from the kill to the host's word that it has sent the releases, by the system's clock", kills.told, "ms"),
        row("for which the server itself stood still, which is in none of these times", kills.stood, "ms"),
        row("lost steps", [float(n) for n in kills.lost], "steps"),
        "", "| what | figure |", "| --- | --- |",
    ]  # fmt: skip
    lines += [
        f"| kills of the player with at most one lost step | {share(kills.lost, 1)} |",
        f"| kills of the player with every note released within 100 ms | {share(kills.releases, 100)} |",
        f"| kills of the host, after which a step was lost | {kills.lost_by_host} of {kills.hosts} |",
        f"| kills after which the phase was declared estimated or unknown, and set right by a Start | {kills.unsure}, "
        f"of which {kills.unsure_right} counted right |",
        f"| notes not released within the second after a kill | {kills.never_released} |",
        f"| releases that were lost before a kill, in a cycle given up | {kills.lost_before} |",
        f"| notes that sound at the end | {kills.hanging} |",
        f"| sets that failed | {len(kills.faults)} |",
        f"| processes never replaced | {kills.never_replaced} |",
        f"| kills after which it said locked and counted other clocks than were sent | "
        f"{len(kills.wrong_counts)} of {kills.counted} |",
        f"| kills after which an independent witness had not heard all that were sent, for a cycle given up | "
        f"{kills.lost_by_stage} |",
        f"| clocks counted at the end, less clocks sent | {kills.off:+d} |",
    ]
    if whole:
        same, caught = "yes" if whole["same"] else "NO", "NO" if flipped["same"] else "yes"
        lines += [
            f"| record replays to the same notes | {same}: {whole['inputs']} inputs, {whole['notes']} notes, "
            f"{whole['gaps']} gaps |",
            f"| a flipped input is caught | {caught}: {flipped['differences']} differences |",
        ]
    if kills.memory:
        first, last = kills.memory[0], kills.memory[-1]
        lines.append(f"| resident memory of player, host after {first[0]:.0f} s | {first[1]} KB, {first[2]} KB |")
        lines.append(f"| resident memory of player, host after {last[0]:.0f} s | {last[1]} KB, {last[2]} KB |")
    return lines


def share(values: list, most: float) -> str:
    """How many of the values are at most so much."""
    few = sum(value <= most for value in values)
    return f"{few} of {len(values)}" + (f", {few / len(values):.1%}" if values else "")


def verdict(kills: Kills, whole: dict, flipped: dict) -> list[str]:
    """What is wrong, whatever the machine's speed."""
    found = list(kills.faults)
    if kills.never_released or kills.hanging:
        found.append(f"{kills.never_released} notes were not released after a kill, {kills.hanging} at the end")
    if kills.never_replaced:
        found.append(f"{kills.never_replaced} processes were never replaced")
    if kills.wrong_counts:
        found.append(f"the daemon says locked and counts {'; '.join(kills.wrong_counts)}")
    if not whole:
        found.append("no set was played to its end")
    elif not whole["same"]:
        found.append(f"the record replays to other notes: {whole['first'][:2]}")
    elif flipped["same"]:
        found.append("a flipped input was not caught")
    return found


# -- the performer alone -------------------------------------------------------

CLOCK_NS = 20_833_333
"""A clock at 120 BPM."""
HOUR_CLOCKS = 120 * 24 * 60


def simulate(hours: float, seed: int, say: Callable[[str], None], make: Callable[..., Performer] = Performer) -> dict:
    """Play for simulated hours at 120 BPM; check every note; return figures.

    Raises:
        AssertionError: A note out of scale or register, struck twice, or never released; memory that grows.
    """
    rng = random.Random(seed)
    values = {"mutation_chance": 1.0, "mutation_count": 4, "homing": 0.3, "settle_new": 0, "slide_chance": 0.2}
    performer = make(Setup(values=values), seed, 0)
    now, notes, held = 0, 0, set()
    sizes: list[int] = []
    performer.receive(Midi(0, b"\xfa"), now)
    clocks = int(hours * HOUR_CLOCKS)
    clock = Midi(0, b"\xf8")
    look = max(HOUR_CLOCKS // 10, clocks // 50)
    lens = performer.settings.lens
    for number in range(clocks):
        now += CLOCK_NS
        due = performer.next_deadline()
        messages = performer.advance(now).messages if due is not None and due <= now else []
        for _, data in (*messages, *performer.receive(clock, now).messages):
            if is_on(data):
                lens = performer.settings.lens
                assert lens.low <= data[1] <= lens.high and (data[1] - lens.root) % 12 in lens.scale.offsets, (
                    f"clock {number}: note {data[1]} is out of scale or register"
                )
                assert data[1] not in held, f"clock {number}: note {data[1]} struck while it sounds"
                held.add(data[1])
                notes += 1
            elif data[0] & 0xF0 == 0x80:
                held.discard(data[1])
        assert len(held) <= 2, f"clock {number}: {sorted(held)} sound at once"
        if number % HOUR_CLOCKS == HOUR_CLOCKS // 2:
            event = rng.choice(
                (Assign({"root": rng.choice(("C", "D", "A"))}), Assign({"scale": rng.choice(("dorian", "phrygian"))}),
                 Assign({"length": rng.randrange(3, 33)}), Act("redraw"), Act("keep", ("dome",)), Act("undo"),
                 Act("recall", ("dome",)))
            )  # fmt: skip
            performer.receive(event, now)
        if number % look == look - 1:
            sizes.append(memory(os.getpid()))
            say(f"{(number + 1) / HOUR_CLOCKS:.1f} h, {notes} notes, {sizes[-1]} KB")
    for _, data in performer.releases():
        if data[0] & 0xF0 == 0x80:
            held.discard(data[1])
    assert not held and not performer.sounding(), f"{sorted(held)} hang at the end"
    settled = sizes[len(sizes) // 5 :] or sizes
    grown = settled[-1] - settled[0] if settled else 0
    assert grown < 4096, f"memory grew by {grown} KB"
    return {"hours": hours, "clocks": clocks, "steps": clocks // STEP, "notes": notes,
            "mutations": performer.melody.mutations, "KB at first": settled[0] if settled else 0,
            "KB at last": settled[-1] if settled else 0}  # fmt: skip
