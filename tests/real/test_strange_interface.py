"""A rig for a strange interface, from its file to what is said and sent: 1.2 V an octave, 0 V at note 36, 0 to 8 V.

The volts are counted here by hand: 1.2 V over 12 semitones is 0.1 V a semitone
above note 36; 8 V over 2 to the power of 12 is 1.953 mV.
"""

import re

import pytest

from tests.real.peer import START, STOP

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]

RIG = """rig: 1
voices:
  - name: dome
    accent: {cc: none}
    velocity: {cc: none}
    out_of_range: %s
    voltage: {volts_per_octave: 1.2, zero_note: 36, range: 0 to 8, bits: 12, controllers: 0 to 8}
values: {register_low: 24, register_span: 36, rest_chance: 0, scale: chromatic, mutation_chance: 0}
"""


def volts(note: int) -> float:
    return (note - 36) / 10


@pytest.mark.parametrize("out_of_range", ["fold", "rest"])
def test_a_strange_interface_gets_right_volts_or_a_clear_word(play, peer, tmp_path, out_of_range):
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG % out_of_range)
    daemon = play("--rig", str(rig), "--seed", "12345")
    checked = daemon.run("check", str(rig)).stdout
    assert "0 V at C2 (note 36), 100.000 mV per semitone" in checked
    assert "notes 36 to 116, 81 notes" in checked
    assert "12 bits, step 1.953 mV = 1.95 cents" in checked
    stage = peer("stage")
    stage.patch(clock=daemon.port["clock"], out=daemon.port["out"])
    assert stage.until(lambda: len(stage.hears()) == 1)
    with daemon.client() as listener:
        listener.ask("subscribe", levels=["warn", "event"])
        stage.clocks(96, first=(START,))
        steps = daemon.state()["performer"]["line"]["steps"][:16]
        below = [step for step in steps if step["note"] < 36]
        assert below, "this line has notes that need volts below 0"
        said = set()
        for line in listener.lines():
            said |= {line["data"]["note"]} if line.get("notice") == "out_of_range" else set()
            if len(said) == len({step["note"] for step in below}):
                break
    assert said == {step["name"] for step in below}
    heard = stage.notes_on()
    wanted = [step["note"] for step in steps]
    if out_of_range == "fold":
        sent = [note if note >= 36 else 36 + note % 12 for note in wanted]
    else:
        sent = [note for note in wanted if note >= 36]
    assert heard == sent
    assert all(0.0 <= volts(note) <= 8.0 for note in heard)
    shown = [step["volts"] for step in steps if step["volts"] is not None]
    assert shown == pytest.approx([volts(note) for note in sent], abs=1e-4)
    told = re.search(
        r"^volts, computed from the rig: (.*)$", daemon.run("status", "--instance", daemon.instance).stdout, re.M
    )
    assert told is not None
    numbers = [float(word) for word in told[1].split() if re.fullmatch(r"[\d.]+", word)]
    assert numbers == pytest.approx(shown, abs=5e-4)
    stage.send(STOP)
    sound = daemon.run("soundcheck", "--instance", daemon.instance, "--seconds", "1", "--yes")
    for note, value in re.findall(
        r"next: dome, (\S+), velocity \d+, (\S+) V \(computed\)", sound.stdout + sound.stderr
    ):
        octave, name = int(note[-1]), note[:-1]
        number = 12 * (octave + 1) + "C Db D Eb E F Gb G Ab A Bb B".replace("Gb", "F#").split().index(name)
        assert float(value) == pytest.approx(volts(number), abs=5e-4)
    assert "pass  note dome" in sound.stdout


def test_an_interface_that_can_play_nothing_is_refused(play, tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text((RIG % "fold").replace("0 to 8, bits", "20 to 24, bits"))
    daemon = play("--rig", str(rig), wait=False)
    assert daemon.process.wait(30) == 2
    checked = daemon.run("check", str(rig))
    assert checked.returncode == 2
    assert re.search(r"rig\.yaml:\d+:\d+: .*(20 to 24 V|-15 to 15)", checked.stdout)
