"""Names that were others once: what refuses an unknown name says what it is called now.

Nothing reads the old ones.  One name may have become several: which one is
meant follows from what may stand in the place where it was written.
"""

from __future__ import annotations

from collections.abc import Iterable

OLD: dict[str, tuple[str, ...]] = {
    "reach": ("leap", "range"), "beyond": ("out_of_range",), "fine": ("fine_tune", "lsb"), "loose": ("reroll",),
    "repeat_chance": ("ratchet_chance",), "repeat_count": ("ratchet_count",), "repeats": ("ratchet",),
    "hold": ("tie",), "turn": ("pass",), "press": ("flip",), "release_step": ("to_chance",),
    "release_all": ("all_to_chance",), "run": ("join",), "one_is_now": ("downbeat",), "name": ("name_show",),
    "keys": ("keyboard",), "nudge_parameter": ("NAME+=AMOUNT",), "catch_up": ("takeover",), "meet": ("pickup",),
    "ease": ("scaled",), "clock": ("midi", "send_clock"), "through": ("thru",), "made": ("generate",),
    "end_hold": ("end_beats",), "gate": ("gate_scale",), "lag_steps": ("canon_steps",), "ahead": ("cc_early",),
    "holds": ("while_held",), "latches": ("latching",), "echoes": ("sends_back",), "release": ("on_release",),
    "straight": ("linear",),
}  # fmt: skip
"""Old name -> what it may be now."""


def renamed(word: str, known: Iterable[object]) -> str:
    """Return the present name of an old one that is among the known, or nothing."""
    names = {str(name) for name in known}
    return next((new for new in OLD.get(word.strip(), ()) if new in names), "")
