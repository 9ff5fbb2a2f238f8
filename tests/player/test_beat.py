"""A player's heart beats while its queue moves, and not while somebody is stuck in the performer."""

import os

import pytest

from replank.player.process import Player
from replank.player.waiting import Waiting


@pytest.fixture
def heart():
    """A player with an open drain that another thread works on, and the read end of its heartbeat."""
    pairs = [os.pipe() for _ in range(3)]
    player = Player(pairs[0][0], pairs[1][1], pairs[2][1], 1, Waiting(-1))
    player.drain.closed = False
    player.drain._lock.acquire()
    os.set_blocking(pairs[2][0], False)
    yield player, pairs[2][0]
    for pair in pairs:
        for fd in pair:
            os.close(fd)


def beats(fd: int) -> int:
    try:
        return len(os.read(fd, 100))
    except BlockingIOError:
        return 0


def test_a_long_queue_that_moves_is_alive_and_one_that_does_not_is_not(heart):
    player, fd = heart
    player._beat()
    player._beat()
    assert beats(fd) == 0  # stuck: what was put waits behind it
    player.drain.handled += 1
    player._beat()
    assert beats(fd) == 1
    player._beat()
    assert beats(fd) == 0
