"""What the documentation shows is what the dashboard draws: cells and styles of every picture."""

import xml.etree.ElementTree as ET

import pytest

from tests.dashboard import pictures
from tests.dashboard.showing import shown

BY_NAME = {picture.name: picture for picture in pictures.PICTURES}


def difference(kept, made):
    """Return the first rows that differ, or nothing."""
    pairs = zip(kept.splitlines(), made.splitlines(), strict=False)
    rows = [f"row {at // 2}:\n  kept {a}\n  made {b}" for at, (a, b) in enumerate(pairs) if a != b]
    if len(kept.splitlines()) != len(made.splitlines()):
        rows.append("another number of rows")
    return rows[:3]


@pytest.mark.parametrize("name", BY_NAME)
async def test_the_picture_is_what_is_drawn(name):
    picture = BY_NAME[name]
    _, made = await pictures.view(picture)
    kept = pictures.cells_file(picture).read_text(encoding="utf-8")
    assert difference(kept, made) == [], "looks other than its picture; look at it, then run scripts/pictures"


async def test_one_cell_or_one_style_less_is_seen():
    """The negative control: a picture from a build that forgets a mark, or a colour, is refused."""
    kept = pictures.cells_file(BY_NAME["line-80x24"]).read_text(encoding="utf-8")
    assert difference(kept, kept.replace("▼", " ", 1))
    assert difference(kept, kept.replace("#ffc46b", "#ffc46c", 1))
    async with shown() as view:
        view.app.model.marks.clear()
        await view.quiet()
        assert difference(kept, "\n".join(view.styled()) + "\n")


@pytest.mark.parametrize("name", BY_NAME)
def test_the_svg_holds_the_same_text(name):
    """The SVG beside the cells is of the same moment: every word of the cells stands in it."""
    picture = BY_NAME[name]
    tree = ET.parse(pictures.FOLDER / f"{name}.svg")
    texts = "".join(tree.getroot().itertext()).replace("\xa0", " ")
    cells = pictures.cells_file(picture).read_text(encoding="utf-8").splitlines()[::2]
    for row in cells:
        for word in row.split():
            assert word in texts


@pytest.mark.parametrize("name", BY_NAME)
def test_the_svg_needs_nothing_from_elsewhere(name):
    """No remote font, no window of some desktop, no exporter's name: nothing but the cells."""
    text = (pictures.FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    assert text.count("http") == text.count("http://www.w3.org/2000/svg") == 1
    for word in ("@font-face", "url(http", "<!--", "<circle", "stroke", "Fira", "rich"):
        assert word not in text
    assert "font-family: monospace" in text


async def test_no_colour_means_none():
    """NO_COLOR (no-color.org): attributes may stay, colours may not."""
    async with shown(depth="none") as view:
        for page in "12345678":
            view.app.do(f"/page:{pictures_page(page)}")
            await view.quiet()
            for row in view.cells():
                for segment in row:
                    style = segment.style
                    if style is not None:
                        assert style.color is None or style.color.is_default, (page, segment)
                        assert style.bgcolor is None or style.bgcolor.is_default, (page, segment)


async def test_sixteen_colours_mean_no_others():
    async with shown(depth="sixteen") as view:
        for page in "12345678":
            view.app.do(f"/page:{pictures_page(page)}")
            await view.quiet()
            for row in view.cells():
                for segment in row:
                    for colour in (segment.style.color, segment.style.bgcolor) if segment.style else ():
                        assert colour is None or colour.triplet is None, (page, segment)


def pictures_page(digit):
    from replank.dashboard.keys import PAGES

    return PAGES[int(digit) - 1].name


def test_no_color_is_read_from_the_environment(monkeypatch):
    from replank.dashboard.ink import FULL, NONE, SIXTEEN, depth_of

    monkeypatch.delenv("NO_COLOR", raising=False)
    assert [depth_of(s) for s in ("truecolor", "256", "standard", None)] == [FULL, FULL, SIXTEEN, NONE]
    monkeypatch.setenv("NO_COLOR", "1")
    assert depth_of("truecolor") == NONE
