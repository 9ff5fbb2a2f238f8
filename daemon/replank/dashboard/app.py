"""The dashboard's app: pages, keys, and how panels and socket are wired together."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from textual import events, work
from textual.app import App, ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import ContentSwitcher, Input

from replank.control.actions import ACTIONS, split_action, written
from replank.control.parameters import Value
from replank.control.text import Setting
from replank.dashboard import ink as inks
from replank.dashboard import keys, prompt
from replank.dashboard.banner import Banner
from replank.dashboard.commands import Everything
from replank.dashboard.contour import Contour
from replank.dashboard.doing import Doing
from replank.dashboard.factsheet import Factsheet
from replank.dashboard.far import Far
from replank.dashboard.feed import PATIENCE, Feed, Patience
from replank.dashboard.health import Health
from replank.dashboard.helppage import HelpPage
from replank.dashboard.history import History
from replank.dashboard.kept import Kept
from replank.dashboard.keybar import Keybar
from replank.dashboard.large import Large
from replank.dashboard.listing import Listing
from replank.dashboard.model import Model
from replank.dashboard.newsfeed import Newsfeed
from replank.dashboard.paint import Panel
from replank.dashboard.prompt import Prompt
from replank.dashboard.setlist import Setlist
from replank.dashboard.shape import Shape
from replank.dashboard.toosmall import TooSmall, is_too_small
from replank.dashboard.view import plain

FPS = 20
"""Pictures a second; a state that came and went in between is never painted."""
STEP_FPS = 10
"""How often the playhead is drawn at most: an eye follows no more, and a fast line costs no more than a slow one."""
SAID_SECONDS = 3.0
WAYS = ("follow", "stay", "whole")
START = "replank play, or replank demo"


@dataclass
class Ui:
    """What this one dashboard has open; the daemon knows nothing of it."""

    page: str = "line"
    before_far: str = "line"
    step: int = 0
    selected: int = 0
    guard: bool = False
    calm: bool = False
    way: str = "follow"
    due: str = ""
    leaving: float = -100.0
    said: str = ""
    said_at: float = 0.0


class Watch(App[str]):
    """A client of one daemon.

    Args:
        socket: Where the daemon's socket is; asked before every attempt.
        clock: Seconds, never falling; tests give their own.
        fps: Pictures a second, 1 to 60.
        calm, light: How it opens.
        depth: What the terminal can show (`ink.FULL`, `SIXTEEN`, `NONE`); None finds out.
        patience: Waiting times of the socket client.
    """

    CSS_PATH = "dashboard.tcss"
    TITLE = "replank"
    ENABLE_COMMAND_PALETTE = True
    AUTO_FOCUS = None
    COMMANDS: ClassVar[Any] = {Everything}
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (100, "-medium"), (150, "-wide")]  # noqa: RUF012 (Textual reads it so)
    VERTICAL_BREAKPOINTS = [(0, "-low"), (44, "-tall")]  # noqa: RUF012

    def __init__(
        self, socket: Callable[[], Path], *, clock: Callable[[], float] = time.monotonic, fps: float = FPS,
        calm: bool = False, light: bool = False, depth: str | None = None, patience: Patience = PATIENCE,
    ) -> None:  # fmt: skip
        system = None if depth is not None else self._colour_system()
        self.depth = depth or inks.depth_of(system)
        super().__init__(ansi_color=True if self.depth != inks.FULL else None)
        self.ui = Ui(calm=calm)
        self.fps = fps
        self.dark_ground = not light
        self.ink = inks.Ink(self.dark_ground, self.depth)
        self.model = Model(clock)
        self.feed = Feed(socket, self.model, START, patience)
        self._pictures = 0
        self._step_every = max(1, round(fps / STEP_FPS))
        self._by_page: dict[str, list[Any]] = {}

    @staticmethod
    def _colour_system() -> str | None:
        from rich.console import Console

        return Console(stderr=True, force_terminal=True).color_system

    def compose(self) -> ComposeResult:
        """Make every page once."""
        yield Banner()
        with ContentSwitcher(initial="line", id="pages"):
            with Vertical(id="line"):
                yield Contour(id="contour")
                with Horizontal(id="below"):
                    yield Newsfeed()
                    yield Factsheet()
                    yield self._aside(History(classes="aside"))
                    yield self._aside(Shape(classes="aside"))
            yield Shape(id="shape")
            yield History(id="history")
            yield Health(id="health")
            yield Kept(id="kept")
            yield Setlist(id="set")
            yield Doing(id="doing")
            yield Far(id="far")
            yield HelpPage(id="help")
        yield Large()
        yield Prompt()
        yield Keybar()
        yield TooSmall()

    @staticmethod
    def _aside(listing: Listing) -> Listing:
        listing.aside = True
        return listing

    def on_mount(self) -> None:
        """Choose the colours, attach, and start the one timer that paints."""
        if self.depth == inks.FULL:
            self.register_theme(inks.theme("night", inks.NIGHT, True))
            self.register_theme(inks.theme("day", inks.DAY, False))
            self.theme = "night" if self.dark_ground else "day"
        else:
            self.theme = "ansi-dark" if self.dark_ground else "ansi-light"
        common = [self.query_one(Banner), self.query_one(Keybar), self.query_one(Large), self.query_one(TooSmall)]
        for page in keys.PAGES:
            holder = self.query_one(f"#{page.name}")
            panels = [holder] if isinstance(holder, (Panel, Far)) else list(holder.query(Panel))
            self._by_page[page.name] = [*common, *panels]
        self.attach()
        self.set_interval(1 / self.fps, self.paint)

    @work(exclusive=True, exit_on_error=False)
    async def attach(self) -> None:
        """Keep attached to the daemon."""
        await self.feed.run()

    def paint(self) -> None:
        """Take the newest state and paint what changed."""
        self.model.digest()
        self.feed.keep_up()
        if self.ui.said and self.model.clock() - self.ui.said_at > SAID_SECONDS:
            self.ui.said = ""
        if self.ui.selected > self.model.state.length > 0:
            self.ui.selected = 0
        self._pictures += 1
        if self._pictures % self._step_every == 0 or not self.ui.step:
            self.ui.step = self.model.step
        for panel in self._by_page.get(self.ui.page, ()):
            if panel.is_attached:
                panel.paint()

    def on_resize(self, event: events.Resize) -> None:
        """Say when the screen is too small."""
        too_small = is_too_small(event.size.width, event.size.height)
        self.screen.set_class(too_small, "too-small")
        if too_small:
            self.query_one(Prompt).close()

    def on_key(self, event: events.Key) -> None:
        """Do what the key table says; a line that is typed into keeps its keys."""
        if len(self.screen_stack) > 1 or isinstance(self.focused, Input):
            return
        on_step = self.ui.page == "line" and self.ui.selected
        row = keys.find_key(event.key, (*(("step",) if on_step else ()), self.ui.page, ""))
        if row is not None:
            event.stop()
            event.prevent_default()
            self.do(row.command)

    def action_command_palette(self) -> None:
        """Open the palette, unless the guard is on."""
        self.do("/palette")

    async def action_quit(self) -> None:
        """Close at the second press."""
        self.do("/quit")

    def action_help_quit(self) -> None:
        """Say how to close; Ctrl-C must not end a show by habit."""
        self.do("/quit")

    def do(self, command: str) -> None:
        """Do a command of the key table: an action, or one of the dashboard's own."""
        name, _, rest = command.partition(":")
        if self.ui.guard and name not in keys.GUARDED:
            self.say("The key guard is on: only mute (m), panic (p) and keep (k) work. ^l ends it.")
            return
        if name.startswith("/"):
            getattr(self, f"own_{name[1:]}")(rest)
            return
        if "{" in command:
            step = self.model.state.steps[self.ui.selected - 1] if self.model.state.steps else None
            command = command.format(step=self.ui.selected, ratchet=step.ratchet % 4 + 1 if step else 1)
        if command.endswith(":"):
            self.ask(command)
            return
        action, args, due = split_action(command)
        self.act(action, args, due)

    def act(self, name: str, args: tuple[str, ...] = (), due: str = "") -> None:
        """Ask the daemon for an action; the chosen due holds for this one alone."""
        if self.ui.guard and name not in keys.GUARDED:
            self.do(name)
            return
        due, self.ui.due = due or self.ui.due, ""
        if any("@" in arg for arg in args):
            due = due or ACTIONS[name].due  # else what follows the sign would be read as the due
        word = written(name, args) + (f"@{due}" if due else "")
        if not self.feed.request({"do": "act", "action": word}, name.replace("_", " ")):
            self.say(f"No daemon is attached: {plain(word, 40)} was not sent.")

    def set_value(self, name: str, value: Value) -> None:
        """Ask the daemon to set a parameter."""
        if self.ui.guard:
            self.do("/ask")
            return
        if not self.feed.request({"do": "set", "values": {name: value}}, name):
            self.say(f"No daemon is attached: {name} was not set.")

    def say(self, text: str) -> None:
        """Show a sentence in the head for three seconds."""
        self.ui.said, self.ui.said_at = text, self.model.clock()

    def ask(self, begun: str = "") -> None:
        """Open the line that is typed into."""
        self.query_one(Prompt).open(begun)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Send what was typed, or say what is wrong with it."""
        line = self.query_one(Prompt)
        state = self.model.state
        try:
            words = prompt.read(event.value, state.middle_c, state.lists.get("scale", ()))
        except ValueError as error:
            line.say(event.value, str(error))
            return
        line.close()
        for word in words:
            if isinstance(word, Setting):
                self.set_value(*word)
            else:
                self.act(*word)

    def listing(self) -> Listing | None:
        """Return the list of the page that is open, if it has one."""
        found = self.query_one(f"#{self.ui.page}")
        return found if isinstance(found, Listing) else None

    def own_page(self, name: str) -> None:
        """Open a page; the page that is open already leads back to the line."""
        if name == self.ui.page:
            name = "line"
        if self.ui.page != "far":
            self.ui.before_far = self.ui.page
        self.ui.page = name
        self.screen.set_class(name == "far", "far")
        self.query_one("#pages", ContentSwitcher).current = name
        self.paint()

    def own_far(self, rest: str) -> None:
        """Go to the far view, or back to where one came from."""
        self.own_page(self.ui.before_far if self.ui.page == "far" else "far")

    def own_step(self, rest: str) -> None:
        """Choose a step."""
        self.ui.selected = min(self.model.state.length, max(0, int(rest)))

    def own_step_by(self, rest: str) -> None:
        """Choose a step near; the first time, the one that sounds."""
        length = self.model.state.length
        if length:
            here = self.ui.selected or (max(1, self.model.step) - int(rest))
            self.ui.selected = (here - 1 + int(rest)) % length + 1

    def own_unselect(self, rest: str) -> None:
        """End step editing."""
        self.ui.selected = 0

    def own_recall(self, rest: str) -> None:
        """Bring a snapshot back whatever signs its name holds."""
        self.act("recall", (rest,))

    def own_ask(self, rest: str) -> None:
        """Open the line that is typed into."""
        self.ask(rest)

    def own_due(self, rest: str) -> None:
        """Choose when the next action takes effect."""
        self.ui.due = rest or keys.DUES[(keys.DUES.index(self.ui.due) + 1) % len(keys.DUES)]
        self.say(f"The next action takes effect: {self.ui.due or 'as usual'}.")

    def own_guard(self, rest: str) -> None:
        """Turn the key guard."""
        self.ui.guard = not self.ui.guard
        self.query_one(Prompt).close()
        self.say("Key guard on: only mute, panic and keep work. ^l ends it." if self.ui.guard else "Key guard off.")

    def own_calm(self, rest: str) -> None:
        """Turn calm mode."""
        self.ui.calm = not self.ui.calm
        self.say("Calm: no motion." if self.ui.calm else "Motion is back.")

    def own_ground(self, rest: str) -> None:
        """Change between dark and light ground."""
        self.dark_ground = not self.dark_ground
        self.ink = inks.Ink(self.dark_ground, self.depth)
        dark, light = ("night", "day") if self.depth == inks.FULL else ("ansi-dark", "ansi-light")
        self.theme = dark if self.dark_ground else light

    def own_way(self, rest: str) -> None:
        """Change how a line longer than the screen is shown."""
        self.ui.way = WAYS[(WAYS.index(self.ui.way) + 1) % len(WAYS)]
        text = {"follow": "page along with the playhead", "stay": "stay where they are", "whole": "are shown whole"}
        self.say(f"Lines longer than the screen {text[self.ui.way]}.")

    def own_palette(self, rest: str) -> None:
        """Open the command palette."""
        super().action_command_palette()

    def own_move(self, rest: str) -> None:
        """Move the marker of the open list."""
        found = self.query_one(f"#{self.ui.page}")
        if isinstance(found, (Listing, Health)):
            found.move(int(rest))

    def own_enter(self, rest: str) -> None:
        """Do what the marked row offers."""
        if (found := self.listing()) is not None:
            found.enter(rest)

    def own_nudge(self, rest: str) -> None:
        """Move the marked parameter."""
        self.query_one("#shape", Shape).nudge(int(rest))

    def own_reset(self, rest: str) -> None:
        """Set the marked parameter to its default."""
        self.query_one("#shape", Shape).reset_value()

    def own_quit(self, rest: str) -> None:
        """Close at the second press; the daemon is never stopped from here."""
        now = self.model.clock()
        if now - self.ui.leaving <= SAID_SECONDS:
            plays = "The line plays on; replank watch opens the dashboard again."
            self.exit(plays if self.model.attached else "No daemon was attached.")
        self.ui.leaving = now
        self.say("q again closes this dashboard. The line plays on.")
