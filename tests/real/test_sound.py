"""The sound itself, measured by ears that know nothing of MIDI.

FluidSynth (an independent synthesizer) plays what replank sends; a pitch estimator and an
onset detector read the recording back (see `tests.patchbay.listening` for their source).
The square lead of the General MIDI fonts (Debian: fluid-soundfont-gm, timgm6mb-soundfont)
is used, since it begins and ends at once.  Tolerances: 15 cents, because no font promises
the tuning of its samples (these two were read as +4 and +7 cents; a semitone is 100), and
2 cents where two recordings of one font are compared; 6 ms for onsets offline, three
windows of the detector.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median

import mido
import pytest
from click.testing import CliRunner

from replank.cli.main import main
from replank.host.client import Client
from tests.patchbay.listening import Heard, listen
from tests.real.daemon import Daemon

pytestmark = pytest.mark.real

FONTS = [
    Path(folder) / name
    for name in ("FluidR3_GM.sf2", "TimGM6mb.sf2")
    for folder in ("/usr/share/sounds/sf2", "/usr/share/soundfonts")
]
LEAD = 80
"""Program of the square lead, counted from 0 (General MIDI level 1 sound set: Lead 1)."""
CENTS, SAME_FONT_CENTS, ONSET = 15.0, 2.0, 0.006

Sent = list[tuple[float, int]]
"""(seconds, note) of every note-on."""


@pytest.fixture(scope="module")
def font() -> Path:
    found = next((path for path in FONTS if path.exists()), None)
    if found is None or shutil.which("fluidsynth") is None:
        pytest.skip("needs FluidSynth and a General MIDI font (apt-get install fluidsynth timgm6mb-soundfont)")
    return found


def synthesizer(font: Path, folder: Path, *words: str) -> list[str]:
    """Return the command of a dry synthesizer that plays the lead on channel 1."""
    settings = folder / "lead.cfg"
    settings.write_text(f"prog 0 {LEAD}\n")
    return ["fluidsynth", "-n", "-i", "-f", str(settings), "-o", "player.reset-synth=false", "-R", "0", "-C", "0",
            "-g", "0.5", "-r", "48000", *words, str(font)]  # fmt: skip


def written_notes(path: Path) -> Sent:
    """Return the note-ons of a MIDI file, as a library reads them that is not ours."""
    found, seconds = [], 0.0
    for message in mido.MidiFile(path):
        seconds += message.time
        if message.type == "note_on" and message.velocity:
            found.append((seconds, message.note))
    return found


def perform(font: Path, folder: Path, name: str, *words: str) -> tuple[Sent, list[Heard]]:
    """Render a line into a MIDI file and that into sound; return what was written and what is heard."""
    midi, sound = folder / f"{name}.mid", folder / f"{name}.wav"
    line = ["--cycles", "2", "--seed", "7", "--tempo", "60", "-p", "slide_chance=0", "--out", str(midi)]
    run = CliRunner().invoke(main, ["render", *line, *words])
    assert run.exit_code == 0, run.output
    subprocess.run(
        [*synthesizer(font, folder, "-F", str(sound)), str(midi)], check=True, capture_output=True, timeout=30
    )
    return written_notes(midi), listen(sound)


def disagreements(sent: Sent, heard: list[Heard], cents: float = CENTS, onset: float = ONSET) -> list[str]:
    """Return where what was heard differs from what was sent, note by note."""
    if len(sent) != len(heard):
        return [f"{len(sent)} notes were sent, {len(heard)} heard"]
    found = []
    for (seconds, note), sound in zip(sent, heard, strict=True):
        if abs(sound.note - note) * 100 > cents:
            found.append(f"{seconds:.3f} s: note {note} sounds as {sound.note:.2f}")
        if abs(sound.onset - seconds) > onset:
            found.append(f"{seconds:.3f} s: begins at {sound.onset:.3f}")
    return found


def test_the_rendered_line_sounds_as_written(font: Path, tmp_path: Path) -> None:
    sent, heard = perform(font, tmp_path, "line")
    assert len(sent) >= 16
    assert disagreements(sent, heard) == []
    # negative controls: one note a semitone off, one note 20 ms late, one note missing
    assert disagreements([(s, n + (i == 5)) for i, (s, n) in enumerate(sent)], heard)
    assert disagreements([(s + 0.02 * (i == 5), n) for i, (s, n) in enumerate(sent)], heard)
    assert disagreements(sent[:-1], heard)


RIG = """\
rig: 1
a4: {a4}
voices:
  - name: line
    bend_range: {bend_range}
    tuning: {tuning}
"""


@pytest.mark.parametrize(
    ("a4", "bend_range", "fine", "tuning", "wanted"),
    [
        (440, 12, 40.0, "{C4: 0}", 40.0),  # were the bend range not set on the receiver, 6.7 cents would be heard
        (442, 2, 0.0, "{C4: 0}", 7.85),  # 1200 log2(442/440)
        (440, 2, 0.0, "{C2: -30, C6: -30}", -30.0),
    ],
)
def test_cents_are_heard(
    font: Path, tmp_path: Path, a4: int, bend_range: int, fine: float, tuning: str, wanted: float
) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG.format(a4=a4, bend_range=bend_range, tuning=tuning))
    _, straight = perform(font, tmp_path, "straight")
    _, bent = perform(font, tmp_path, "bent", "--rig", str(rig), "-p", f"fine_tune={fine}")
    assert len(straight) == len(bent) >= 16
    moved = [(b.note - s.note) * 100 for s, b in zip(straight, bent, strict=True)]
    assert max(abs(cents - wanted) for cents in moved) <= SAME_FONT_CENTS, moved


# -- over real ports ---------------------------------------------------------------------------

LIVE_ONSET = 0.06
"""Seconds: a synthesizer on a busy test machine takes its messages late; a step is 0.25."""


@contextlib.contextmanager
def live_synthesizer(font: Path, folder: Path, name: str) -> Iterator[Path]:
    """Run a synthesizer on the JACK server that records what it plays."""
    sound = folder / "live.wav"
    live = ["-m", "jack", "-o", f"midi.jack.id={name}", "-o", f"midi.jack.server={os.environ['JACK_DEFAULT_SERVER']}",
            "-a", "file", "-o", f"audio.file.name={sound}", "-o", "audio.period-size=64"]  # fmt: skip
    command = [word for word in synthesizer(font, folder, *live) if word != "-n"]
    command.remove("-i")  # it lives as long as its standard input
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, text=True
    ) as process:
        try:
            yield sound
        finally:
            assert process.stdin is not None
            process.stdin.write("quit\n")
            process.stdin.close()
            process.wait(15)


def said_notes(listener: Client, wanted: int) -> Sent:
    """Return (seconds, note) of the steps that the daemon says it struck, until there are enough."""
    found: Sent = []
    for line in listener.lines():
        if line.get("notice") == "step" and line["data"]["note"] >= 0:
            found.append((line["now"] / 1e9, line["data"]["note"]))
            if len(found) >= wanted:
                break
    return found


def aligned(sent: Sent, heard: list[Heard]) -> Sent:
    """Return what was sent, in the recording's time: the two clocks differ by one unknown span."""
    away = median(sound.onset - seconds for (seconds, _), sound in zip(sent, heard, strict=False))
    return [(seconds + away, note) for seconds, note in sent]


def test_the_daemon_sounds_as_it_says(font: Path, tmp_path: Path, play: Callable[..., Daemon]) -> None:
    name = f"ears-{os.getpid()}"
    rig = tmp_path / "rig.yaml"
    rig.write_text(f"rig: 1\noutputs:\n  - name: out\n    connect: [{name}]\n")
    with live_synthesizer(font, tmp_path, name) as sound:
        daemon = play("--clock", "internal", "--tempo", "60", "--rig", str(rig), "-p", "slide_chance=0")
        for _ in range(100):
            patches = daemon.state()["host"]["patches"]
            if any(row["peers"] for key, row in patches.items() if key.startswith("out:")):
                break
            time.sleep(0.1)
        else:
            pytest.fail(f"the synthesizer was not patched to the daemon: {patches}")
        with daemon.client() as listener:
            listener.ask("subscribe", levels=["step"], state=False)
            daemon.say("start")
            sent = said_notes(listener, 12)
        daemon.say("mute=on")  # what sounds keeps its gate
        time.sleep(0.6)
        daemon.say("stop")
    heard = listen(sound)
    # a step struck between the last notice and the mute may be heard too
    assert len(sent) <= len(heard) <= len(sent) + 1
    heard = heard[: len(sent)]
    played = aligned(sent, heard)
    assert disagreements(played, heard, onset=LIVE_ONSET) == []
    # negative controls: the line of another root, and the line from its second note on
    assert disagreements([(s, n + 1) for s, n in played], heard, onset=LIVE_ONSET)
    assert disagreements(played[1:], heard[:-1], onset=LIVE_ONSET)
