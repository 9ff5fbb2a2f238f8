"""What waits for a player's answer."""

import asyncio
from types import SimpleNamespace

import pytest

from replank.control.notices import Notice
from replank.host import requests
from replank.host.requests import Requests
from replank.host.server import Refused
from replank.performer.events import Act


def perform(monkeypatch: pytest.MonkeyPatch, answers: int, room: int = 9) -> tuple[Requests, Exception | None]:
    """Ask three things of a player that answers so many, and takes so many."""
    monkeypatch.setattr(requests, "ANSWER_SECONDS", 0.05)

    async def ask() -> tuple[Requests, Exception | None]:
        serials: list[int] = []

        def command(event: Act) -> int:
            if len(serials) == room:
                raise BufferError("the player does not take commands at the moment")
            serials.append(len(serials) + 1)
            if serials[-1] <= answers:
                made_loop.call_soon(made.happened, serials[-1], list[Notice]())
            return serials[-1]

        made_loop = asyncio.get_running_loop()
        host = SimpleNamespace(loop=made_loop, playing=True, waiting="", link=SimpleNamespace(command=command))
        made = Requests(host)  # type: ignore[arg-type]
        try:
            await made._perform([Act("redraw")] * 3)
        except Refused as error:
            return made, error
        return made, None

    return asyncio.run(ask())


@pytest.mark.parametrize(
    ("answers", "room", "said"), [(3, 9, None), (1, 9, "has not answered yet"), (0, 2, "does not take commands")]
)
def test_nothing_waits_for_ever_for_an_answer(monkeypatch, answers, room, said):
    made, error = perform(monkeypatch, answers, room)
    assert (error is None) if said is None else (said in str(error))
    assert made._waiting == {}, "one for each command that never came back would add up"
