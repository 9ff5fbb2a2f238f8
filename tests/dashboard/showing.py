"""The app over the recorded socket, at one moment of a clock that stands still."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import groupby
from typing import Any

from rich.segment import Segment
from textual.pilot import Pilot

from replank.dashboard.app import Watch
from replank.dashboard.feed import Patience
from tests.dashboard.server import Server, load_server

QUICK = Patience(retry=0.02, greeting=0.4, quiet=0.15, lost=0.45, state=0.0)
"""Waiting times for tests: what takes seconds on stage takes hundredths here."""


class Clock:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Shown:
    """An app that runs in a test, its pilot, its clock and its server."""

    def __init__(self, app: Watch, pilot: Pilot[Any], clock: Clock, server: Server) -> None:
        self.app, self.pilot, self.clock, self.server = app, pilot, clock, server

    async def until(self, true: Any, what: str = "") -> None:
        """Wait until something holds; the time limit of the test ends a wait in vain."""
        for _ in range(1000):
            self.app.paint()
            if true():
                await self.pilot.pause()
                return
            await self.pilot.pause(0.01)
        raise AssertionError(f"never came true: {what}\n{self.text()}")

    async def attached(self) -> None:
        """Wait until the record has been read."""
        await self.until(lambda: self.app.model.has_state and self.app.model.attached, "attached")
        if self.server.tell_record:
            await self.until(lambda: self.app.model.news, "news")
            await self.quiet()
            self.clock.now += 10.0
            self.server.tell_fresh()
            await self.until(lambda: self.app.model.marks, "fresh news")
        await self.quiet()

    async def quiet(self) -> None:
        """Let everything that was asked be answered and painted."""
        await self.until(lambda: not self.app.feed._asked and not self.app.model.wants_state, "answers")
        self.app.paint()
        await self.pilot.pause()

    async def press(self, *keys: str) -> None:
        """Press keys and let the answers come."""
        await self.pilot.press(*keys)
        await self.quiet()

    def lines(self) -> list[str]:
        """Return the screen's text, row by row."""
        return ["".join(s.text for s in row) for row in self.cells()]

    def text(self) -> str:
        """Return the screen's text."""
        return "\n".join(self.lines())

    def cells(self) -> list[list[Segment]]:
        """Return the screen's rows as segments, simplified."""
        # private, pinned by textual~=8.2: there is no public way to the painted strips
        strips = self.app.screen._compositor.render_strips()
        return [list(Segment.simplify(strip)) for strip in strips]

    def styled(self) -> list[str]:
        """Return each row as text with its styles: what a golden file keeps."""
        found = []
        for row in self.cells():
            found.append("".join(s.text for s in row).rstrip())
            found.append(_runs(row))
        return found


def _runs(row: list[Segment]) -> str:
    """Return the styles of a row, each with the number of cells that have it."""
    runs = groupby(row, key=_style)
    return " ".join(f"{sum(len(s.text) for s in run)}:{style}" for style, run in runs)


def _style(segment: Segment) -> str:
    style = segment.style
    if style is None:
        return "//"
    parts = [style.color.name if style.color else "", style.bgcolor.name if style.bgcolor else ""]
    flags = (style.bold, style.dim, style.italic, style.underline, style.reverse)
    marks = "".join(letter for letter, on in zip("bdiur", flags, strict=True) if on)
    return "/".join([*parts, marks])


@asynccontextmanager
async def shown(size: tuple[int, int] = (80, 24), server: Server | None = None, is_up: bool = True,
                attach: bool = True, **options: Any) -> AsyncIterator[Shown]:  # fmt: skip
    """Run the app over a server; the server is opened and closed here."""
    server = server or load_server()
    clock = Clock()
    app = Watch(lambda: server.path, clock=clock, patience=QUICK, depth=options.pop("depth", "full"), **options)
    if is_up:
        await server.open()
    try:
        async with app.run_test(size=size) as pilot:
            view = Shown(app, pilot, clock, server)
            if is_up and attach:
                await view.attached()
            yield view
    finally:
        await server.close()
        server.folder.cleanup()
