"""Every action, parameter and own command in the command palette."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.content import Content

from replank.control.actions import ACTIONS, beginning
from replank.control.parameters import PARAMETERS
from replank.dashboard.keys import DUES, OWN, PAGES, key_of
from replank.dashboard.view import plain


class Everything(Provider):
    """What can be done, from the tables."""

    def _rows(self) -> Iterator[tuple[str, str, str]]:
        """Yield name, command and help."""
        for action in ACTIONS.values():
            needs = any(not word.startswith("[") for word in action.takes)
            key = key_of(action.name)
            name = action.name.replace("_", " ") + (f"  ({key})" if key else "")
            yield name, f"/ask:{beginning(action)}" if needs else action.name, action.help
        for row in PARAMETERS.values():
            yield f"{row.name.replace('_', ' ')} = …", f"/ask:{row.name}=", row.help
        for page in PAGES:
            yield f"page {page.title}", f"/page:{page.name}", page.help
        for name in ("/guard", "/calm", "/ground", "/way", "/quit"):
            yield name[1:], name, OWN[name]
        for due in DUES[1:]:
            yield f"next action: {due}", f"/due:{due}", OWN["/due"]
        for snapshot in self.app.model.state.snapshots:  # type: ignore[attr-defined]
            name = str(snapshot.get("name", ""))
            yield f"recall {plain(name, 60)}", f"/recall:{name}", "Brings this snapshot back exactly."

    def _run(self, command: str) -> None:
        self.app.call_later(partial(self.app.do, command))  # type: ignore[attr-defined]

    async def discover(self) -> Hits:
        """List everything before a letter is typed."""
        for name, command, text in self._rows():
            yield DiscoveryHit(Content(name), partial(self._run, command), name, text)

    async def search(self, query: str) -> Hits:
        """List what matches."""
        matcher = self.matcher(query)
        for name, command, text in self._rows():
            score = matcher.match(name)
            if score > 0:
                yield Hit(score, Content(name), partial(self._run, command), name, text)
