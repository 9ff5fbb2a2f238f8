"""Daemons and stages of fault tests, ended with them."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from tests.faults.stage import Playing, Trial


@pytest.fixture
def playing() -> Iterator[Callable[..., Playing]]:
    """Return how to start a daemon."""
    with ExitStack() as made:

        def start(*args: str, **options) -> Playing:
            return made.enter_context(Playing(*args, **options))

        yield start


@pytest.fixture
def stage() -> Iterator[Callable[..., Trial]]:
    """Return how to build a stage around a daemon, patched."""
    with ExitStack() as made:

        def build(daemon: Playing) -> Trial:
            trial = Trial(daemon)
            made.callback(trial.close)
            trial.patch()
            return trial

        yield build


@pytest.fixture(scope="module")
def shared(jack_server: str) -> Iterator[Playing]:
    """Return a daemon for the tests of one module; each leaves it playing and stopped."""
    with Playing() as daemon:
        yield daemon


@pytest.fixture
def trial(shared: Playing, stage: Callable[..., Trial]) -> Trial:
    """Return a stage around the module's daemon."""
    return stage(shared)
