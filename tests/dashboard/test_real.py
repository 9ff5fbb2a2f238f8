"""Every screen and action over a real daemon on real ports; detaching, restarting, two at once."""

import asyncio

import pytest

from replank.control.actions import ACTIONS, split_action
from replank.dashboard import keys, prompt
from replank.dashboard.app import Watch
from replank.dashboard.feed import Patience
from tests.dashboard.test_doing import sample
from tests.real.conftest import play  # noqa: F401 (a fixture)

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

PREPARED = {
    "recall": "keep:blue", "recall_line": "keep:blue", "home_from": "keep:blue", "forget": "keep:blue",
    "redo": "undo", "undo": "flip:5",
}  # fmt: skip
"""What has to be done first, so that an action is not refused for a good reason."""
NOT_HERE = {"mutate", "piece", "piece_as_left", "next_piece", "previous_piece", "goto", "back", "back_full"}
"""Refused where no set is loaded, no such cycle has been, or (mutate) a clear has left nothing to change.

The refusal has to arrive in words."""


def dashboard(daemon) -> Watch:
    return Watch(lambda: daemon.socket, depth="full", patience=Patience(retry=0.1))


async def until(pilot, true, what="", seconds=30.0):
    """Wait until something holds."""
    for _ in range(int(seconds / 0.02)):
        if true():
            return
        await pilot.pause(0.02)
    raise AssertionError(f"never came true: {what}")


def text(app) -> str:
    return "\n".join(strip.text for strip in app.screen._compositor.render_strips())


async def answered(app, pilot):
    await until(pilot, lambda: not [w for w in app.feed._asked.values() if w not in ("state", "ping")], "answers")


async def test_every_screen_of_a_real_daemon(play):  # noqa: F811
    daemon = await asyncio.to_thread(play, "--clock", "practice", "--tempo", "240")
    app = dashboard(daemon)
    async with app.run_test(size=(100, 30)) as pilot:
        await until(pilot, lambda: app.model.has_state and app.model.step > 0, "playing")
        seen = {app.model.step}
        for page in keys.PAGES:
            app.do(f"/page:{page.name}")
            for _ in range(20):
                await pilot.pause(0.02)
                seen.add(app.model.step)
            assert text(app).strip()
        app.do("/page:line")
        assert len(seen) > 4, "the playhead moved"
        app.do("/page:health")
        await until(pilot, lambda: "the show is kept" in text(app), "health")
        assert "nothing connected" in text(app)
        app.do("/page:history")
        await until(pilot, lambda: "notes," in text(app), "a cycle")


async def test_every_action_on_a_real_daemon(play):  # noqa: F811
    daemon = await asyncio.to_thread(play, "--clock", "internal", "--tempo", "240")
    app = dashboard(daemon)
    async with app.run_test(size=(100, 30)) as pilot:
        await until(pilot, lambda: app.model.has_state, "attached")
        app.do("start")
        await until(pilot, lambda: app.model.cycle > 1, "a whole cycle, for keep_last")
        for _ in range(40):  # homing may choose a step that is at home already; one of many changes something
            app.model.news.clear()
            app.act("mutate", (), "now")
            await answered(app, pilot)
            if not [news for news in app.model.news if news.kind == "refused"]:
                break
        else:
            raise AssertionError("mutate never did anything")
        for action in ACTIONS.values():
            if action.name in PREPARED:
                app.do(PREPARED[action.name])
                await answered(app, pilot)
            app.model.news.clear()
            name, args, _ = split_action(sample(action))
            app.act(name, args, "now")
            await answered(app, pilot)
            # a refusal that an earlier, waiting action brought is not this one's
            refused = [n.text for n in app.model.news if n.kind == "refused" and n.text.startswith(action.name)]
            if action.name in NOT_HERE:
                assert refused or app.model.news, action.name
            else:
                assert not refused, f"{sample(action)}: {refused}"


async def test_what_is_done_comes_back_on_screen(play):  # noqa: F811
    daemon = await asyncio.to_thread(play, "--clock", "internal", "--tempo", "120")
    app = dashboard(daemon)
    async with app.run_test(size=(100, 30)) as pilot:
        await until(pilot, lambda: app.model.has_state, "attached")
        await pilot.press("S")
        await until(pilot, lambda: "▶ playing" in text(app), "started")
        await pilot.press("h")
        await until(pilot, lambda: "HELD" in text(app), "held")
        await pilot.press("colon", *"length=7", "enter")
        await until(pilot, lambda: "7 steps of 1/16" in text(app), "length")
        await pilot.press("right", "i")
        await until(pilot, lambda: "pinned" in text(app), "pinned")
        await pilot.press("escape", "colon")
        app.query_one(prompt.Input).value = "keep:the [bold]good one"
        await pilot.press("enter", "5")
        await until(pilot, lambda: "the [bold]good one" in text(app), "kept")
        await pilot.press("colon", *"rest_chance=2", "enter")
        assert "outside 0 to 1" in text(app)


async def test_closing_never_stops_the_daemon_and_two_may_watch(play):  # noqa: F811
    daemon = await asyncio.to_thread(play, "--clock", "practice", "--tempo", "240")
    first, second = dashboard(daemon), dashboard(daemon)
    async with second.run_test(size=(80, 24)) as other:
        async with first.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: first.model.has_state and second.model.has_state, "both")
            await pilot.press("q", "q")
            await until(pilot, lambda: first.return_value is not None, "closed")
        assert "plays on" in first.return_value
        at = second.model.cycle
        await until(other, lambda: second.model.cycle > at, "the line plays on")
    assert (await asyncio.to_thread(daemon.transport))["running"]


async def test_the_daemon_ends_and_comes_back(play):  # noqa: F811
    daemon = await asyncio.to_thread(play, "--clock", "practice", "--tempo", "240")
    app = dashboard(daemon)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: app.model.has_state, "attached")
        await asyncio.to_thread(daemon.stop)
        await until(pilot, lambda: "no daemon" in text(app), "gone")
        await until(pilot, lambda: "replank play" in app.model.link, "says how to start it")
        await asyncio.to_thread(daemon.start)
        await until(pilot, lambda: app.model.attached and "▶ playing" in text(app), "back")
