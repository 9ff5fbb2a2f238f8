"""Daemons and stages of fault tests, ended with them."""

from collections.abc import Callable, Iterator

import pytest

from tests.faults.stage import Playing, Trial


@pytest.fixture
def playing() -> Iterator[Callable[..., Playing]]:
    """Return how to start a daemon."""
    made: list[Playing] = []

    def start(*args: str, **options) -> Playing:
        made.append(Playing(*args, **options))
        return made[-1]

    yield start
    for daemon in made:
        daemon.clean()


@pytest.fixture
def stage() -> Iterator[Callable[..., Trial]]:
    """Return how to build a stage around a daemon, patched."""
    made: list[Trial] = []

    def build(daemon: Playing) -> Trial:
        made.append(Trial(daemon))
        made[-1].patch()
        return made[-1]

    yield build
    for trial in made:
        trial.close()


@pytest.fixture(scope="module")
def shared(jack_server: str) -> Iterator[Playing]:
    """Return a daemon for the tests of one module; each leaves it playing and stopped."""
    daemon = Playing()
    yield daemon
    daemon.clean()


@pytest.fixture
def trial(shared: Playing, stage: Callable[..., Trial]) -> Trial:
    """Return a stage around the module's daemon."""
    return stage(shared)
