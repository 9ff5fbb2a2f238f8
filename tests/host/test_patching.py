"""Patching decisions on port lists as MIDI systems give them; nothing is connected here."""

import pytest

from replank.host.patching import Own, Patcher, find_own
from replank.midi.bay import Port

OURS = {"replank-clock:clock", "replank-out:out", "replank-count:clock", "replank-rescue:out"}


class Bench:
    """A MIDI system made of a list, with our four ports."""

    def __init__(self, api="jack", clock=("drummer",), out=("synth",), memory=None):
        self.patcher = Patcher(api, memory)
        self.wishes = (clock, out)
        self.cables: set[tuple[str, str]] = set()
        self.pid = 10
        self.time = 0.0

    def owns(self):
        clock, out = self.wishes
        return [
            Own("in:clock", "replank-clock:clock", False, self.pid, clock, ("replank-count:clock",)),
            Own("out:out", "replank-out:out", True, self.pid, out, ("replank-rescue:out",)),
        ]

    def connected(self):
        found = {name: set() for name in OURS}
        for source, sink in self.cables:
            found.get(source, set()).add(sink)
            found.get(sink, set()).add(source)
        return found

    def look(self, sources=(), sinks=(), gone=(), refuses=()):
        names = {*sources, *sinks, *OURS}
        self.cables = {(a, b) for a, b in self.cables if a in names and b in names}
        ports = [Port(name, True) for name in sources] + [Port(name, False) for name in sinks]
        ports += [Port(name, "out" in name) for name in OURS]
        self.time += 10.0
        look = self.patcher.decide(self.owns(), ports, self.connected(), OURS, gone, self.time)
        self.cables -= set(look.disconnect)
        self.cables |= {pair for pair in look.connect if pair not in refuses}
        words, patched = self.patcher.settle(self.owns(), self.connected())
        return [word.text for word in look.words + words], patched


BOTH = {("drummer:midi", "replank-clock:clock"), ("drummer:midi", "replank-count:clock"),
        ("replank-out:out", "synth:in"), ("replank-rescue:out", "synth:in")}  # fmt: skip


def test_wishes_are_patched_with_their_mirrors():
    bench = Bench()
    words, patched = bench.look(["drummer:midi"], ["synth:in"])
    assert bench.cables == BOTH
    assert patched == ["in:clock", "out:out"]
    assert len(words) == 2
    assert bench.look(["drummer:midi"], ["synth:in"]) == ([], [])


def adopted(adopts):
    """Look as a host that begins while a player's cables are in; return what it takes for plugged in just now."""
    bench = Bench()
    bench.cables = {("drummer:midi", "replank-clock:clock"), ("replank-out:out", "synth:in")}
    if adopts:
        bench.patcher.adopt(bench.owns(), bench.connected())
    _, patched = bench.look(["drummer:midi"], ["synth:in", "organ:in"])
    assert bench.cables == BOTH  # the new host's own ports get what the player's have
    return bench, patched


def test_cables_of_a_player_that_played_on_were_not_plugged_in_just_now():
    bench, patched = adopted(adopts=True)
    assert patched == []
    bench.cables.add(("replank-out:out", "organ:in"))
    assert bench.look(["drummer:midi"], ["synth:in", "organ:in"])[1] == ["out:out"]


def test_cables_that_are_in_count_as_plugged_in_for_a_host_that_adopts_nobody():
    """Negative control, and so it must be where a player has just begun."""
    assert adopted(adopts=False)[1] == ["in:clock", "out:out"]


def test_what_is_missing_is_named_once_with_what_is_there():
    bench = Bench()
    words, _ = bench.look(["keys:midi"], ["synth:in"])
    assert any("'drummer'" in word and "keys:midi" in word for word in words)
    assert bench.look(["keys:midi"], ["synth:in"])[0] == []
    assert bench.look(["keys:midi", "drummer:midi"], ["synth:in"])[0] == ["drummer:midi is patched to in:clock"]
    assert bench.cables == BOTH


def test_two_that_fit_are_not_guessed():
    bench = Bench()
    words, _ = bench.look(["drummer:a", "drummer:b"], ["synth:in"])
    assert any("drummer:a, drummer:b" in word for word in words)
    assert not any(sink == "replank-clock:clock" for _, sink in bench.cables)


@pytest.mark.parametrize("quick", [False, True])
def test_a_cable_that_comes_back_is_patched_again(quick):
    """Also where the port is away and back between two looks, and under another number."""
    bench = Bench(api="alsa", clock=("Box",))
    bench.look(["Box:Box MIDI 1 20:0"], [])
    assert ("Box:Box MIDI 1 20:0", "replank-clock:clock") in bench.cables
    if not quick:
        words, _ = bench.look([], [])
        assert any("has gone" in word for word in words)
    bench.cables.clear()
    bench.look(["Box:Box MIDI 1 24:0"], [])
    assert ("Box:Box MIDI 1 24:0", "replank-clock:clock") in bench.cables


def test_a_program_that_ends_and_comes_back_between_two_looks():
    bench = Bench()
    bench.look(["drummer:midi"], ["synth:in"])
    bench.cables = {pair for pair in bench.cables if "synth:in" in pair}
    bench.look(["drummer:midi"], ["synth:in"], gone=["drummer:midi"])
    assert bench.cables == BOTH


def test_cables_that_go_just_before_their_port_were_not_taken_out():
    bench = Bench(clock=())
    bench.cables.add(("drummer:midi", "replank-clock:clock"))
    bench.look(["drummer:midi"], [])
    bench.cables.clear()
    bench.look(["drummer:midi"], [])  # it lets its cables go first
    bench.time -= 9.0
    bench.look([], [], gone=["drummer:midi"])
    bench.look(["drummer:midi"], [])
    assert ("drummer:midi", "replank-clock:clock") in bench.cables


def test_what_a_person_takes_out_stays_out():
    bench = Bench()
    bench.look(["drummer:midi"], ["synth:in"])
    bench.cables.discard(("drummer:midi", "replank-clock:clock"))
    bench.look(["drummer:midi"], ["synth:in"])
    bench.look(["drummer:midi"], ["synth:in"])
    assert not any(source == "drummer:midi" for source, _ in bench.cables)  # nor does the mirror keep it


def test_what_a_person_patches_is_mirrored_remembered_and_restored():
    bench = Bench(clock=(), out=())
    bench.cables.add(("replank-out:out", "organ:in"))
    assert bench.look([], ["organ:in"])[1] == ["out:out"]
    assert ("replank-rescue:out", "organ:in") in bench.cables
    again = Bench(clock=(), out=(), memory=bench.patcher.remembered)
    again.look([], ["organ:in"])
    assert ("replank-out:out", "organ:in") in again.cables


def test_a_new_player_under_the_same_name_gets_everything_again():
    bench = Bench()
    bench.look(["drummer:midi"], ["synth:in"])
    bench.cables = {
        pair for pair in bench.cables if "replank-clock:clock" not in pair and "replank-out:out" not in pair
    }
    bench.pid = 11
    bench.look(["drummer:midi"], ["synth:in"])
    assert bench.cables == BOTH


def test_a_refused_connection_is_tried_again():
    bench = Bench()
    bench.look(["drummer:midi"], ["synth:in"], refuses=[("drummer:midi", "replank-clock:clock")])
    assert ("drummer:midi", "replank-clock:clock") not in bench.cables
    bench.look(["drummer:midi"], ["synth:in"])
    assert bench.cables == BOTH


def test_our_ports_are_found_by_process():
    ports = [Port("replank-clock:clock", False, 9), Port("replank-clock-01:clock", False, 10), Port("x", False, 10)]
    assert find_own(ports, 10, "replank-clock", "clock", False) == "replank-clock-01:clock"
    assert find_own(ports, 9, "replank-clock", "clock", False) == "replank-clock:clock"
    assert find_own(ports, 8, "replank-clock", "clock", False) == ""
    assert find_own([Port("replank-out:out 129:0", True, 0)], 10, "replank-out", "out", True) == "replank-out:out 129:0"
