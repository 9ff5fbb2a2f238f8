"""Clock and song position rules of the MIDI 1.0 Detailed Specification 4.2.1 (pages named).

Intervals and numbers marked computed follow from 24 clocks to the quarter
note (p. 30) and 6 clocks to the MIDI beat (p. 27).
"""

import pytest

from replank.midi.offline import EvenClock
from replank.timing.bars import Bars
from replank.timing.divisions import PPQN, division_clocks
from replank.timing.follower import ClockFollower
from replank.timing.playhead import Playhead

TABLE = {  # BPM: (clock interval in us, sixteenth in ms, quarter in ms), computed
    30: (83333.33, 500, 2000),
    60: (41666.67, 250, 1000),
    90: (27777.78, 166.667, 666.67),
    120: (20833.33, 125, 500),
    140: (17857.14, 107.143, 428.57),
    180: (13888.89, 83.333, 333.33),
    240: (10416.67, 62.5, 250),
    300: (8333.33, 50, 200),
}
LATE_LIMIT = 98_298
"""Song position 16383, the largest of 14 bits (p. 27), in clocks."""


def check_tempo(make: type[ClockFollower]) -> None:
    for tempo, (interval_us, _, _) in TABLE.items():
        follower = make()
        for clock in range(49):
            follower.tick(round(clock * interval_us * 1000))
        found = follower.tempo()
        assert found is not None
        assert found == pytest.approx(tempo, rel=1e-6), f"{tempo} BPM is followed as {found:.2f}"


def test_the_follower_reads_the_table_of_intervals():
    check_tempo(ClockFollower)


def test_a_follower_of_48_clocks_to_the_quarter_note_is_rejected():
    class Double(ClockFollower):
        def tempo(self) -> float | None:
            found = super().tempo()
            return found and found / 2

    with pytest.raises(AssertionError, match="is followed as"):
        check_tempo(Double)


@pytest.mark.parametrize(("tempo", "row"), TABLE.items())
def test_the_virtual_clock_keeps_the_table(tempo: int, row: tuple[float, float, float]):
    clock = EvenClock(tempo)
    assert (clock[1] - clock[0]) / 1e3 == pytest.approx(row[0], abs=0.006)
    assert (clock[division_clocks("1/16")] - clock[0]) / 1e6 == pytest.approx(row[1], abs=0.0006)
    assert (clock[PPQN] - clock[0]) / 1e6 == pytest.approx(row[2], abs=0.006)
    assert clock[24_000] - clock[0] == pytest.approx(24_000 * 60e9 / 24 / tempo, abs=1), "nothing adds up"


def test_quarters_and_sixteenths_by_the_number_of_the_clock_after_start():
    """p. 30: the first F8 after Start is song clock 0; so number k is clock k - 1 (computed)."""
    bars, sixteenth = Bars("4/4"), division_clocks("1/16")
    assert sixteenth == 6
    assert [k for k in range(1, 73) if bars.is_beat(k - 1)] == [1, 25, 49]
    assert [k for k in range(1, 19) if (k - 1) % sixteenth == 0] == [1, 7, 13]


def test_song_position_4_continue_and_three_clocks_while_locating_is_clock_27():
    """p. 28-29: a clock that comes while the receiver is locating is not lost: 4 * 6 + 3."""
    clock = 4 * 6 + 3
    assert Bars("4/4").position(clock) == (1, 2, 3)
    head = Playhead(16)
    head.locate(-(-clock // 6))  # the next step begins at clock 30
    assert head.peek() == (5, False)


def test_the_largest_song_position():
    """p. 27: 14 bits of 6 clocks; bar 1024 of 4/4, last sixteenth but none (computed)."""
    assert LATE_LIMIT == 0x3FFF * 6
    assert Bars("4/4").position(LATE_LIMIT) == (1024, 4, 18)
    head = Playhead(16)
    head.locate(0x3FFF)
    assert head.peek() == (15, False)


def test_song_position_zero_is_the_first_step():
    """p. 28: Start is song position 0 and Continue."""
    started, located = Playhead(7), Playhead(7)
    for _ in range(10):
        located.advance()
    located.locate(0)
    assert located.peek() == started.peek() == (0, True)
