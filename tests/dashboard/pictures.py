"""The pictures of the documentation, made from the fixed record.

Each is an SVG beside a ``.cells`` file: the rows as text, and every cell's
style.  The test compares cells and styles; the SVG is what people look at.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

from tests.dashboard.recording import ROOT
from tests.dashboard.showing import Shown, shown

FOLDER = ROOT / "docs" / "pictures"
SIZES = ((80, 24), (100, 30), (200, 50))


class Picture(NamedTuple):
    """One picture: its name, cells across and down, keys pressed first, and how the app opens."""

    name: str
    size: tuple[int, int]
    keys: tuple[str, ...] = ()
    options: Mapping[str, Any] = MappingProxyType({})


PICTURES = (
    *(Picture(f"line-{w}x{h}", (w, h)) for w, h in SIZES),
    *(Picture(f"far-{w}x{h}", (w, h), ("f",)) for w, h in SIZES),
    Picture("shape", (100, 30), ("2",)),
    Picture("history", (100, 30), ("3", "down", "down", "down")),
    Picture("health", (100, 30), ("4",)),
    Picture("set", (80, 24), ("6",)),
    Picture("step", (80, 24), ("right",)),
    Picture("light", (80, 24), (), {"light": True}),
    Picture("sixteen-colours", (80, 24), (), {"depth": "sixteen"}),
    Picture("no-colour", (80, 24), (), {"depth": "none"}),
)


async def view(picture: Picture) -> tuple[str, str]:
    """Return a picture's SVG and its cells."""
    async with shown(picture.size, **picture.options) as app:
        await press(app, picture.keys)
        svg = app.app.export_screenshot(title="replank watch", simplify=True)
        return svg, "\n".join(app.styled()) + "\n"


async def press(app: Shown, keys: tuple[str, ...]) -> None:
    """Press keys one after the other and let the page settle."""
    for key in keys:
        await app.press(key)
    await app.quiet()


def cells_file(picture: Picture) -> Path:
    """Return where a picture's cells are kept."""
    return FOLDER / f"{picture.name}.cells"


async def save(picture: Picture) -> Path:
    """Make a picture anew."""
    svg, cells = await view(picture)
    path = FOLDER / f"{picture.name}.svg"
    path.write_text(svg + "\n", encoding="utf-8")
    cells_file(picture).write_text(cells, encoding="utf-8")
    return path
