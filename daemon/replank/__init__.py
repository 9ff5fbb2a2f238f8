"""replank: a headless MIDI daemon that plays one slowly changing melodic line."""

__version__ = "0.1.0"
ENGINE = 2
"""Version of the notes: the same record, the same engine, the same notes."""
