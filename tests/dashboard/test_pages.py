"""Every page, step editing, lists, guard, sizes, closing."""

import pytest

from replank.dashboard import keys
from replank.dashboard.contour import AXIS, Contour, arrange
from tests.dashboard import recording
from tests.dashboard.server import Server
from tests.dashboard.showing import shown

SIZES = [(80, 24), (100, 30), (200, 50), (200, 60), (80, 60), (200, 24)]


@pytest.mark.parametrize("size", SIZES)
async def test_every_page_at_every_size(size):
    async with shown(size) as view:
        for page in keys.PAGES:
            view.app.do(f"/page:{page.name}")
            await view.quiet()
            lines = view.lines()
            assert all(len(line) == size[0] for line in lines), page
            assert len(lines) == size[1]
            assert any(line.strip() for line in lines[2:-2]), page
            if page.name != "line":
                view.app.do("/page:line")


async def test_the_line_says_what_is_played():
    async with shown() as view:
        text = view.text()
        for part in (
            "playing",
            "bar",
            "26",
            "First Light",
            "119.9 BPM",
            "D minor pentatonic",
            "recall the good one in",
        ):
            assert part in text
        names = next(line for line in view.lines() if line.startswith("note"))
        state = view.app.model.state
        assert names.split()[1:] == [
            s.name if s.heard else "×" if s.rhythm == "rest" else "–" for s in state.steps[:16]
        ]


async def test_height_is_pitch():
    """A higher note's head never stands lower; two notes of one pitch stand alike."""
    async with shown() as view:
        contour, steps = view.app.query_one("#contour", Contour), view.app.model.state.steps[:16]
        rows = view.lines()[2 : 2 + contour.size.height]
        tops = {}
        for step in steps:
            x = AXIS + (step.index - 1) * contour.arrangement.width
            if step.heard:
                tops[step.index] = next(y for y, row in enumerate(rows) if row[x] in "▀▄█")
        for a in steps:
            for b in steps:
                if a.heard and b.heard and a.note > b.note:
                    assert tops[a.index] <= tops[b.index]
                if a.heard and b.heard and a.note == b.note:
                    assert tops[a.index] == tops[b.index]


async def test_the_playhead_moves_between_states():
    async with shown() as view:
        for index in (1, 7, 16):
            view.server.notice("step", index=index, note=62, bar=27, beat=1, cycle=27, level="step")
            await view.until(lambda index=index: f"step {index:>2}/16" in view.lines()[0], "moved")
            contour = view.app.query_one("#contour", Contour)
            assert [i for i in range(1, 17) if contour._columns[i - 1] and _plays(view, i)] == [index]


def _plays(view, index):
    """Tell whether a step's number is drawn as the playhead."""
    row = next(cells for cells in view.cells() if "".join(s.text for s in cells).startswith("step"))
    contour, x = view.app.query_one("#contour", Contour), 0
    at = AXIS + (index - 1) * contour.arrangement.width
    for segment in row:
        if x <= at < x + len(segment.text):
            return segment.style.bgcolor is not None and segment.style.bgcolor.name == view.app.ink.ground.strong
        x += len(segment.text)
    return False


async def test_a_mutation_is_marked_for_a_moment():
    async with shown() as view:
        view.clock.now += 10
        await view.quiet()
        assert "▼" not in view.lines()[2]
        view.server.notice(
            "mutation", "cycle 27 · step 5 D3 → F3 · neighbour", index=5, partner=-1, cycle=27, silent=False
        )
        view.server.notice("mutation", "cycle 27 · step 8 D3 → F3 · octave", index=8, partner=-1, cycle=27, silent=True)
        await view.until(lambda: "▼" in view.lines()[2] and "▽" in view.lines()[2], "marked")
        assert "step 8 D3 → F3 · octave · silent" in " ".join(line[:40].strip(" ▸│") for line in view.lines()[15:])
        view.clock.now += 5
        await view.quiet()
        assert "▼" not in view.lines()[2] and "▽" not in view.lines()[2]


async def test_what_moved_is_large_for_two_seconds():
    async with shown() as view:
        view.server.notice("parameter", "gate 0.55", name="gate", value=0.55, shown="0.55")
        await view.until(lambda: view.app.query_one("Large").display, "large")
        assert "of a step" in view.text() or "▄" in view.text()
        view.clock.now += 2.1
        await view.until(lambda: not view.app.query_one("Large").display, "gone")


async def test_a_waiting_control_says_which_way():
    async with shown() as view:
        view.server.notice(
            "waiting", "gate: turn left to take over", control="gate", name="gate", way="left", port="knobs"
        )
        await view.until(lambda: "turn left to take over" in view.text(), "way")


STEP_KEYS = [
    ("up", "pitch:{}:+1"), ("down", "pitch:{}:-1"), ("right_square_bracket", "semitone:{}:+1"),
    ("left_square_bracket", "semitone:{}:-1"), ("enter", "flip:{}"), ("a", "accent:{}"),
    ("l", "link:{}"), ("i", "pin:{}"),
    ("plus", "velocity:{}:0.1"), ("minus", "velocity:{}:-0.1"), ("y", "to_chance:{}"), ("v", "select:{}"),
]  # fmt: skip


async def test_a_step_is_edited_in_place():
    async with shown() as view:
        await view.press("right")
        assert view.app.ui.selected == 13, "begins at the step that sounds"
        await view.press("right")
        assert "step 14" in view.text()
        for key, command in STEP_KEYS:
            await view.press(key)
            assert view.server.done()[-1] == command.format(14)
        repeats = view.app.model.state.steps[13].ratchet
        await view.press("R")
        assert view.server.done()[-1] == f"ratchet:14:{repeats % 4 + 1}"
        await view.press("T")
        assert view.app.query_one("Input").value == "pass:14:"
        await view.press("escape", "b")
        assert view.app.query_one("Input").value == "note:14:"
        await view.press("escape", "escape")
        assert view.app.ui.selected == 0
        await view.press("k")
        assert view.server.done()[-1] == "keep"


async def test_a_step_by_mouse():
    async with shown() as view:
        contour = view.app.query_one("#contour", Contour)
        x = AXIS + 4 * contour.arrangement.width
        await view.pilot.click("#contour", offset=(x, 5))
        assert view.app.ui.selected == 5
        await view.pilot.click("#contour", offset=(x, 5), times=2)
        await view.quiet()
        assert view.server.done() == ["flip:5"]
        contour._scroll(x, "+1")
        contour._scroll(AXIS, "+1")
        await view.quiet()
        assert view.server.done() == ["flip:5", "pitch:5:+1"], "only the chosen step follows the wheel"


async def test_history_tells_and_brings_back():
    async with shown() as view:
        await view.press("3", "down", "down")
        notes = {row["cycle"]: row["notes"] for row in view.server.record["state"]["performer"]["history"]}
        told = f"cycle 23: {sum(note >= 0 for note in notes[23])} notes"
        assert told in view.text()
        await view.press("enter")
        assert view.server.done() == ["back:23"]
        view.server.record["state"]["performer"]["history"].append({"cycle": 26, "notes": [60] * 16})
        view.app.model.wants_state = True
        view.clock.now += 1
        await view.quiet()
        assert told in view.text(), "the marker stays on its cycle"
        await view.press("b")
        assert view.server.done()[-1] == "back_full:23"
        await view.pilot.click("#history", offset=(20, 1))
        assert "cycle 26:" in view.text()


async def test_what_changed_is_lit_and_what_persists_is_not():
    from replank.dashboard.history import cell
    from replank.dashboard.ink import Ink

    ink = Ink()
    lit, quiet = cell(62, True, 4, 50, 70, ink), cell(62, False, 4, 50, 70, ink)
    assert lit.text == quiet.text and lit.style != quiet.style
    none = Ink(depth="none")
    assert cell(62, True, 4, 50, 70, none).style.reverse and not cell(62, False, 4, 50, 70, none).style.reverse


async def test_snapshots_and_set():
    async with shown() as view:
        await view.press("5")
        assert "before the gate" in view.text() and "the good one" in view.text()
        await view.press("down", "enter", "l", "b", "delete")
        name = "the good one"
        assert view.server.done() == [f"{act}:{name}" for act in ("recall", "recall_line", "home_from", "forget")]
        await view.press("6", "down", "enter", "l")
        assert view.server.done()[-2:] == ["piece:2", "piece_as_left:2"]
        assert "set of 40:00 planned" in view.text()


async def test_the_guard_lets_three_through():
    async with shown() as view:
        await view.press("ctrl+l")
        assert "GUARD" in view.lines()[0]
        for row in keys.KEYS:
            if row.where == "" and row.key not in ("ctrl+l",):
                await view.pilot.press(row.key)
        for row in keys.KEYS:
            if row.where == "step":
                await view.pilot.press(row.key)
        await view.quiet()
        assert view.server.done() == ["mute", "panic", "keep"]
        assert view.app.ui.page == "line" and len(view.app.screen_stack) == 1 and view.app.is_running
        await view.pilot.click("#contour", offset=(20, 5), times=2)
        await view.pilot.click("Keybar", offset=(15, 1))
        await view.quiet()
        assert view.server.done() == ["mute", "panic", "keep"] and view.app.ui.page == "line"
        await view.press("ctrl+l", "u")
        assert view.server.done()[-1] == "undo"


async def test_closing_asks_twice_and_says_what_plays_on():
    async with shown() as view:
        await view.press("q")
        assert "q again closes" in view.text() and view.app.is_running
        view.clock.now += 4
        await view.press("q")
        assert view.app.is_running, "too long ago"
        await view.pilot.press("q")
        await view.pilot.pause()
        assert view.app.return_value == "The line plays on; replank watch opens the dashboard again."
        assert view.server.done() == [], "nothing is asked of the daemon"


async def test_ctrl_c_does_not_end_the_show():
    async with shown() as view:
        await view.press("ctrl+c")
        assert view.app.is_running and "q again closes" in view.text()


@pytest.mark.parametrize("size", [(79, 24), (80, 23), (40, 10), (20, 3)])
async def test_too_small_says_so(size):
    async with shown(size, attach=False) as view:
        await view.until(lambda: "80x24" in " ".join(view.text().split()), "said")
        assert f"{size[0]}x{size[1]}" in view.text()


async def test_resizing_live():
    async with shown((200, 50)) as view:
        for size in ((80, 24), (60, 20), (100, 30), (200, 60), (81, 25)):
            await view.pilot.resize_terminal(*size)
            await view.quiet()
            assert len(view.lines()) == size[1]
            assert ("needs 80x24" in " ".join(view.text().split())) == (size == (60, 20))


def long_server(length=64):
    record = recording.load()
    record["state"]["performer"]["line"]["length"] = length
    return Server(record)


async def test_a_long_line_pages_along_or_stays():
    async with shown(server=long_server()) as view:
        contour = view.app.query_one("#contour", Contour)

        async def play(index):
            view.server.notice("step", index=index, note=62, bar=27, beat=1, cycle=27, level="step")
            await view.until(lambda: view.app.model.step == index, "moved")
            await view.quiet()

        await play(3)
        assert "1–24/64" in view.text()
        await play(40)
        assert "25–48/64" in view.text()
        await view.press("ctrl+o")
        await play(3)
        assert "25–48/64" in view.text(), "stays put"
        await view.press("ctrl+o")
        assert contour.arrangement.shown == 64 and contour.arrangement.width == 1


@pytest.mark.parametrize("length", range(1, 65))
def test_every_length_finds_its_place(length):
    for cells in (75, 95, 195):
        for way in ("follow", "stay", "whole"):
            for step in (0, 1, length):
                found = arrange(length, cells, way, step, 0)
                assert 1 <= found.shown <= length and found.shown * found.width <= cells
                if way == "follow" and step:
                    assert found.first < step <= found.first + found.shown


async def test_calm_has_no_motion():
    async with shown(calm=True) as view:
        await view.quiet()
        before = view.text()
        for index in range(1, 17):
            view.server.notice("step", index=index, note=62, bar=26, beat=4, cycle=26, level="step")
        await view.until(lambda: view.app.model.step == 16, "taken")
        await view.quiet()
        assert view.text() == before
        await view.press("ctrl+n")
        assert "step 16/16" in view.lines()[0]


async def test_far_view_and_back():
    async with shown() as view:
        await view.press("3", "f")
        assert view.app.ui.page == "far" and not view.app.query_one("Banner").display
        assert "7:08 left" in view.text() and "set of 40:00" in view.text()
        await view.press("f")
        assert view.app.ui.page == "history"


async def test_light_ground_and_back():
    async with shown() as view:
        dark = view.styled()
        await view.press("ctrl+t")
        assert view.app.theme == "day" and view.styled() != dark
        await view.press("ctrl+t")
        view.clock.now += 4
        await view.quiet()
        assert view.app.theme == "night"


async def test_health_words():
    async with shown() as view:
        await view.press("4")
        text = " ".join(view.text().split())
        for part in (
            "waits for keyboard: plug it in, it is patched by itself",
            "locked: every clock is accounted for",
            "jitter ms p50",
            "the show is kept",
            "replay differs 0",
        ):
            assert part in text
        assert view.lines()[2].startswith(" ! in keyboard"), "trouble comes first"
