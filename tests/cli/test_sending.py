"""Everything that can be sent to a running daemon is confirmed in words, or refused with one reason and no change."""

import re
import time

import pytest

from replank.control.actions import ACTIONS
from replank.control.parameters import PARAMETERS, show
from replank.host.client import Denied
from tests.real.daemon import Daemon

ARGUMENTS = {
    "name": "blue", "cycle": "1", "amount": "+1", "step": "3", "note": "D4", "state": "on", "count": "2",
    "pass": "1of2", "minutes": "2.5", "sound": "2", "silent": "2", "parameter": "mutation_chance", "value": "0.5",
    "bars": "4", "piece": "1", "text": "good", "mode": "root", "velocity": "64", "voice": "1",
}  # fmt: skip
STATES = {"rest": "sound", "link": "slide"}
ELSE = {"toggle": "toggle:hold", "adjust": "gate+=0.1"}
SET = "set: 1\npieces:\n  - name: First Light\n  - name: Meridian\n"
WRONG = ["frobnicate", "pitch:65:+1", "note:3:H", "recall:nobody", "back:99999", "pass:6:5of4", "ramp:scale:dorian:4",
         "length=99", "scale=nope", "lenght=3", "hold@tomorrow", "piece:9", "tuning_note:C4:64:9", "goto:soon",
         "goto:601", "cancel:plan", "tension=1.1", "phrase=17", ""]  # fmt: skip


@pytest.fixture(scope="module")
def daemon(tmp_path_factory):
    pieces = tmp_path_factory.mktemp("set") / "set.yaml"
    pieces.write_text(SET)
    with Daemon("--api", "none", "--clock", "internal", "--set", str(pieces)) as made:
        made.say("tempo=400", "length=1", "start")
        while made.transport()["cycle"] < 3:  # so that there is something to keep and to go back to
            time.sleep(0.05)
        made.say("stop")
        yield made


def written(name):
    row = ACTIONS[name]
    words = [STATES.get(name, "on") if word == "state" else ARGUMENTS[word] for word in row.takes if word[0] != "["]
    return ELSE.get(name) or ":".join([name, *words])


@pytest.mark.parametrize("name", [name for name in ACTIONS if name != "redo"])
def test_every_action_is_confirmed(daemon, name):
    with daemon.client() as client:
        if name == "undo":
            client.ask("say", words=["pitch:3:+1"])
        if "name" in ACTIONS[name].takes:
            client.ask("say", words=["keep:blue"])  # another test may have forgotten it
        answer = client.ask("say", words=[written(name)])
    assert all(isinstance(line, str) and line and "\n" not in line for line in answer["said"])
    # what has no words of its own is confirmed by the command itself
    assert answer["said"] or name in ("cancel", "ramp", "tap")


@pytest.mark.parametrize("name", PARAMETERS)
def test_every_parameter_is_confirmed(daemon, name):
    with daemon.client() as client:
        answer = client.ask("say", words=[f"{name}={show(name, PARAMETERS[name].default)}"])
    assert answer["said"]
    assert all(line.startswith(name) for line in answer["said"])


@pytest.mark.parametrize("word", WRONG)
def test_what_is_wrong_is_refused_and_changes_nothing(daemon, word):
    with daemon.client() as client:
        client.ask("say", words=["stop", "cancel"])
        before = settled(client)
        with pytest.raises(Denied) as refused:
            client.ask("say", words=["gate=0.33", word])
        assert settled(client) == before, "also the right word before it was not done"
    assert len(str(refused.value).splitlines()) == 1


def test_piece_time_phrases_tension_and_the_plan_answer_in_words(daemon):
    with daemon.client() as client:

        def say(*words):
            return client.ask("say", words=list(words))["said"]

        say("stop", "cancel", "goto:0")
        assert say("tension=0.7") == ["tension 0.7"]
        assert say("phrase=4", "breath=2") == ["phrase 4", "breath 2"]
        assert say("mutate_every=phrase") == ["mutate_every phrase"]
        assert say("goto:4.5") == ["the piece is at 4:30, was at 0:00"]
        with pytest.raises(Denied, match="cancel: nothing is planned"):
            say("cancel:plan")
        with pytest.raises(Denied, match="goto: 'soon' is not a number of minutes"):
            say("goto:soon")
        assert say("phrase=0", "visit_home=4") == [
            "visit_home has no effect now: phrases are off: phrase sets their bars", "phrase 0", "visit_home 4",
        ]  # fmt: skip
        state = client.ask("state")["state"]["performer"]
        assert state["course"]["minutes"] == 4.5 and state["sounding"]["rest_chance"]["shown"] == "0.04"
        say("tension=0.5", "visit_home=0", "breath=1", "mutate_every=cycle", "goto:0")


def test_what_is_new_is_in_the_list_and_the_status(daemon):
    listed = " ".join(daemon.run("send", "--list").stdout.split())
    for part in ("goto:MINUTES", "cancel[:NAME]", "tension Moves", "phrase Bars of a phrase", "visit_home Every"):
        assert part in listed
    daemon.say("stop", "goto:4.5", "phrase=4", "tension=0.7")
    shown = daemon.run("status", "--instance", daemon.instance).stdout
    assert "First Light 4:30, bar" in shown and re.search("bar [1-4] of 4", shown), shown  # wherever the clock stopped
    assert "tension 0.7: rest_chance 0.2 → sounds 0.04, " in shown
    daemon.say("goto:0", "phrase=0", "tension=0.5")


def settled(client):
    view = client.ask("state")["state"]["performer"]
    return {part: view[part] for part in ("line", "parameters", "snapshots", "trail", "due", "ramps", "piece")}


def test_the_command_says_done_where_nothing_else_is_said(daemon):
    daemon.say("cancel")
    done = daemon.run("send", "--instance", daemon.instance, "cancel")
    assert (done.returncode, done.stdout, done.stderr) == (0, "done\n", "")
    quiet = daemon.run("send", "-q", "--instance", daemon.instance, "cancel")
    assert (quiet.returncode, quiet.stdout, quiet.stderr) == (0, "", "")


def test_a_stopped_clock_of_its_own_says_what_begins_it(daemon):
    daemon.say("stop", "mute=off")
    done = daemon.run("status", "--instance", daemon.instance)
    assert f"(replank send --instance {daemon.instance} start)" in done.stdout
    daemon.say("start")
    assert "start)" not in daemon.run("status", "--instance", daemon.instance).stdout
    daemon.say("stop")


def test_a_second_daemon_is_told_where_the_first_is(daemon):
    again = daemon.run("play", "--instance", daemon.instance, "--api", "none")
    assert again.returncode == 2
    assert str(daemon.socket) in again.stderr
    assert f"see replank status --instance {daemon.instance}," in again.stderr
    assert len(again.stderr.splitlines()) == 1


def test_files_are_read_again_when_asked(tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: 1\nvalues: {retrigger_gap: 8, swing: 55, gate: 0.5}\n")
    daemon = Daemon("--api", "none", "--clock", "internal", "--rig", str(rig), "-p", "gate=0.4")

    def send(*words):
        return daemon.run("send", "--instance", daemon.instance, *words)

    def values():
        shown = daemon.state()["performer"]["parameters"]
        return shown["retrigger_gap"], shown["swing"], shown["gate"]

    try:
        daemon.say("swing=60")
        rig.write_text("rig: 1\nvalues: {retrigger_gap: 12, swing: 57, gate: 0.7}\n")
        done = send("--reload")
        assert (done.returncode, done.stderr) == (0, "")
        assert "so it stays: swing 60" in done.stdout
        assert values() == (12.0, 60.0, 0.4), "what the command line says goes before the rig"
        rig.write_text("rig: 1\nvalues: {retrigger_gap: 99}\n")
        wrong = send("--reload")
        assert wrong.returncode == 2
        assert f"{rig}:2:25" in wrong.stderr
        assert values() == (12.0, 60.0, 0.4)
        assert send("--reload", "swing=50").returncode == send("-q").returncode == 2
    finally:
        daemon.clean()


def test_what_is_said_while_the_player_is_still_starting_waits_for_it():
    daemon = Daemon("--api", "none", "--clock", "internal", wait=False)
    try:
        end = time.monotonic() + 30
        while not daemon.socket.exists() and time.monotonic() < end:
            time.sleep(0.005)
        assert daemon.say("start")["said"]
        assert daemon.transport()["armed"] or daemon.transport()["running"]
    finally:
        daemon.clean()
