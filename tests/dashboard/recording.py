"""The fixed record that pictures and snapshot tests are made from.

`perform` plays the examples' open night with the real performer on a virtual
clock, by one seeded drummer and one hand, and writes down what a daemon would
have said.  The record is kept in the repository, so that a picture changes
only when the dashboard does; `scripts/pictures --record` makes it anew.
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

from replank.control.notices import NOTICES, Notice, words
from replank.host.files.rig import load_rig
from replank.host.files.sets import load_set
from replank.performer import Performer
from replank.performer.events import Act, Assign, Event, Midi

ROOT = Path(__file__).resolve().parents[2]
FILE = ROOT / "docs" / "pictures" / "record.json"
GREETING = {"replank": 1, "protocol": 1, "version": "0.1.0", "instance": "default"}
INTERVAL = 20_833_333
"""Nanoseconds of a clock at 120 BPM: 60 s / 120 / 24."""
FRESH = 2_400_000_000
"""What was said in the last nanoseconds before the picture is said anew when a test attaches."""
HOST: dict[str, Any] = {
    "instance": "default", "uptime_s": 812.4, "api": "jack", "clients": 2, "kept": True, "playing": True, "waiting": "",
    "pids": {"keeper": 4209, "player": 4211, "host": 4212}, "replaced": 0, "generation": 1,
    "period": {"frames": 64, "rate": 48000, "ms": 1.333},
    "ports": {"clock": "replank:clock", "knobs": "replank:knobs", "keyboard": "replank:keyboard", "out": "replank:out"},
    "patches": {
        "in:clock": {"port": "replank:clock", "peers": ["stage clock"], "wishes": ["stage clock"]},
        "in:knobs": {"port": "replank:knobs", "peers": ["knob box"], "wishes": ["knob box"]},
        "in:keyboard": {"port": "replank:keyboard", "peers": [], "wishes": ["keyboard"]},
        "out:out": {"port": "replank:out", "peers": ["dome interface"], "wishes": ["dome interface"]},
        "out:synth": {"port": "replank:synth", "peers": ["synth"], "wishes": ["synth"]},
    },
    "latency_us": {"p50": 94.2, "p99": 171.0, "max": 310.5},
    "player": {"late": 0, "failures": 0, "unsent": 0, "dropped": 0, "priority": "SCHED_FIFO 4"},
    "clock_missed": 0, "drops": 0, "broken": 0, "differences": 0,
    "disk": {"state": "ok", "text": "the show is kept in shows.db", "show": 3, "dropped": 0},
}  # fmt: skip
"""What a host would add; the names of the ports are those of the example rig."""


def notice_message(notice: Notice) -> dict[str, Any]:
    """Return a notice as the socket carries it."""
    level = NOTICES[notice.kind].level
    text = words(notice.kind, notice.data)
    return {"notice": notice.kind, "now": notice.now, "text": text, "level": level, "data": notice.data}


class Night:
    """A performer, a drummer and a hand.

    Args:
        seed: Of the drummer's wavering and the performer's chance.
    """

    def __init__(self, seed: int = 1609) -> None:
        rig = load_rig(ROOT / "examples" / "observatory.rig.yaml")
        self.performer = Performer(load_set(ROOT / "examples" / "open-night.set.yaml", rig), seed, 1_000_000_000)
        self.random = random.Random(seed)
        self.now = 1_000_000_000
        self.notices: list[Notice] = []

    def receive(self, event: Event) -> None:
        """Hand one event over."""
        self.notices += self.performer.receive(event, self.now).notices

    def act(self, name: str, *args: str, due: str = "") -> None:
        """Do an action."""
        self.receive(Act(name, args, due))

    def clocks(self, count: int) -> None:
        """Send clocks; each is up to 0.4 ms early or late."""
        for _ in range(count):
            self.now += INTERVAL
            late = int(self.random.uniform(-400_000, 400_000))
            self.notices += self.performer.receive(Midi(0, b"\xf8"), self.now + late).notices

    def knob(self, controller: int, value: int) -> None:
        """Turn a knob of the box."""
        self.now += 2_000_000
        self.receive(Midi(1, bytes([0xB0, controller, value])))

    def state(self) -> dict[str, Any]:
        """Return the whole state as the socket carries it."""
        return {"performer": self.performer.view(), "host": HOST}


def perform() -> dict[str, Any]:
    """Play the night up to the moment of the pictures and return the record."""
    night = Night()
    night.act("piece", "1", due="now")
    night.receive(Assign({"mutation_chance": 1.0, "mutation_count": 2, "rest_chance": 0.2, "slide_chance": 0.12}))
    night.receive(Midi(0, b"\xfa"))
    night.clocks(96 * 9)
    night.act("keep", "the good one")
    night.clocks(96 * 6)
    night.act("rest", "7", "rest")
    night.act("rest", "12", "sound")
    night.act("semitone", "14", "1")
    night.act("link", "3", "slide")
    night.act("ratchet", "9", "3")
    night.act("star", "the dome opens")
    night.clocks(96 * 9)
    night.act("keep_last", "before the gate")
    for value in (64, 66, 70, 75, 80):
        night.knob(108, value)  # the gate: the first movement only teaches its position
        night.clocks(4)
    night.knob(105, 8)
    night.knob(105, 12)
    night.clocks(96 - 20 + 60)
    night.act("ramp", "homing", "0.2", "8")
    night.act("recall", "the good one", due="4bars")
    night.clocks(18)
    told = [n for n in night.notices if NOTICES[n.kind].level != "step"]
    return {
        "greeting": GREETING,
        "state": night.state(),
        "notices": [notice_message(n) for n in told if n.now < night.now - FRESH][-40:],
        "fresh": [notice_message(n) for n in told if n.now >= night.now - FRESH],
        "step": notice_message(next(n for n in reversed(night.notices) if n.kind == "step")),
    }


def load() -> dict[str, Any]:
    """Return the record that is kept."""
    found: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    return found


def save() -> None:
    """Make the record anew."""
    text = json.dumps(perform(), ensure_ascii=False, separators=(",", ":"))
    FILE.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    save()
