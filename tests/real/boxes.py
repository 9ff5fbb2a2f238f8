"""A daemon on a rig with one box, for tests that go from the box to the sound."""

from pathlib import Path

from tests.real.peer import START, STOP, is_on

PLAIN = (
    "-p", "rest_chance=0", "-p", "slide_chance=0", "-p", "mutation_chance=0", "-p", "accent_chance=0", "-p", "length=8",
)  # fmt: skip
CYCLE = 8 * 6
"""Clocks of a cycle of 8 sixteenths."""


class Stage:
    """A daemon on a rig with one box, the stage's clock and the box itself."""

    def __init__(
        self, play, peer, folder: Path, profile: str, role: str = "knobs", *, rig: str = "", more: tuple[str, ...] = ()
    ) -> None:
        path = folder / "rig.yaml"
        path.write_text(
            f"rig: 1\n{rig}clock: {{dropouts: wait}}\n"  # bursts of clocks with pauses are no holes
            "inputs:\n  - {name: clock, role: clock}\n"
            f"  - {{name: box, role: {role}, profile: {profile}, connect: [knobbly]}}\n"
        )
        self.daemon = play(*PLAIN, "--rig", str(path), *more)
        self.clock, self.box = peer("stage"), peer("knobbly")
        self.clock.patch(clock=self.daemon.port["clock"], out=self.daemon.port["out"])
        assert self.box.until(lambda: self.daemon.port["box"] in self.plugged())
        assert self.clock.until(lambda: len(self.clock.hears()) >= 2)
        self.clock.clocks(CYCLE, first=(START,))

    def plugged(self) -> set[str]:
        return {port.name for port in self.box.client.get_all_connections(self.box.send_port)}

    def cc(self, number: int, *values: int) -> None:
        for value in values:
            self.box.send(bytes((0xB0, number, value)))

    def press(self, note: int) -> None:
        self.box.send(bytes((0x90, note, 100)))
        self.box.send(bytes((0x80, note, 0)))

    def cycle(self, count: int = 1) -> list[int]:
        """Play whole cycles and return the notes that were heard in them."""
        before = len(self.clock.received)
        self.clock.clocks(count * CYCLE)
        return [data[1] for _, data in self.clock.received[before:] if is_on(data)]

    def value(self, name: str) -> object:
        return self.daemon.state()["performer"]["parameters"][name]

    def end(self) -> None:
        self.clock.send(STOP)
        assert self.clock.until(lambda: not self.clock.hanging())
        assert self.daemon.state()["host"]["differences"] == 0
