"""The performer: a pure object that turns events into MIDI messages and notices."""

from replank.performer.core import Performer

__all__ = ["Performer"]
