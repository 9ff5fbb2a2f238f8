"""What a piece sounds as on a rig: the notes of its scale and register, and their volts."""

from __future__ import annotations

from replank.control.setup import KeptLine, Piece, Setup, Voice, values_of
from replank.control.voltage import fit_note, note_volts, voice_range
from replank.line.lenses import Lens, lens_for
from replank.line.pitch import class_number, note_name
from replank.line.scales import get_scale
from replank.line.steps import REST, Step


def lens_of(piece: Piece | KeptLine, setup: Setup) -> Lens:
    """Return the root, scale and register of a piece."""
    values = values_of(piece, setup)
    scale = get_scale(str(values["scale"]), setup.user_scales)
    return lens_for(class_number(values["root"]), scale, int(values["register_low"]), int(values["register_span"]))


def _written(piece: Piece | KeptLine) -> list[Step]:
    """Return the steps of a written line that may sound."""
    return [Step(pitch=step.pitch, free=step.free) for step in piece.line if step.rhythm != REST]


def moved_notes(piece: Piece | KeptLine, setup: Setup) -> list[str]:
    """Return, for written notes outside the piece's scale or register, what they sound as."""
    lens = lens_of(piece, setup)
    found: dict[int, int] = {}
    for step in _written(piece):
        if (sounds := lens.base(step)) != step.pitch:
            found[step.pitch] = sounds
    return [
        f"{note_name(note, setup.middle_c)} sounds as {note_name(sounds, setup.middle_c)}"
        for note, sounds in found.items()
    ]


def volts_of(piece: Piece | KeptLine, setup: Setup) -> list[str]:
    """Return a line for each voice with a voltage model: the volts of the notes that the piece may sound."""
    lens = lens_of(piece, setup)
    values = values_of(piece, setup)
    up = (int(values["transpose_degrees"]), int(values["transpose"]))
    steps = _written(piece) or [Step(pitch=tone) for tone in lens.tones]
    notes = sorted({lens.sound(step, *up) for step in steps})
    return [_line(voice, notes, setup.middle_c) for voice in setup.voices if voice.voltage is not None]


def _line(voice: Voice, notes: list[int], middle_c: int) -> str:
    assert voice.voltage is not None
    low, high = voice_range(voice)
    words = []
    for meant in notes:
        note = meant + voice.transpose
        sent = fit_note(note, low, high, voice.out_of_range)
        if sent is None:
            words.append(f"{note_name(note, middle_c)} rests")
            continue
        name = note_name(sent, middle_c)
        volts = f"{note_volts(voice.voltage, sent):.3f} V"
        words.append(f"{name} {volts}" if sent == note else f"{note_name(note, middle_c)} as {name} {volts}")
    return f"{voice.name}: {', '.join(words)} (computed)"
