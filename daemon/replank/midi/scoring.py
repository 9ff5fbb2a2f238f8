"""From what a performer did to a score: voices, markers, key and meter."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from replank.control.notices import Notice, words
from replank.control.setup import Setup, values_of
from replank.midi.files import Score, Track, key_signature
from replank.midi.tempo import TickMap

MARKED = ("mutation", "piece", "snapshot", "star")
"""Kinds of notices that become markers."""


def marker_text(notice: Notice) -> str:
    """Return a notice's words, and that it is silent where nobody can hear the change."""
    text = words(notice.kind, notice.data)
    if notice.data.get("silent") and "silent" not in text:
        text += " · silent"
    return text


def score_of(
    messages: Iterable[tuple[int, int, bytes]],
    notices: Sequence[Notice],
    setup: Setup,
    values: Mapping[str, Any],
    ticks: TickMap,
    tempos: list[tuple[int, int]],
    name: str = "",
) -> Score:
    """Return a score of a render or of a recorded show.

    Each (output, channel) that was sent to is a track, named after its voice.
    Root, scale and meter are followed where notices say that they changed, or that a piece begins.

    Args:
        messages: (ns, output, one whole message), in order.
        notices: What was said meanwhile, in order.
        setup: Names of voices and outputs.
        values: Parameters at the beginning.
        ticks: Moments to ticks.
        tempos: (tick, microseconds per quarter note): `ticks.tempos()`, or an exact one.
        name: Of the whole.
    """
    tracks: dict[tuple[int, int], Track] = {}
    for voice in setup.voices:
        tracks.setdefault((voice.output, voice.channel), Track(voice.name))
    for now, output, message in messages:
        if message[0] >= 0xF0:
            continue
        place = (output, (message[0] & 0x0F) + 1)
        if place not in tracks:
            tracks[place] = Track(f"{setup.outputs[output].name}, channel {place[1]}")
        tracks[place].events.append((max(0, ticks.tick(now)), message))
    score = Score(name=name, tracks=list(tracks.values()), tempos=tempos)
    score.meters = [(0, str(values["meter"]))]
    score.keys = [(0, key)] if (key := key_signature(values["root"], values["scale"])) else []
    _follow(score, notices, values, ticks, setup)
    return score


def _follow(
    score: Score, notices: Sequence[Notice], values: Mapping[str, Any], ticks: TickMap, setup: Setup
) -> None:  # fmt: skip
    followed = {name: values[name] for name in ("root", "scale", "meter")}
    for notice in notices:
        tick = max(0, ticks.tick(notice.now))
        if notice.kind in MARKED:
            score.markers.append((tick, marker_text(notice)))
        changed = _changed(notice, setup)
        followed |= {name: changed[name] for name in followed if name in changed}
        if "meter" in changed and followed["meter"] != score.meters[-1][1]:
            score.meters.append((tick, str(followed["meter"])))
        key = key_signature(followed["root"], followed["scale"]) if changed else None
        if key and [key] != [one for _, one in score.keys[-1:]]:
            score.keys.append((tick, key))


def _changed(notice: Notice, setup: Setup) -> Mapping[str, Any]:
    """Return the parameters that a notice gives new values."""
    if notice.kind == "parameter":
        return {notice.data["name"]: notice.data["value"]}
    if notice.kind == "piece" and notice.data["how"] == "as prepared" and notice.data["number"] <= len(setup.pieces):
        return values_of(setup.pieces[notice.data["number"] - 1], setup)
    return {}
