"""Placeholder until the keyboard reader stands here: hears nothing."""

from __future__ import annotations

from typing import Any

from replank.control.asking import Intent


class KeyboardReader:
    """Interface that the performer calls; the owner of control/ replaces this file."""

    def __init__(self, mode: str) -> None:
        self.mode = mode

    def set_mode(self, mode: str) -> None:
        """Choose what the keys do."""
        self.mode = mode

    def message(self, data: bytes, now: int) -> list[Intent]:
        """Return what a key asks for."""
        return []

    def save(self) -> list[Any]:
        """Return plain data."""
        return [self.mode]

    def load(self, plain: list[Any]) -> None:
        """Take over what `save` returned."""
        (self.mode,) = plain
