"""Daemons and peers of one test, ended with it."""

from collections.abc import Callable, Iterator

import pytest

from tests.real.daemon import Daemon
from tests.real.peer import Peer


@pytest.fixture
def play() -> Iterator[Callable[..., Daemon]]:
    """Return how to start a daemon with further arguments of `replank play`."""
    made: list[Daemon] = []

    def start(*args: str, **options) -> Daemon:
        made.append(Daemon("--seed", "7", *args, **options))
        return made[-1]

    yield start
    for daemon in made:
        daemon.clean()


@pytest.fixture
def peer() -> Iterator[Callable[..., Peer]]:
    """Return how to plug in a peer."""
    made: list[Peer] = []

    def plug(name: str = "stage") -> Peer:
        made.append(Peer(name))
        return made[-1]

    yield plug
    for one in made:
        one.close()
