"""A process that plays the performer alone, without ports and waiting, and prints what that cost as JSON.

performing.py SEED CLOCKS NAME=VALUE ...   the package is the one that PYTHONPATH names
"""

import json
import sys
import time

BPM = 120.0
CLOCK_NS = int(60e9 / (24 * BPM))


def main(seed: int, clocks: int, words: list[str]) -> dict[str, float]:
    """Return process seconds in all, those of the slowest clock, and how many notes were struck."""
    from replank.control.parameters import parse
    from replank.control.setup import Setup
    from replank.performer import Performer
    from replank.performer.events import Midi

    values = {name: parse(name, text) for name, text in (word.split("=", 1) for word in words)}
    performer = Performer(Setup(values=values), seed)
    tick, start = Midi(0, b"\xf8"), Midi(0, b"\xfa")
    now = notes = 0
    performer.receive(start, now)
    worst = 0.0
    measure = time.process_time
    began = before = measure()
    for _ in range(clocks):
        now += CLOCK_NS
        while (due := performer.next_deadline()) is not None and due < now:
            performer.advance(due)
        outcome = performer.receive(tick, now)
        for _, data in outcome.messages:
            notes += data[0] & 0xF0 == 0x90 and data[2] > 0
        after = measure()
        worst = max(worst, after - before)
        before = after
    return {"seconds": before - began, "worst": worst, "notes": notes}


if __name__ == "__main__":
    print(json.dumps(main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])))
