"""Which cables the count of the clock depends on: a MIDI system made of a list, nothing is connected here."""

from pathlib import Path

import pytest

from replank.control.setup import Setup
from replank.host.cables import LISTENER, Cables, Names
from replank.host.patching import Patcher
from replank.midi.bay import Port

PLAYER, HOST, SPARE = 11, 12, 13


class ListBay:
    """Stands in for a MIDI system with a drummer and a synth."""

    alive = True

    def __init__(self) -> None:
        self.there = [Port("drummer:out", True), Port("synth:in", False)]
        self.cables: set[tuple[str, str]] = set()

    def ports(self) -> list[Port]:
        return self.there

    def gone(self) -> set[str]:
        return set()

    def connections(self, port: Port) -> set[str]:
        return {b if a == port.name else a for a, b in self.cables if port.name in (a, b)}

    def connect(self, source: str, sink: str) -> str:
        self.cables.add((source, sink))
        return ""

    def disconnect(self, source: str, sink: str) -> None:
        self.cables.discard((source, sink))


@pytest.fixture
def bay() -> ListBay:
    return ListBay()


@pytest.fixture
def cables(bay: ListBay, tmp_path: Path) -> Cables:
    made = Cables("none", "default", Setup(), tmp_path / "patching.json", lambda: None)
    made._bay, made._patcher, made.names = bay, Patcher("jack"), Names("default", Setup(), "jack")
    opens(bay, made, PLAYER, 1)
    bay.there.append(Port(f"{made.names.base}-{LISTENER}:clock", False, HOST))
    return made


def opens(bay: ListBay, cables: Cables, pid: int, generation: int) -> None:
    for names, is_source in ((cables.names.inputs(generation), False), (cables.names.outputs(generation), True)):
        bay.there += [Port(f"{client}:{port}", is_source, pid) for client, port in names]


def test_the_listener_begins_anew_only_where_what_it_hears_changes(bay, cables):
    player, counter = (f"{client}:clock" for client in ("replank-clock", f"replank-{LISTENER}"))
    bay.connect("drummer:out", player)
    cables.look(PLAYER, HOST, 0, 1)
    assert ("drummer:out", counter) in bay.cables and cables.replugged and cables.ear_moved
    cables.look(PLAYER, HOST, 0, 1)
    assert not cables.replugged and not cables.ear_moved, "nothing moved"

    opens(bay, cables, SPARE, 2)
    before = len(bay.cables)
    cables.look(PLAYER, HOST, SPARE, 1)
    assert len(bay.cables) > before, "the one in waiting gets its cable"
    assert not cables.replugged, "a clock that the player has just missed must not be lost sight of"

    bay.connect("replank-out:out", "synth:in")
    cables.look(PLAYER, HOST, SPARE, 1)
    assert not cables.replugged, "what is sent is not heard"

    bay.disconnect("drummer:out", player)
    cables.look(PLAYER, HOST, SPARE, 1)
    assert ("drummer:out", counter) not in bay.cables and cables.replugged
