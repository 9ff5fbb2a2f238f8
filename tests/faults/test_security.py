"""The socket serves its owner only, and nothing that comes through it holds anything up."""

import json
import os
import shutil
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from replank.control.notices import Notice
from replank.host import paths, server
from replank.host.server import LONGEST_LINE, MOST_CLIENTS, clean
from replank.keeper.claim import claim
from tests.faults.stage import PATIENCE, Peer
from tests.real.daemon import Daemon

AS_NOBODY = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
needs_another_user = pytest.mark.skipif(
    os.getuid() != 0 or shutil.which("setpriv") is None, reason="elsewhere: needs another user"
)


def refused(path: Path) -> str:
    with pytest.raises(paths.UnsafeFolder) as found:
        paths.private_dir(path)
    return str(found.value)


def test_folder_is_its_owners_alone(tmp_path):
    made = paths.private_dir(tmp_path / "ours")
    assert stat.S_IMODE(made.stat().st_mode) == 0o700
    made.chmod(0o750)
    assert "chmod 700" in refused(made)
    link = tmp_path / "link"
    link.symlink_to(paths.private_dir(tmp_path / "other"))
    assert "is a link" in refused(link)
    (tmp_path / "file").touch()
    assert "is no folder" in refused(tmp_path / "file")


@needs_another_user
def test_folder_of_another_user_is_refused(tmp_path):
    theirs = paths.private_dir(tmp_path / "theirs")
    os.chown(theirs, 65534, 65534)
    assert "another user" in refused(theirs)


def test_check_that_follows_links_is_rejected(tmp_path, monkeypatch):
    """Negative control: with `stat` in place of `lstat` the link would pass, which the test above would notice."""
    monkeypatch.setattr(paths.os, "lstat", os.stat)
    link = tmp_path / "link"
    link.symlink_to(paths.private_dir(tmp_path / "other"))
    with pytest.raises(pytest.fail.Exception):
        refused(link)


def test_socket_and_lock_are_for_their_owner(tmp_path):
    held = claim(tmp_path / "run" / "one.sock", "one")
    try:
        assert stat.S_IMODE(held.socket.stat().st_mode) == 0o600
        assert stat.S_IMODE(held.lock.stat().st_mode) == 0o600
    finally:
        os.close(held.listen_fd)
        os.close(held.lock_fd)


def test_lock_that_is_a_link_is_not_written_through(tmp_path):
    """Somebody put a link to a file of ours where the lock goes: the file stays as it is."""
    folder = paths.private_dir(tmp_path / "run")
    precious = tmp_path / "precious"
    precious.write_text("first light")
    (folder / "one.lock").symlink_to(precious)
    with pytest.raises(OSError, match="link"):
        claim(folder / "one.sock", "one")
    assert precious.read_text() == "first light"


def test_long_paths_are_shortened():
    """unix(7): 108 bytes with the final NUL."""
    deep = {"XDG_RUNTIME_DIR": "/nowhere/" + "d" * 120, "HOME": "/"}
    assert len(os.fsencode(paths.socket_path("observatory", deep))) <= 107
    assert len(os.fsencode(paths.socket_path("x" * 32, {"XDG_RUNTIME_DIR": "", "HOME": "/"}))) <= 107


def test_texts_from_outside_lose_their_control_characters():
    dirty = "red\x1b[31m box\x07\u202e\nfirst [b]light[/b]"
    told = server.notice_line(Notice("port", 0, {"port": dirty, "state": "patched", "text": dirty}))
    for text in (told["text"], told["data"]["port"], clean({dirty: [dirty]}).popitem()[0]):
        assert text.isprintable() and "[b]" in text, text


@pytest.fixture(scope="module")
def daemon():
    """A daemon without ports, on its own clock."""
    with Daemon("--api", "none", "--clock", "internal", "--tempo", "400", "--seed", "7", wait=False) as made:
        made.wait_ready(PATIENCE)
        made.say("start")
        yield made
        assert made.transport()["running"], "something stopped the line"


def connected(daemon) -> socket.socket:
    made = socket.socket(socket.AF_UNIX)
    made.settimeout(PATIENCE)
    made.connect(os.fspath(daemon.socket))
    return made


def test_files_of_a_running_daemon(daemon):
    assert stat.S_IMODE(daemon.socket.parent.stat().st_mode) == 0o700
    assert stat.S_IMODE(daemon.socket.stat().st_mode) == 0o600
    mine = [path for path in (daemon.folder / "state" / "replank").iterdir() if path.suffix != ".log"]
    assert all(stat.S_IMODE(path.stat().st_mode) & 0o077 == 0 for path in mine), mine


@needs_another_user
def test_another_users_process_is_turned_away(daemon):
    """Folder and socket are opened to everybody by mistake: the peer's user is still asked for."""
    script = (
        "import socket, sys\ns = socket.socket(socket.AF_UNIX)\ns.settimeout(60)\ns.connect(sys.argv[1])\n"
        'try:\n    s.sendall(b\'{"do": "state"}\\n\')\n    print(len(s.recv(4096)))\nexcept OSError:\n    print(0)\n'
    )
    opened = [daemon.folder, daemon.socket.parent]
    modes = [(path, path.stat().st_mode) for path in (*opened, daemon.socket)]
    try:
        for path in opened:
            path.chmod(0o755)
        daemon.socket.chmod(0o666)
        python = sys.executable
        asked = subprocess.run(
            [*AS_NOBODY, python, "-c", script, str(daemon.socket)], capture_output=True, text=True, check=False, cwd="/"
        )
        if "Permission" in asked.stderr or "No such file" in asked.stderr:
            pytest.skip("elsewhere: another user may not run an interpreter here")
        assert asked.stdout.strip() == "0", asked.stdout + asked.stderr
    finally:
        for path, mode in modes:
            path.chmod(stat.S_IMODE(mode))


def test_too_many_clients_are_told_so(daemon):
    held = [connected(daemon) for _ in range(MOST_CLIENTS + 4)]
    try:
        greetings = [json.loads(one.makefile("rb").readline()) for one in held]
        assert sum("protocol" in one for one in greetings) == MOST_CLIENTS
        assert all("clients are connected" in one["error"] for one in greetings if "protocol" not in one)
    finally:
        for one in held:
            one.close()
    assert Peer.until(lambda: daemon.state()["host"]["clients"] <= 1, PATIENCE)


def test_flood_and_endless_line_are_cut_off(daemon):
    with daemon.client(PATIENCE) as listening:
        listening.ask("subscribe", levels=["warn"], state=False)
        for data in (b'{"do":"ping"}\n' * 3000, b"x" * (LONGEST_LINE * 3)):
            with connected(daemon) as one:
                try:
                    one.sendall(data)
                    while one.recv(65536):
                        pass
                except OSError:
                    pass  # dropped, as it should be
            said = next(line for line in listening.lines() if line.get("notice") == "client")
            assert said["text"].endswith("was dropped")


def test_answers_of_a_daemon_without_bounds_are_rejected(monkeypatch):
    """Negative control: a server whose clients may ask without limit drops nobody."""
    monkeypatch.setattr(server, "RATE", 1e9)
    monkeypatch.setattr(server, "BURST", 1e9)
    free = server._Client("one", None)
    assert all(free.may_ask() for _ in range(3000))
    monkeypatch.undo()
    bound = server._Client("one", None)
    assert not all(bound.may_ask() for _ in range(3000))
