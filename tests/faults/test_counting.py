"""Listener and record count the clock from the same moment, however late the record gets to the host."""

from types import SimpleNamespace

import pytest

from replank.host.watching import Watcher

AT = 5_000_000_000
LATE = [AT - 30, AT - 20, AT - 10, AT + 10, AT + 20]
"""When the player took the clocks that still wait in the pipe while both agree: the last two came after the moment."""


class Listening:
    """A listener that agrees at `AT`, and hears the two later clocks when it looks next."""

    def __init__(self) -> None:
        self.heard = 40

    def agree(self) -> int:
        return AT

    def restart(self) -> None:
        self.heard = 0


def check(watcher: type[Watcher]) -> None:
    listener = Listening()
    setup = SimpleNamespace(inputs=[SimpleNamespace(role="clock")])
    host = SimpleNamespace(setup=setup, cables=SimpleNamespace(listener=listener), link=None)
    made = watcher(host)
    host.link = SimpleNamespace(read=lambda: [made.heard(0, now) for now in LATE])
    made.recorded = 7
    made.agree()
    listener.heard += 2
    assert made.recorded == listener.heard == 2


def test_clocks_on_their_way_are_counted_once():
    check(Watcher)


def test_counting_from_when_the_record_was_read_is_rejected():
    """Negative control: after a killed host the next player came in up to half a bar ahead."""

    class Naive(Watcher):
        def agree(self) -> None:
            super().agree()
            self.recorded = 0

    with pytest.raises(AssertionError):
        check(Naive)
