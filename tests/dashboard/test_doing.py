"""Every action and parameter by key, by mouse, by typing and from the palette; both lists come from the tables."""

import pytest

from replank.control.actions import ACTIONS, beginning, split_action, usage, written
from replank.control.parameters import PARAMETERS, place
from replank.dashboard import keys, prompt
from replank.dashboard.commands import Everything
from replank.dashboard.doing import Doing
from replank.dashboard.shape import BAR, NAME, VALUE, Shape
from tests.dashboard.showing import shown

SAMPLES = {
    "name": "blue", "cycle": "12", "amount": "1", "step": "5", "note": "D3", "count": "2", "pass": "1of2",
    "parameter": "homing", "value": "0.3", "bars": "4", "minutes": "2", "piece": "2", "text": "the gate", "mode": "off",
}  # fmt: skip
STATES = {"rest": "sound", "link": "slide"}
WHOLE = {"toggle": "toggle:hold", "adjust": "length+=1"}


def sample(action):
    """Return the action as a person would write it, with all that it must have."""
    if action.name in WHOLE:
        return WHOLE[action.name]
    needed = [word for word in action.takes if not word.startswith("[")]
    return ":".join([action.name, *(STATES.get(action.name, "on") if w == "state" else SAMPLES[w] for w in needed)])


def test_every_own_command_is_declared_and_done():
    from replank.dashboard.app import Watch

    done = {f"/{name[4:]}" for name in dir(Watch) if name.startswith("own_")}
    assert done == set(keys.OWN)


def test_every_key_leads_somewhere():
    """A key's command is an action of the table, written rightly, or an own one; no key is declared twice."""
    seen = set()
    for row in keys.KEYS:
        assert (row.key, row.where) not in seen, row
        seen.add((row.key, row.where))
        assert keys.help_of(row)
        if not row.command.startswith("/") and not row.command.endswith(":"):
            split_action(row.command.format(step=5, ratchet=2))
    places = {page.name for page in keys.PAGES} | {"", "step"}
    assert {where for _, where in seen} <= places


def test_a_wrong_command_would_be_found():
    with pytest.raises(ValueError, match="no action"):
        split_action("mutatte")


async def test_every_action_by_key_from_the_page_of_actions():
    async with shown(size=(100, 30)) as view:
        await view.press("7")
        doing = view.app.query_one("#doing", Doing)
        for at, action in enumerate(ACTIONS.values()):
            doing.move(at - doing.cursor)
            await view.pilot.press("enter")
            written = sample(action)
            if any(not word.startswith("[") for word in action.takes):
                line = view.app.query_one(prompt.Input)
                assert line.has_focus and line.value == beginning(action)
                line.value = written
                await view.pilot.press("enter")
            assert view.server.done()[-1] == written, action.name
            await view.pilot.pause()


async def test_every_action_by_mouse():
    async with shown(size=(200, 50)) as view:
        await view.press("7")
        doing = view.app.query_one("#doing", Doing)
        for at, action in enumerate(ACTIONS.values()):
            x, y = next((x, y) for y in range(doing._head, 50) for x in range(0, 200, 10) if doing.row_at(x, y) == at)
            await view.pilot.click("#doing", offset=(x, y), times=2)  # the first marks the row
            assert doing.cursor == at
            line = view.app.query_one(prompt.Input)
            if line.has_focus:
                assert line.value == beginning(action)
                await view.pilot.press("escape")
            else:
                assert view.server.done()[-1] == action.name


def palette_rows(app):
    return list(Everything(app.screen)._rows())


async def test_every_action_and_parameter_is_in_the_palette():
    async with shown() as view:
        found = {command for _, command, _ in palette_rows(view.app)}
        for action in ACTIONS.values():
            needs = any(not word.startswith("[") for word in action.takes)
            assert (f"/ask:{beginning(action)}" if needs else action.name) in found
        for name in PARAMETERS:
            assert f"/ask:{name}=" in found
        for page in keys.PAGES:
            assert f"/page:{page.name}" in found
        # the negative control: a name that no table has is not there
        assert "/ask:loudness=" not in found


async def test_an_action_from_the_palette_by_hand():
    async with shown(size=(100, 30)) as view:
        await view.pilot.press("ctrl+p")
        await view.until(lambda: len(view.app.screen_stack) == 2, "palette")
        await view.pilot.press(*"go home")
        await view.until(lambda: "Restores all unpinned" in view.text(), "found")
        await view.pilot.press("down", "enter")
        await view.until(lambda: "go_home" in view.server.done(), "done")
        assert len(view.app.screen_stack) == 1


async def test_every_parameter_by_key():
    async with shown(size=(100, 30)) as view:
        await view.press("2")
        shape = view.app.query_one("#shape", Shape)
        for at, row in enumerate(shape.items()):
            shape.move(at - shape.cursor)
            await view.pilot.press("right")
            if row.kind != "seed":
                amount = f"{(row.high - row.low) / 50:g}" if row.kind == "float" else "1"
                assert view.server.done()[-1] == written("adjust", (row.name, amount))
            await view.pilot.press("d")
            assert view.server.done()[-1] == f"{row.name}={row.default}"
            await view.pilot.press("enter")
            line = view.app.query_one(prompt.Input)
            assert line.value == f"{row.name}="
            line.value = f"{row.name}={prompt.PARAMETERS[row.name].default}"
            await view.pilot.press("enter")
            assert view.server.done()[-1] == f"{row.name}={row.default}"
            await view.pilot.pause()
        await view.press("a")
        assert view.app.query_one(prompt.Input).value.startswith("ramp:")


async def test_parameters_by_mouse():
    async with shown(size=(80, 24)) as view:
        await view.press("2")
        shape = view.app.query_one("#shape", Shape)
        start = 1 + NAME + 1 + VALUE + 1
        for y, row in enumerate(shape.items()[:18]):
            await view.pilot.click("#shape", offset=(start + BAR - 1, y))
            await view.pilot.pause()
            choices = tuple(view.app.model.state.lists.get(row.name, ())) or row.choices
            assert view.server.done()[-1] == f"{row.name}={place(row.name, 1.0, choices)}"
        before = len(view.server.done())
        await view.pilot.click("#shape", offset=(3, 5))
        assert shape.cursor == 5 and len(view.server.done()) == before


@pytest.mark.parametrize(("typed", "sent"), [
    ("mutation_chance=50%", ["mutation_chance=0.5"]),
    ("scale=whole tone redraw@now", ["scale=whole tone", "redraw@now"]),
    ('recall:"the good one"@4bars', ["recall:the good one@4bars"]), ("pitch:5:+1", ["pitch:5:+1"]),
    ("mute", ["mute"]), ("root=eb length=12", ["root=Eb", "length=12"]),
])  # fmt: skip
async def test_what_is_typed(typed, sent):
    async with shown() as view:
        await view.press("colon")
        view.app.query_one(prompt.Input).value = typed
        await view.press("enter")
        assert view.server.done() == sent
        assert not view.app.query_one(prompt.Prompt).display


@pytest.mark.parametrize(("typed", "words"), [
    ("mutation_chanse=1", "nearest: mutation_chance"), ("length=99", "outside 1 to 64"),
    ("rekall:blue", "nearest: recall"),
    ("pitch:5", "is written pitch:STEP:AMOUNT"), ("redraw@soon", "is not a due"), ('recall:"x', "quotation mark"),
    ("", "nothing was typed"), ("scale=dorain", "dorian"),
])  # fmt: skip
async def test_what_is_typed_wrongly_changes_nothing(typed, words):
    async with shown(size=(160, 30)) as view:
        await view.press("colon")
        view.app.query_one(prompt.Input).value = typed
        await view.press("enter")
        assert words in view.text()
        assert view.server.done() == []
        assert view.app.query_one(prompt.Prompt).display, "it can be mended"
        await view.press("escape")
        assert not view.app.query_one(prompt.Prompt).display


async def test_the_line_helps_and_completes():
    async with shown(size=(120, 30)) as view:
        await view.press("colon")
        await view.pilot.press(*"homi", "tab")
        assert view.app.query_one(prompt.Input).value == "homing="
        await view.quiet()
        assert PARAMETERS["homing"].help in view.text()
        view.app.query_one(prompt.Input).value = "pass:"
        await view.quiet()
        assert usage(ACTIONS["pass"]) in view.text()


async def test_a_refusal_of_the_daemon_is_said():
    async with shown() as view:
        view.app.act("nonsense")
        await view.until(lambda: "there is no action" in view.text(), "refused")


async def test_when_walks_and_holds_for_one_action():
    async with shown() as view:
        await view.press("at", "at", "at", "at")
        assert "next: @bar" in view.text()
        await view.press("w")
        assert view.server.done() == ["redraw@bar"]
        await view.press("w")
        assert view.server.done() == ["redraw@bar", "redraw"]


async def test_footer_keys_and_pages_take_clicks():
    async with shown() as view:
        spots = view.app.query_one("Keybar")._spots
        x = next(start for start, _, command in spots[0] if command == "keep")
        await view.pilot.click("Keybar", offset=(x, 0))
        await view.quiet()
        assert view.server.done() == ["keep"]
        x = next(start for start, _, command in spots[1] if command == "/page:history")
        await view.pilot.click("Keybar", offset=(x + 1, 1))
        assert view.app.ui.page == "history"


async def test_nothing_is_sent_where_nobody_listens():
    async with shown(is_up=False) as view:
        await view.pilot.press("k")
        await view.until(lambda: "was not sent" in view.text(), "said")
