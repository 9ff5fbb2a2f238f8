"""From a function and a recognised control to an entry of a profile file."""

from __future__ import annotations

from typing import Any

from replank.control.actions import find_action, is_move, split_action
from replank.control.learning import Finding
from replank.control.parameters import PARAMETERS, nearest, parse

ABSENT = "a function is a parameter (gate), values for a button (scale=dorian,phrygian), or an action (keep_last)"


def entry_for(function: str, finding: Finding, label: str = "") -> dict[str, Any]:
    """Return the keys of a control's entry, in the order in which a file writes them.

    Args:
        function: ``gate``; ``mute``; ``scale=dorian,phrygian`` (a button
            chooses); ``keep_last``, ``recall:blue@now``; ``rotate:*`` (a turn).
        finding: What was recognised.
        label: For people; the function where empty.

    Raises:
        ValueError: The control cannot do that, or there is no such function.
    """
    if finding.source is None or (finding.shape == "encoder" and not finding.relative):
        raise ValueError(finding.unsure or "nothing was recognised")
    name, _, values = function.strip().partition("=")
    entry: dict[str, Any] = {
        "label": label or name.split(":")[0].rstrip("+-").replace("_", " "),
        "sends": finding.source.written,
    }
    entry["channel"] = finding.source.channel
    if finding.relative:
        entry["relative"] = finding.relative
    if finding.source.kind in ("nrpn", "rpn") and finding.bits == 7:
        entry["bits"] = 7
    if finding.latching:
        entry["latching"] = "yes"
    if name in PARAMETERS:
        entry |= _parameter(name, values, finding)
    else:
        entry |= _action(function.strip(), finding)
    return entry


def check_function(function: str) -> None:
    """Refuse what is no function, before anything is moved.

    Raises:
        ValueError: With the nearest one.
    """
    name, _, values = function.strip().partition("=")
    if name in PARAMETERS:
        for word in filter(None, values.split(",")):
            parse(name, word)
        return
    if is_move(function.strip()):
        split_action(function.strip().replace("*", "1"))
        return
    head = name.split(":")[0].split("@")[0]
    try:
        find_action(head)
    except ValueError:
        known = nearest(head, [*PARAMETERS]) or nearest(head, ["keep"])
        raise ValueError(f"there is no function {name!r}{known}; {ABSENT}") from None
    split_action(function.strip().replace("*", "1"))


def _parameter(name: str, values: str, finding: Finding) -> dict[str, Any]:
    row, words = PARAMETERS[name], [word.strip() for word in values.split(",") if word.strip()]
    if finding.shape != "button":
        return {"moves": name, **({"values": words} if words else {})}
    if finding.source is not None and finding.source == finding.source._replace(kind="program", number=-1):
        return {"moves": name}
    if row.kind == "bool":
        return {"toggles": name}
    if not words:
        raise ValueError(f"a button chooses values of {name}; write them: {name}={_example(name)}")
    return {"chooses": name, "values": words}


def _example(name: str) -> str:
    row = PARAMETERS[name]
    return ",".join(row.choices[:2]) if row.is_list else f"{row.default}"


def _action(function: str, finding: Finding) -> dict[str, Any]:
    split_action(function.replace("*", "1"))
    if "*" in function and finding.shape != "button":
        return {"turn": function}
    is_program = finding.source is not None and finding.source.kind == "program" and finding.source.number < 0
    if is_program != ("*" in function):
        hint = "write piece:* to follow its numbers" if is_program else "* stands for the amount of a turn"
        raise ValueError(f"{function} does not fit {finding.source.words if finding.source else 'it'}; {hint}")
    if finding.shape != "button":
        raise ValueError(f"{function} is for a button; what moved is a {finding.shape}")
    return {"does": function}
