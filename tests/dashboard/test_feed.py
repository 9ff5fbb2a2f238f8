"""The socket: absent, late, gone, silent, another's, garbage; always words, never a traceback."""

import pytest

from tests.dashboard import recording
from tests.dashboard.server import Server, load_server
from tests.dashboard.showing import shown


async def test_says_how_to_start_a_daemon_and_attaches_when_it_comes():
    async with shown(is_up=False) as view:
        await view.until(lambda: "No daemon is running" in view.text(), "absent")
        assert "replank play" in view.text()
        await view.server.open()
        await view.attached()
        assert "First Light" in view.text()


async def test_reattaches_when_the_daemon_restarts():
    async with shown() as view:
        before = view.app.feed.attempts
        await view.server.close()
        await view.until(lambda: "no daemon" in view.lines()[0], "lost")
        steps = view.server.record["state"]["performer"]["line"]["steps"][:16]
        heard = {step["name"] for step in steps if step["heard"]}
        assert all(name in view.text() for name in heard), "the last known line stays on screen"
        await view.server.open()
        await view.until(lambda: view.app.model.attached and "playing" in view.lines()[0], "back")
        assert view.app.feed.attempts > before


GARBAGE = [
    pytest.param(b"SSH-2.0-OpenSSH\r\n", "no JSON", id="another protocol"),
    pytest.param(b"\x00\xff\xfe\x01\n", "no JSON", id="bytes"),
    pytest.param(b"[" * 100_000 + b"\n", "no JSON", id="deep"),
    pytest.param(b"[1, 2]\n", "no message", id="a list"),
    pytest.param(b'{"hello": 1}\n', "no greeting", id="another greeting"),
    pytest.param(b'{"replank": 1, "protocol": 9}\n', "speaks protocol 9", id="newer"),
    pytest.param(b"x" * (5 << 20), "without end", id="endless"),
    pytest.param(b"", "does not answer", id="silent"),
]


@pytest.mark.parametrize(("greeting", "words"), GARBAGE)
async def test_garbage_is_said_and_tried_again(greeting, words):
    async with shown(size=(160, 30), server=load_server(greeting=greeting), attach=False) as view:
        await view.until(lambda: words in view.app.model.link, words)
        at = view.app.feed.attempts
        await view.until(lambda: view.app.feed.attempts > at + 1, "tried again")
        assert words in view.lines()[1]
        view.server.greeting = recording.load()["greeting"]
        await view.attached()


async def test_garbage_in_the_middle_is_left_and_the_line_comes_back():
    async with shown() as view:
        view.server.raw(b'{"notice": "step", "data": \xff\xff\n')
        await view.until(lambda: not view.app.model.attached or any("no JSON" in n.text for n in view.app.model.news))
        await view.until(lambda: view.app.model.attached, "back")


@pytest.mark.parametrize(
    "line",
    [
        b"{}\n",
        b'{"state": 5}\n',
        b'{"state": {"performer": null}}\n',
        b'{"notice": null}\n',
        b'{"notice": "step", "data": []}\n',
        b'{"id": [], "ok": false}\n',
        b'{"state": {"performer": {"line": {"steps": [null, 7, {}], "length": 1e300}}}}\n',
    ],
)
async def test_messages_of_another_shape_do_no_harm(line):
    async with shown() as view:
        view.server.raw(line)
        view.server.notice("star", "a star after it")
        await view.until(lambda: "a star after it" in view.text(), "goes on")
        for page in "2345678":
            await view.press(page)


async def test_a_stopped_daemon_is_noticed():
    """As with SIGSTOP: the connection stays, nothing comes."""
    async with shown() as view:
        view.server.is_deaf = True
        await view.until(lambda: "does not answer" in view.app.model.link, "silence")
        assert "no daemon" in view.lines()[0]
        view.server.is_deaf = False
        await view.until(lambda: view.app.model.attached, "answers again")


async def test_subscribes_to_all_levels():
    async with shown() as view:
        first = view.server.asked[0]
        assert first["do"] == "subscribe"
        assert first["levels"] == ["step", "event", "warn", "error"]


async def test_only_the_newest_state_is_read(monkeypatch):
    """A hundred states that came in between cost one reading."""
    from replank.dashboard import model as models

    async with shown() as view:
        count = 0
        real = models.read_state

        def counted(message):
            nonlocal count
            count += 1
            return real(message)

        monkeypatch.setattr(models, "read_state", counted)
        for _ in range(100):
            view.app.model.take_state(view.server.record["state"])
        view.app.model.digest()
        assert count == 1
        assert view.app.model.digest() is False


async def test_names_with_markup_and_control_characters_are_text():
    record = recording.load()
    evil = "[red]Blue[/red]\x1b[2J\x07"
    performer = record["state"]["performer"]
    performer["piece_name"] = evil
    performer["snapshots"] = [{**performer["snapshots"][0], "name": evil}]
    performer["pieces"][0]["name"] = evil
    record["state"]["host"]["patches"]["in:clock"]["peers"] = [evil]
    async with shown(size=(120, 30), server=Server(record)) as view:
        for page in ("1", "4", "5", "6"):
            await view.press(page)
            assert "[red]Blue[/red]·[2J·" in view.text(), page
            assert "\x1b" not in view.text()
        await view.press("5", "down", "enter")
        assert view.server.done()[-1] == f"recall:{evil}", "what is sent is the name itself"
