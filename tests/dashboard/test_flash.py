"""Nothing flashes large areas more than three times a second (WCAG 2.2, 2.3.1).

General flash, by WCAG's definition: a pair of opposing changes of relative
luminance by 10 % or more of its maximum, the darker below 0.80.  Allowed above
three a second only below a quarter of any 10 degree field, which WCAG puts at
341 x 256 of 1024 x 768 pixels: a third of the screen each way.
"""

import pytest

from replank.dashboard import paint
from replank.dashboard.colour import luminance
from tests.dashboard import recording
from tests.dashboard.server import Server
from tests.dashboard.showing import shown

FPS, SECONDS = 20, 2
COVER = {" ": (0, 0), "█": (1, 1), "▀": (1, 0), "▄": (0, 1), "▁": (0, 0.25), "▂": (0, 0.5), "▃": (0, 0.75),
         "▅": (0.25, 1), "▆": (0.5, 1), "▇": (0.75, 1)}  # fmt: skip
"""How much of a cell's upper and lower half a glyph covers; a letter about a fifth (an estimate on the safe side)."""


def frame(view):
    """Return the relative luminance of each half cell: row by row, upper halves before lower ones."""
    rows = []
    for cells in view.cells():
        upper, lower = [], []
        for text, style, _ in cells:
            dark, light = style.bgcolor.name, style.color.name if style.color else "#cfcabc"
            if style.reverse:
                dark, light = light, dark
            ground, ink = luminance(dark), luminance(light)
            for letter in text:
                top, low = COVER.get(letter, (0.2, 0.2))
                upper.append(ground + (ink - ground) * top)
                lower.append(ground + (ink - ground) * low)
        rows += [upper, lower]
    return rows


def swings(values):
    """Return the frames at which a half cell's luminance has turned by a tenth or more, up and down alternately."""
    found, way, low, high = [], 0, values[0], values[0]
    for at, value in enumerate(values):
        if way >= 0:
            high = max(high, value)
            if high - value >= 0.1 and value < 0.8:
                found, way, low = [*found, at], -1, value
                continue
        if way <= 0:
            low = min(low, value)
            if value - low >= 0.1 and low < 0.8:
                found, way, high = [*found, at], 1, value
    return found


def flashes_too_often(values):
    """Tell whether a half cell makes more than three flashes, seven opposing turns, within a second."""
    turns = swings(values)
    return any(turns[at + 6] - turns[at] < FPS for at in range(len(turns) - 6))


def worst_share(frames):
    """Return the largest share of any third-by-third window that flashes too often; a quarter is the limit."""
    height, width = len(frames[0]), len(frames[0][0])
    flags = [[flashes_too_often([f[y][x] for f in frames]) for x in range(width)] for y in range(height)]
    sums = [[0] * (width + 1) for _ in range(height + 1)]
    for y in range(height):
        for x in range(width):
            sums[y + 1][x + 1] = flags[y][x] + sums[y][x + 1] + sums[y + 1][x] - sums[y][x]
    high, wide = round(height / 3), round(width / 3)
    return max(
        sums[y + high][x + wide] - sums[y][x + wide] - sums[y + high][x] + sums[y][x]
        for y in range(height - high + 1) for x in range(width - wide + 1)
    ) / (high * wide)  # fmt: skip


def test_the_measure_itself():
    assert flashes_too_often([0.0, 1.0] * 30)
    assert not flashes_too_often([0.0, 0.09] * 30), "below a tenth"
    assert not flashes_too_often(([0.0] * 4 + [1.0] * 4) * 8), "2.5 a second"
    assert flashes_too_often(([0.0] * 2 + [1.0] * 2) * 15), "5 a second"
    assert not flashes_too_often([at / 60 for at in range(60)]), "a slow rise"
    assert not flashes_too_often([0.85, 1.0] * 30), "both light"


def server_of(length):
    record = recording.load()
    performer = record["state"]["performer"]
    performer["line"]["length"] = length
    return Server(record)


async def film(view, moment):
    """Return what 2 s look like when something happens 20 times a second."""
    frames = []
    for at in range(FPS * SECONDS):
        view.clock.now += 1 / FPS
        moment(at)
        view.app.paint()
        await view.pilot.pause()
        frames.append(frame(view))
    return frames


def play(view, length):
    """Return what makes 300 BPM sixteenths: a step, far up or far down, every 50 ms."""

    def moment(at):
        data = {"index": at % length + 1, "note": (48, 67)[at % 2], "bar": at // 4, "beat": 1, "cycle": at // length}
        view.app.model.take_notice({"notice": "step", "data": data})

    return moment


@pytest.mark.parametrize("length", [1, 2, 16])
@pytest.mark.parametrize("page", ["line", "far"])
async def test_a_fast_line_does_not_flash(page, length):
    async with shown(server=server_of(length)) as view:
        view.app.do(f"/page:{page}" if page != "line" else "/unselect")
        await view.quiet()
        share = worst_share(await film(view, play(view, length)))
        assert share < 0.25


async def test_a_knob_storm_does_not_flash():
    async with shown() as view:

        def moment(at):
            data = {"name": "gate", "value": at % 2, "shown": "0.11" if at % 2 else "0.88"}
            view.app.model.take_notice({"notice": "parameter", "data": data})

        assert worst_share(await film(view, moment)) < 0.25


async def test_cycles_of_one_step_do_not_flash_the_history():
    async with shown() as view:
        await view.press("3")
        state = view.server.record["state"]

        def moment(at):
            notes = [(48, 67)[(at + i) % 2] for i in range(16)]
            state["performer"]["history"] = [
                {"cycle": at + i, "notes": notes[i % 2 :] + notes[: i % 2]} for i in range(40)
            ]
            view.app.model.take_state(state)

        assert worst_share(await film(view, moment)) < 0.25


async def test_a_build_that_flashes_is_refused(monkeypatch):
    """The negative control: large letters that change with every step, and a page that turns inside out."""
    monkeypatch.setattr(paint, "BIG_SECONDS", 0.0)
    async with shown(server=server_of(2)) as view:
        await view.press("f")
        large = await film(view, play(view, 2))
        turned = [[[1 - value for value in row] for row in rows] if at % 2 else rows for at, rows in enumerate(large)]
        assert worst_share(turned) > 0.25
        assert worst_share(large) > 0.05, "the measure sees the letters"
