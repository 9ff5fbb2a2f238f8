"""From a knob box to sound: a virtual box plays each shipped profile, and a learnt one, over real JACK ports."""

import random

import pytest
from click.testing import CliRunner

from replank.cli.learn import command as learn
from tests.control import streams
from tests.real.boxes import Stage

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]


def test_eight_knobs_and_eight_buttons(play, peer, tmp_path):
    stage = Stage(play, peer, tmp_path, "eight-knobs-eight-buttons")
    line = stage.cycle()
    assert len(line) == 8
    stage.cc(104, 64)  # teaches, moves nothing
    assert stage.cycle() == line
    stage.cc(104, 20, 0)  # density to the left: rests almost everywhere
    assert stage.value("rest_chance") == 0.9
    thin = stage.cycle()
    assert 1 <= len(thin) < 5
    stage.cc(104, 60, 127)
    assert stage.cycle() == line  # turned back, exactly the same line
    stage.press(36)
    stage.press(40)
    assert stage.cycle() == []
    stage.press(40)
    assert stage.cycle() == line
    assert len(stage.daemon.state()["performer"]["snapshots"]) == 1
    stage.press(43)
    assert stage.clock.until(lambda: any(data[:2] == b"\xb0\x7b" for _, data in stage.clock.received))
    stage.end()


def test_sixteen_encoders_with_pushes(play, peer, tmp_path):
    stage = Stage(play, peer, tmp_path, "sixteen-encoders")
    line = stage.cycle()
    tones = stage.daemon.state()["performer"]["line"]["tones"]
    third = tones.index(line[2])
    way, byte = (1, 1) if third + 1 < len(tones) else (-1, 127)
    stage.cc(104, byte)
    changed = [*line]
    changed[2] = tones[third + way]
    assert stage.cycle() == changed
    stage.press(52)
    assert stage.cycle() == changed[:4] + changed[5:]
    stage.press(52)
    assert stage.cycle() == changed
    stage.end()


def test_keyboard_with_mod_wheel(play, peer, tmp_path):
    stage = Stage(play, peer, tmp_path, "keyboard-modwheel", role="keyboard")
    line = stage.cycle()
    stage.press(67)  # transposes by a fifth, and stays
    assert stage.cycle() == [note + 7 for note in line]
    stage.press(60)
    assert stage.cycle() == line
    stage.cc(1, 64, 0)
    assert stage.value("mutation_chance") == 0.0
    stage.cc(64, 127)
    assert stage.value("hold") is True
    stage.box.send(b"\xe0\x00\x40", b"\xe0\x7f\x7f")
    raised = stage.cycle()
    assert stage.value("transpose_degrees") == 7
    assert all(high > low for low, high in zip(line, raised, strict=True))
    stage.end()


def test_a_learnt_box(play, peer, tmp_path):
    dice = random.Random(3)
    functions = {
        "transpose": streams.knob_14(dice, 1, 5),
        "gate": streams.encoder(dice, 1, 40, "sign-magnitude-reversed"),
        "mute": streams.pressed(b"\xb0\x50\x7f", b"\xb0\x50\x00"),
    }
    rows = [row for name, messages in functions.items() for row in (f"function: {name}", *(m.hex() for m in messages))]
    (tmp_path / "stream.txt").write_text("\n".join(rows))
    made = CliRunner().invoke(learn, [str(tmp_path / "mybox.yaml"), "--from", str(tmp_path / "stream.txt")])
    assert made.exit_code == 0, made.output
    stage = Stage(play, peer, tmp_path, "mybox")
    line = stage.cycle()
    for msb, lsb in ((64, 0), (127, 127)):
        stage.cc(5, msb)
        stage.cc(37, lsb)
    assert stage.value("transpose") == 24
    assert stage.cycle() == [note + 24 for note in line]
    stage.cc(40, 65, 65)
    assert stage.value("gate") > 0.6
    stage.cc(80, 127, 0)
    assert stage.cycle() == []
    stage.end()


def lights(box) -> dict[int, int]:
    """Return what each push was last shown: note -> velocity."""
    return {data[1]: data[2] for _, data in box.received if data[0] == 0x90}


def test_pushes_are_lit_where_steps_sound_and_an_echo_presses_none(play, peer, tmp_path):
    stage = Stage(play, peer, tmp_path, "sixteen-encoders")
    box = stage.box
    shown = {note: 70 if note < 56 else 0 for note in range(48, 64)}  # eight of sixteen steps are played
    assert box.until(lambda: lights(box) == shown)
    line = stage.cycle()
    box.send(*(data for _, data in list(box.received)))  # a box that sends back all it was shown
    assert stage.cycle() == line
    stage.press(49)
    assert box.until(lambda: lights(box)[49] == 0)
    box.send(bytes((0x90, 49, 0)))
    stage.daemon.say("rest:3:rest")
    assert box.until(lambda: lights(box)[50] == 0)
    stage.daemon.say("rest:3:sound")
    assert box.until(lambda: lights(box)[50] == 70)
    box.send(bytes((0x90, 50, 70)))  # the echo
    assert stage.cycle() == [line[0], *line[2:]]
    stage.end()


def test_a_box_that_was_unplugged_is_shown_everything_and_learnt_anew(play, peer, tmp_path):
    stage = Stage(play, peer, tmp_path, "sixteen-encoders")
    assert stage.box.until(lambda: len(lights(stage.box)) == 16)
    stage.box.close()
    again = stage.box = peer("knobbly")
    assert again.until(lambda: stage.daemon.port["box"] in stage.plugged())
    assert again.until(lambda: len(lights(again)) == 16)
    stage.end()
