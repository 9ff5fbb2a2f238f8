"""The pictures of the documentation, made from the fixed record.

Each is an SVG beside a ``.cells`` file: the rows as text, and every cell's
style.  The test compares cells and styles; the SVG is what people look at.
"""

from __future__ import annotations

import re
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
        svg = cells_alone(app.app.export_screenshot(simplify=True))
        return svg, "\n".join(app.styled()) + "\n"


def cells_alone(svg: str) -> str:
    """Return an exported screen without what the exporter puts round it.

    No window, no title, no font from elsewhere: the cells on their ground, in
    whatever monospaced font there is.
    """
    size = re.search(r'-clip-terminal">\s*<rect [^>]*width="([\d.]+)" height="([\d.]+)"', svg)
    window = re.search(r'<rect fill="([^"]*)" stroke="[^"]*"', svg)
    assert size is not None and window is not None
    ground = re.search(r'<rect fill="([^"]*)" x="0" y="1.5"', svg)
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"@font-face \{.*?\}\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"\.terminal-\d+-title \{.*?\}\s*", "", svg, flags=re.DOTALL)
    svg = svg.replace("font-family: Fira Code, monospace", "font-family: monospace")
    # from the end of the definitions to the cells: frame, title, buttons
    filled = f'<rect fill="{(ground or window)[1]}" width="100%" height="100%"/>'
    svg = re.sub(
        r'</defs>.*?<g transform="translate\([^)]*\)" (clip-path="[^"]*")>',
        rf"</defs>\n    {filled}\n    <g \1>",
        svg,
        count=1,
        flags=re.DOTALL,
    )
    svg = re.sub(r'<svg class="[^"]*" viewBox="[^"]*"', f'<svg viewBox="0 0 {size[1]} {size[2]}"', svg, count=1)
    return re.sub(r"terminal-\d+-", "", svg)


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
