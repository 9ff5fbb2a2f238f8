"""How much room a busy show takes, with the real performer: three hours at 300 BPM unless told otherwise.

Run it with ``python -m tests.shows.measure_size [HOURS]``.  Each cycle
mutates, a knob is turned a tenth of the time at 100 messages a second, the
clock wavers by 0.3 ms, and the state is kept each minute.
"""

import random
import sys
import tempfile
import time
from pathlib import Path

from replank.host.shows.recorder import Recorder
from replank.performer.events import Assign, Midi
from tests.shows.stage import ShowStage, with_values
from tests.shows.streams import SECOND

TEMPO = 300.0


def main(hours: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shows.db"
        recorder = Recorder(path, engine=1)
        stage = ShowStage(recorder, with_values(mutation_chance=1.0, settle_new=0, rest_chance=0.1))
        random_, interval = random.Random(1), 60e9 / TEMPO / 24
        clocks = int(hours * 3600e9 / interval)
        began = time.monotonic()
        stage.happen((0, Midi(0, b"\xfa")))
        checkpoint = stage.now
        for n in range(clocks):
            stage.happen((int(interval) + random_.randrange(-300_000, 300_000), Midi(0, b"\xf8")))
            if n // 120 % 10 == 0 and n % 6 < 5:
                stage.happen((0, Assign({"rest_chance": random_.randrange(128) / 127, "gate": random_.random()})))
            if stage.now - checkpoint >= 60 * SECOND:
                stage.checkpoint()
                checkpoint = stage.now
            while recorder.health()["queued"] > 50_000:
                time.sleep(0.05)
        stage.end()
        took = time.monotonic() - began
        size, health = path.stat().st_size, recorder.health()
        print(f"{hours:g} h at {TEMPO:g} BPM: {size / 1e6:.1f} MB, {clocks} clocks, {len(stage.sent)} messages, "
              f"{stage.performer.melody.mutations} mutations, {health['commits']} commits, "
              f"slowest {health['slowest_ms']} ms, made in {took:.0f} s")  # fmt: skip


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 3.0)
