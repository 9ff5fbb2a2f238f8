"""Stable names of MIDI ports: what stays when cables are pulled and put back.

Port names carry numbers that change from plug to plug: the ALSA sequencer
appends ``client:port``, Windows a position in its list, JACK a counter on
collision.  Rig and profile files name a port by what stays.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from fnmatch import fnmatchcase

WINDOWS_NAME = 31
"""Windows cuts a device's name to so many characters."""

_RULES: dict[str, tuple[tuple[re.Pattern[str], str], ...]] = {
    "alsa": ((re.compile(r"\s\d+:\d+$"), ""),),
    "jack": (
        (re.compile(r"-\d\d(?=:)"), ""),  # name-01:port, a second client of one name
        (re.compile(r"\s\[\d+\](?=[\s:]|$)"), ""),  # a bridge from ALSA puts the client number in brackets
        (re.compile(r"\s\d+:\d+(?=[\s:]|$)"), ""),
    ),
    "coremidi": (),
    "windows": ((re.compile(r"\s\d+$"), ""),),
}

APIS = tuple(_RULES)
"""Kinds of MIDI system whose names are known."""


class PortNameError(LookupError):
    """No port, or more than one, has the wanted name.

    Attributes:
        candidates: The ports that it could be: all that match, or all there are.
    """

    def __init__(self, message: str, candidates: list[str]) -> None:
        super().__init__(message)
        self.candidates = candidates


def clean_name(name: str) -> str:
    """Return a port's name without control characters, white space made single."""
    return " ".join("".join(c if c.isprintable() else " " for c in name).split())


def stable_name(name: str, api: str) -> str:
    """Return what stays of a port's name when it is plugged in again.

    Args:
        name: As the MIDI system shows it.
        api: alsa, jack, coremidi or windows.

    Raises:
        ValueError: No such kind of MIDI system.
    """
    if api not in _RULES:
        raise ValueError(f"{api!r} is not one of {', '.join(APIS)}")
    found = clean_name(name)
    for pattern, replacement in _RULES[api]:
        found = pattern.sub(replacement, found)
    return found


def match(pattern: str, names: Iterable[str], api: str) -> str:
    """Return the one port that `pattern` names.

    The first of these that any port fulfils decides, capitals apart: the
    whole name; the stable name; with ``*`` or ``?``, a wildcard over the
    stable name; else a part of the stable name.

    Args:
        pattern: As a person wrote it.
        names: The ports there are, as the MIDI system shows them.
        api: alsa, jack, coremidi or windows.

    Raises:
        PortNameError: No port or several; the message lists them.
    """
    there = list(dict.fromkeys(names))
    wanted = clean_name(pattern)
    for test in _tests(wanted, api):
        found = [name for name in there if test(name)]
        if len(found) == 1:
            return found[0]
        if found:
            listed = ", ".join(clean_name(name) for name in found)
            raise PortNameError(f"{wanted!r} fits {len(found)} ports: {listed}; write more of the name", found)
    listed = ", ".join(clean_name(name) for name in there)
    what_is = f"there are: {listed}" if there else "there is none"
    raise PortNameError(f"no port fits {wanted!r}; {what_is}", there)


def _tests(wanted: str, api: str) -> list[Callable[[str], bool]]:
    cut = WINDOWS_NAME if api == "windows" else None
    word = wanted.casefold()
    stable = {word[:cut], stable_name(wanted, api).casefold()[:cut]}

    def is_stable(name: str) -> bool:
        return stable_name(name, api).casefold() in stable

    def fits(name: str) -> bool:
        have = stable_name(name, api).casefold()
        if set(word) & set("*?"):
            return fnmatchcase(have, word.replace("[", "[[]"))
        return bool(word) and word in have

    return [lambda name: name == wanted, lambda name: clean_name(name).casefold() == word, is_stable, fits]
