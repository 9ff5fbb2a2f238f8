"""The page of struck notes: what it knows after a process has been killed in the middle of a note."""

import os
import signal
import subprocess
import sys

import pytest

from replank.struck import OUTPUTS, SIZE, Marked, open_page, read_page

PLAYER = """
import sys, time
from replank.struck import Marked
class Ports:
    def send(self, output, data): print(data.hex(), flush=True)
ports = Marked(Ports(), int(sys.argv[1]))
for row in sys.argv[2:]:
    output, data = row.split(":")
    ports.send(int(output), bytes.fromhex(data))
    time.sleep(0.06)
print("done", flush=True)
time.sleep(60)
"""


def killed(path, *messages: str) -> list[tuple[int, int, int]]:
    """Let a process send messages, kill it, and read the page anew."""
    page = open_page(path)
    child = subprocess.Popen(
        [sys.executable, "-c", PLAYER, str(page), *messages], pass_fds=(page,), stdout=subprocess.PIPE, text=True
    )
    os.close(page)
    with child:
        assert child.stdout is not None
        while "done" not in child.stdout.readline():
            pass
        child.send_signal(signal.SIGKILL)
    again = open_page(path)
    found = read_page(again)
    os.close(again)
    return found


def test_notes_that_sound_are_known_after_a_kill(tmp_path):
    played = "0:903c40 1:92457f 0:903e40 0:803c40 0:b01540 1:924530 0:802040"
    found = killed(tmp_path / "page", *played.split())
    assert (0, 1, 62) in found and (1, 3, 69) in found
    assert set(found) - {(0, 1, 62), (1, 3, 69)} <= {(0, 1, 32)}  # the latest note-off may not have left


def test_old_releases_are_forgotten(tmp_path):
    found = killed(tmp_path / "page", "0:903c40", "0:903c00", "0:903e40", "0:803e40", "0:804040")
    assert (0, 1, 60) not in found  # note-on with velocity 0 is a note-off (MIDI 1.0 Detailed Specification, p. 10)


def test_a_note_off_that_has_just_been_sent_still_counts(tmp_path):
    page = open_page(tmp_path / "page")
    sent = []

    class Ports:
        def send(self, output: int, data: bytes) -> None:
            sent.append((data, read_page(page)))

    ports = Marked(Ports(), page)
    ports.send(0, b"\x90\x3c\x40")
    assert sent[0] == (b"\x90\x3c\x40", [(0, 1, 60)])  # marked before it was sent
    ports.send(0, b"\x80\x3c\x40")
    assert read_page(page) == [(0, 1, 60)]
    ports.send(OUTPUTS, b"\x90\x3c\x40")  # no room: sent all the same
    assert len(sent) == 3
    os.close(page)


@pytest.mark.parametrize("content", [b"", b"\1" * 100, b"\0" * 2 * SIZE])
def test_a_page_of_another_size_is_taken(tmp_path, content):
    path = tmp_path / "page"
    path.write_bytes(content)
    page = open_page(path)
    assert path.stat().st_size == SIZE
    assert len(read_page(page)) == content.count(1)
    os.close(page)


def test_a_page_is_its_owners_alone(tmp_path):
    os.close(open_page(tmp_path / "page"))
    assert (tmp_path / "page").stat().st_mode & 0o077 == 0


def test_no_page_is_no_failure(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    assert open_page(tmp_path / "link") == open_page(tmp_path / "no" / "page") == -1
    assert read_page(-1) == []
