"""When a step is struck, struck again and released: swing, ratchets, gates.

Whole clocks are counted, so that an uneven clock is followed; what is finer
is a fraction of the last interval, waited for by a deadline.  All results are
integers: clocks, millionths of a clock, nanoseconds.
"""

from __future__ import annotations

MILLION = 1_000_000

UNKNOWN_GATE_NS = 100 * MILLION
"""Gate while no interval is known: 100 ms."""

LONGEST_PULSE_GATE_NS = 1_000 * MILLION
"""Gate of a pulse is at most 1 s."""

_NEAR = MILLION // 100
"""A remainder below a hundredth of a clock is rounded away: it is shorter than
a timer is late (0.2 ms at 120 BPM), and whole clocks need no timer."""


def swing_delay(song_clock: int, division: int, swing: float) -> tuple[int, int]:
    """Return how much later than `song_clock` a step is struck.

    Off-beat slots are the odd ones of the song's grid since Start, whatever
    the number of the step that falls there.  Of two slots the second begins
    at `swing` per cent of both: ``division * (2 * swing / 100 - 1)`` clocks late.

    Args:
        song_clock: Clocks since Start at which the slot begins.
        division: Clocks of a step.
        swing: Per cent, 50 (straight) to 75; read to a thousandth.

    Returns:
        Whole clocks, and the remainder in millionths of a clock.
    """
    if song_clock // division % 2 == 0:
        return 0, 0
    late = division * (2 * round(swing * 1000) - 100_000) * 10
    whole, rest = divmod(late, MILLION)
    if rest <= _NEAR:
        return whole, 0
    if MILLION - rest <= _NEAR:
        return whole + 1, 0
    return whole, rest


def slot_length(song_clock: int, division: int, swing: float) -> int:
    """Return millionths of a clock from the strike of this slot to that of the next."""
    here, there = (swing_delay(at, division, swing) for at in (song_clock, song_clock + division))
    return (division + there[0] - here[0]) * MILLION + there[1] - here[1]


def clocks_ns(whole: int, millionths: int, interval: int) -> int:
    """Return the nanoseconds of so many clocks at `interval` ns per clock."""
    return (whole * MILLION + millionths) * interval // MILLION


def gap_before_repeat(gate: int, step: int, gap: int) -> int:
    """Return a gate that leaves a gap before the next strike of the same pitch.

    Args:
        gate: The gate as it would be, ns.
        step: From this strike to the next, ns.
        gap: The silence wanted, ns; a step too short for it is halved.
    """
    return max(1, min(gate, max(step - gap, step // 2)))


def ratchet_offsets(division: int, strikes: int) -> tuple[int, ...] | None:
    """Return after how many clocks each strike of a step falls, the first at 0.

    None where the division is no multiple of the strikes: then the time is divided.
    """
    if division % strikes:
        return None
    return tuple(division // strikes * n for n in range(strikes))
