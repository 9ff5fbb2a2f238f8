"""`replank check`, `init` and `where`, run as a person runs them; and the folders of replank.host.paths."""

import json
import os
import re
import stat

import pytest
from click.testing import CliRunner

from replank.cli.main import main
from replank.control.setup import Setup
from replank.host import paths
from replank.host.files import load_rig, load_set
from replank.host.files.kinds import check_file
from replank.host.files.templates import rig_template, set_template
from tests.files.helpers import ROOT


def run(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


# check


def test_good_files_are_described():
    done = run("check", ROOT / "examples" / "open-night.set.yaml", ROOT / "examples" / "observatory.rig.yaml")
    assert done.exit_code == 0, done.output
    assert "observatory.rig.yaml: a good rig" in done.output
    assert "piece 2: Meridian: A dorian, 7 steps" in done.output
    # 1 V per octave over 12 semitones (arithmetic)
    assert "83.333 mV per semitone" in done.output


def test_every_shipped_profile_is_good():
    done = run("check", "-q", ROOT / "profiles")
    assert (done.exit_code, done.output) == (0, "")


def test_mistakes_are_lines_with_file_line_and_column(tmp_path):
    wrong = tmp_path / "rig.yaml"
    wrong.write_text("rig: 1\nvoices:\n  - chanel: 3\n    gate_scale: 9\n")
    done = run("check", wrong, ROOT / "examples" / "observatory.rig.yaml")
    assert done.exit_code == 2
    lines = [line for line in done.output.splitlines() if line.startswith(str(wrong))]
    assert lines[0] == f"{wrong}:3:5: one of voices has no key 'chanel' (nearest: channel)"
    assert lines[1].startswith(f"{wrong}:4:17: gate_scale: 9 is outside")
    # the good one is still described
    assert "a good rig" in done.output


def test_json(tmp_path):
    wrong = tmp_path / "set.yaml"
    wrong.write_text("set: 1\npieces:\n  - scale: dorien\n")
    done = run("check", "--json", wrong)
    assert done.exit_code == 2
    said = json.loads(done.output)
    assert said["ok"] is False
    assert said["files"][0]["mistakes"][0] | {"what": ""} == {"file": str(wrong), "line": 3, "column": 12, "what": ""}
    done = run("check", "--json", ROOT / "examples")
    assert [row["kind"] for row in json.loads(done.output)["files"]] == ["rig", "set"]


def test_a_set_is_read_in_the_light_of_the_rig(tmp_path):
    (tmp_path / "a.yaml").write_text("set: 1\npieces:\n  - {name: x, scale: slow fifths}\n")
    (tmp_path / "b.yaml").write_text("# the rig\nrig: 1\nscales: {slow fifths: [0, 204, 702]}\n")
    assert run("check", tmp_path).exit_code == 0
    assert run("check", tmp_path / "a.yaml").exit_code == 2


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("tempo: 3\n", "does not say what it is"),
        ("pieces:\n  - name: x\n", "it looks like a set: begin it with 'set: 1'"),
        ("voices: []\n", "it looks like a rig"),
        ("controls: []\n", "it looks like a profile"),
        ("rig: 1\nset: 1\n", "a rig and a set"),
    ],
)
def test_a_file_says_what_it_is(tmp_path, text, what):
    (tmp_path / "f.yaml").write_text(text)
    done = run("check", tmp_path / "f.yaml")
    assert done.exit_code == 2
    assert what in done.output


def test_advice_is_told_and_allowed(tmp_path):
    (tmp_path / "s.yaml").write_text("set: 1\npieces:\n  - {name: x, half_life_bars: 8}\n")
    done = run("check", tmp_path / "s.yaml")
    assert done.exit_code == 0
    assert "needs" in done.output
    assert "(allowed)" in done.output


@pytest.mark.parametrize("name", ["absent.yaml", "a\x1b[2Jb.yaml"])
def test_a_missing_file_is_one_clear_line(tmp_path, name):
    done = run("check", tmp_path / name)
    assert done.exit_code == 2
    assert "cannot be read: No such file" in done.output
    assert "\x1b" not in done.output
    assert len(done.output.splitlines()) == 1


def test_an_empty_folder_is_wrong_input(tmp_path):
    assert run("check", tmp_path).exit_code == 2


# init


def uncommented(text: str) -> str:
    """Take the '#' away from every key, as a person would."""
    return re.sub(r"(?m)^(\s*)#(?=\s*[a-z_]+\d?:)", r"\1", text)


def test_init_writes_good_files_and_overwrites_nothing(tmp_path):
    folder = tmp_path / "tonight"
    done = run("init", folder)
    assert done.exit_code == 0, done.output
    assert run("check", folder).exit_code == 0
    before = (folder / "rig.yaml").read_bytes()
    (folder / "set.yaml").unlink()
    done = run("init", folder)
    assert done.exit_code == 2
    assert "would be overwritten" in done.output
    assert (folder / "rig.yaml").read_bytes() == before
    assert not (folder / "set.yaml").exists()


def test_a_first_rig_is_that_of_no_file(tmp_path):
    (tmp_path / "rig.yaml").write_text(rig_template())
    assert load_rig(tmp_path / "rig.yaml") == Setup()


def test_every_commented_key_of_a_first_file_can_be_switched_on(tmp_path):
    rig, pieces = uncommented(rig_template()), uncommented(set_template())
    assert rig != rig_template()
    # a piece has either
    pieces = pieces.replace("    half_life_bars", "    #half_life_bars")
    (tmp_path / "rig.yaml").write_text(rig)
    (tmp_path / "set.yaml").write_text(pieces)
    setup = load_set(tmp_path / "set.yaml", load_rig(tmp_path / "rig.yaml"))
    assert setup.clock == Setup().clock
    assert setup.outputs[0].din is False
    assert setup.pieces[0].values["tempo"] == 96
    assert check_file(tmp_path / "rig.yaml").kind == "rig"


def test_init_says_what_hinders_it(tmp_path):
    (tmp_path / "file").write_text("")
    done = run("init", tmp_path / "file" / "folder")
    assert done.exit_code == 2
    assert "a file where a folder should be" in done.output


# where: XDG Base Directory Specification 0.8


def test_where_names_everything(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    said = json.loads(run("where", "--json").output)
    assert said["rig"] == {"path": str(tmp_path / "replank" / "rig.yaml"), "exists": False}
    assert said["shipped_profiles"]["exists"] is True
    assert run("where", "--instance", "../x").exit_code == 2
    assert "(not there)" in run("where").output


def test_xdg_defaults_and_invalid_values():
    home = {"HOME": "/home/ada"}
    assert str(paths.config_dir(home)) == "/home/ada/.config/replank"
    assert str(paths.state_dir(home)) == "/home/ada/.local/state/replank"
    # "If an implementation encounters a relative path ... it should consider the path invalid and ignore it"
    assert str(paths.config_dir({**home, "XDG_CONFIG_HOME": "relative"})) == "/home/ada/.config/replank"
    # "either not set or empty"
    assert str(paths.state_dir({**home, "XDG_STATE_HOME": ""})) == "/home/ada/.local/state/replank"
    assert str(paths.state_dir({**home, "XDG_STATE_HOME": "/var/x"})) == "/var/x/replank"


def test_the_runtime_folder_is_used_only_if_it_is_there_and_ours(tmp_path):
    ours = f"/tmp/replank-{os.getuid()}"
    assert str(paths.runtime_dir({"XDG_RUNTIME_DIR": str(tmp_path)})) == str(tmp_path / "replank")
    assert str(paths.runtime_dir({})) == ours
    assert str(paths.runtime_dir({"XDG_RUNTIME_DIR": "run"})) == ours
    assert str(paths.runtime_dir({"XDG_RUNTIME_DIR": str(tmp_path / "absent")})) == ours
    (tmp_path / "link").symlink_to(tmp_path)
    assert str(paths.runtime_dir({"XDG_RUNTIME_DIR": str(tmp_path / "link")})) == ours


def test_a_socket_path_fits_the_system(tmp_path):
    deep = tmp_path / ("x" * 90)
    deep.mkdir()
    found = paths.socket_path("late", {"XDG_RUNTIME_DIR": str(deep)})
    assert str(found) == f"/tmp/replank-{os.getuid()}/late.sock"
    for name in ("", "../x", "a/b", "x" * 33, ".hidden", "a b"):
        with pytest.raises(ValueError, match="cannot name an instance"):
            paths.socket_path(name)


def test_a_private_folder_is_made_and_checked(tmp_path):
    made = paths.private_dir(tmp_path / "deep" / "run")
    assert stat.S_IMODE(made.stat().st_mode) == 0o700
    assert paths.private_dir(made) == made
    made.chmod(0o750)
    with pytest.raises(paths.UnsafeFolder, match="chmod 700"):
        paths.private_dir(made)
    (tmp_path / "link").symlink_to(tmp_path / "deep")
    with pytest.raises(paths.UnsafeFolder, match="is a link"):
        paths.private_dir(tmp_path / "link")
    (tmp_path / "file").write_text("")
    with pytest.raises(paths.UnsafeFolder, match="is no folder"):
        paths.private_dir(tmp_path / "file")
    with pytest.raises(paths.UnsafeFolder, match="cannot be made"):
        paths.private_dir(tmp_path / "file" / "run")


def test_a_folder_of_another_user_is_refused(tmp_path):
    if os.getuid() != 0:
        pytest.skip("elsewhere: only root can give a folder away")
    folder = paths.private_dir(tmp_path / "run")
    os.chown(folder, 65534, 65534)
    with pytest.raises(paths.UnsafeFolder, match="another user"):
        paths.private_dir(folder)


def test_a_named_pipe_is_one_mistake(tmp_path):
    os.mkfifo(tmp_path / "rig.yaml")
    done = run("check", tmp_path / "rig.yaml")
    assert done.exit_code == 2
    assert "no regular file" in done.output
