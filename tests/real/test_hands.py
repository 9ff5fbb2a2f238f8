"""Keys, programs and numbers out of range, from a real port to what is heard and said."""

import json

import pytest

from replank.host.client import Denied
from tests.real.boxes import CYCLE, Stage

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]

KEYS = [62, 64, 65, 69, 67, 61, 72, 50]
"""What a fellow player plays: also tones that D minor pentatonic does not have."""
SET = """set: 1
pieces:
  - {name: First Light, line: D3 F3 G3 A3 C4 D4 F3 D3}
  - {name: Meridian, line: A3 . C4 D4, root: A, hold: on}
"""
EXACT = """profile: 1
controls:
  - {sends: cc 20, moves: length, raw: yes}
  - {sends: cc 21, moves: register_low, raw: yes}
"""


def test_keys_set_the_root_write_the_line_and_are_caught(play, peer, tmp_path):
    stage = Stage(play, peer, tmp_path, "keyboard-modwheel", role="keyboard")
    stage.daemon.say("keyboard:root")
    stage.press(64)
    stage.cycle(2)
    assert stage.value("root") == "E"  # at the bar
    stage.daemon.say("root=D", "keyboard:write", "select:1")
    stage.cycle(2)
    for key in KEYS:
        stage.press(key)
    assert stage.cycle(2) == KEYS * 2
    line = [60, 62, 63, 67, 66, 50, 55, 48]  # in the register, not all in the scale
    stage.daemon.say("keyboard:catch")
    for key in line:
        stage.press(key)
    assert stage.cycle() == KEYS  # it becomes the line at the bar, two cycles of eight sixteenths
    assert stage.cycle() == line
    stage.daemon.say("go_home@now")
    assert stage.cycle() == line  # home included
    stage.daemon.say("keyboard:off")
    stage.press(72)
    assert stage.cycle() == line
    stage.end()


@pytest.mark.alone
def test_a_storm_of_one_box_is_heard_whole_and_replaces_nobody(play, peer, tmp_path):
    knobs = ["rest_chance", "reroll", "accent_chance", "homing", "gate", "mutation_chance", "swing", "slide_chance"]
    rows = [f"  - {{sends: cc {20 + n}, moves: {name}, takeover: jump}}" for n, name in enumerate(knobs)]
    (tmp_path / "storm.yaml").write_text("\n".join(["profile: 1", "controls:", *rows, ""]))
    stage = Stage(play, peer, tmp_path, "storm")
    turned = [bytes((0xB0, 20 + n, (turn + n) % 128)) for turn in range(250) for n in range(8)]
    stage.clock.clocks(CYCLE, wait=False)
    stage.box.storm(turned, 8000)
    assert peer_has_sent(stage)
    heard = lambda: stage.daemon.state()["performer"]["inputs"][1]["messages"]  # noqa: E731
    assert stage.box.until(lambda: heard() >= len(turned), 10)
    after = stage.daemon.state()
    assert heard() == len(turned)  # none was lost on the way, none came twice
    assert (after["host"]["replaced"], after["host"]["drops"]) == (0, 0)
    ends = {name: (249 + n) % 128 for n, name in enumerate(knobs)}
    assert {name: after["performer"]["controls"][name]["position"] for name in knobs} == pytest.approx(
        {name: raw / 127 for name, raw in ends.items()}
    )  # the last value wins
    stage.end()


def peer_has_sent(stage: Stage) -> bool:
    return stage.box.until(lambda: not stage.box._queue) and stage.clock.until(lambda: not stage.clock._clocks_left)


def test_programs_bring_in_pieces(play, peer, tmp_path):
    (tmp_path / "set.yaml").write_text(SET)
    more = ("--set", str(tmp_path / "set.yaml"))
    stage = Stage(play, peer, tmp_path, "keyboard-modwheel", more=more)
    stage.clock.clocks(96 - CYCLE)
    stage.box.send(b"\xc0\x01")  # program 1 on the wire is piece 2
    stage.clock.clocks(96)
    performer = stage.daemon.state()["performer"]
    assert (performer["piece"], performer["piece_name"]) == (2, "Meridian")
    with stage.daemon.client() as listener:
        listener.ask("subscribe", levels=["event", "warn"])
        stage.box.send(b"\xc0\x09")
        said = next(line for line in listener.lines() if line.get("notice") == "refused")
    assert "there is no piece 10: 1 to 2" in said["text"]
    assert stage.daemon.state()["performer"]["piece"] == 2
    stage.end()


def test_what_is_out_of_range_is_clamped_from_a_box_and_refused_from_files_and_socket(play, peer, tmp_path):
    (tmp_path / "exact.yaml").write_text(EXACT)
    stage = Stage(play, peer, tmp_path, "exact", rig="middle_c: 3\n")
    with stage.daemon.client() as listener:
        listener.ask("subscribe", levels=["event", "warn"])
        stage.cc(20, 100)
        stage.cc(21, 127)
        said = []
        for line in listener.lines():
            said += [line["text"]] if line.get("notice") == "clamped" else []
            if len(said) == 2:
                break
    assert said == ["length stops at 64", "register_low stops at G7"]  # note 115, with note 60 as C3
    assert (stage.value("length"), stage.value("register_low")) == (64, 115)
    stage.cc(20, 8)
    sent = stage.daemon.run("send", "--instance", stage.daemon.instance, "gate=0.5", "length=100")
    assert sent.returncode == 2
    assert "length" in sent.stderr
    assert "64" in sent.stderr
    with stage.daemon.client() as client, pytest.raises(Denied, match="length"):
        client.ask("set", values={"length": 100})
    assert (stage.value("length"), stage.value("gate")) == (8, 0.6)
    (tmp_path / "far.yaml").write_text("rig: 1\nvalues:\n  length: 100\n")
    checked = stage.daemon.run("check", "--json", str(tmp_path / "far.yaml"))
    assert checked.returncode == 2
    row = json.loads(checked.stdout)["files"][0]["mistakes"][0]
    assert (row["line"], row["column"]) == (3, 11)
    stage.end()
