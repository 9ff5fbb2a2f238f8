"""Bars and beats, counted in MIDI clocks from Start or from `downbeat`."""

from __future__ import annotations

from typing import Any

from replank.timing.divisions import bar_clocks, beat_clocks


class Bars:
    """Where a song clock lies in the meter.

    A song clock is a count of MIDI clocks since Start, 24 to the quarter note.

    Attributes:
        meter: Such as ``4/4`` or ``7/8``.
        bar_length: Clocks of a bar.
        beat_length: Clocks of a beat, the lower number's note value.
    """

    __slots__ = ("_before", "_origin", "bar_length", "beat_length", "meter")

    def __init__(self, meter: str = "4/4") -> None:
        self.meter = meter
        self.bar_length = bar_clocks(meter)
        self.beat_length = beat_clocks(meter)
        self._origin = 0  # a bar line
        self._before = 0  # bars that lie before the origin

    def position(self, song_clock: int) -> tuple[int, int, int]:
        """Return bar (from 1), beat (from 1) and clock in the beat (from 0)."""
        bar, rest = divmod(song_clock - self._origin, self.bar_length)
        beat, clock = divmod(rest, self.beat_length)
        return bar + self._before + 1, beat + 1, clock

    def bar_index(self, song_clock: int) -> int:
        """Return the bar, 0 for the first; negative before it."""
        return (song_clock - self._origin) // self.bar_length + self._before

    def place(self, song_clock: int) -> float:
        """Return the bars, from 0, that lie before a clock, the present one's share included."""
        bar, rest = divmod(song_clock - self._origin, self.bar_length)
        return bar + self._before + rest / self.bar_length

    def is_bar(self, song_clock: int) -> bool:
        """Tell whether a bar begins at this clock."""
        return (song_clock - self._origin) % self.bar_length == 0

    def is_beat(self, song_clock: int) -> bool:
        """Tell whether a beat begins at this clock."""
        return (song_clock - self._origin) % self.bar_length % self.beat_length == 0

    def next_bar(self, song_clock: int) -> int:
        """Return the song clock of the first bar line at or after this one."""
        return song_clock + (self._origin - song_clock) % self.bar_length

    def set_meter(self, meter: str, song_clock: int) -> None:
        """Begin a bar of another meter at `song_clock`; bar numbers go on.

        Raises:
            ValueError: Not a meter; nothing has changed then.
        """
        length = bar_clocks(meter)
        self._before = self.bar_index(self.next_bar(song_clock))
        self._origin = song_clock
        self.meter, self.bar_length, self.beat_length = meter, length, beat_clocks(meter)

    def set_origin(self, song_clock: int) -> None:
        """Make this clock bar 1, beat 1."""
        self._origin, self._before = song_clock, 0

    def save(self) -> list[Any]:
        """Return everything as plain data."""
        return [self.meter, self._origin, self._before]

    @classmethod
    def restore(cls, plain: list[Any]) -> Bars:
        """Rebuild what `save` took apart."""
        made = cls(plain[0])
        made._origin, made._before = plain[1:]
        return made

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Bars) and self.save() == other.save()

    __hash__ = None  # type: ignore[assignment]
