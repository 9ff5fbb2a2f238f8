"""Daemons and peers of one test, ended with it."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from tests.real.daemon import Daemon
from tests.real.peer import Peer


@pytest.fixture
def play() -> Iterator[Callable[..., Daemon]]:
    """Return how to start a daemon with further arguments of `replank play`."""
    with ExitStack() as made:

        def start(*args: str, **options) -> Daemon:
            return made.enter_context(Daemon("--seed", "7", *args, **options))

        yield start


@pytest.fixture
def peer() -> Iterator[Callable[..., Peer]]:
    """Return how to plug in a peer."""
    with ExitStack() as made:

        def plug(name: str = "stage") -> Peer:
            one = Peer(name)
            made.callback(one.close)
            return one

        yield plug
