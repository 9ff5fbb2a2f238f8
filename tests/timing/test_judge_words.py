"""What the judge of the clock says, what the ear proves, and how it waits and plays on."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from random import Random

from scripts.benchparts.hours import PERIOD_NS, callback_stamps
from scripts.benchparts.judging import Line

from replank.timing.coasting import next_at, play_on
from replank.timing.judge import COAST, WAIT, ClockJudge

MS = 1_000_000
T = 20_833_333
"""The interval at 120 BPM, ns."""


def even(clocks: int, begin: int = 10**9, interval: int = T) -> list[int]:
    return [begin + i * interval for i in range(clocks)]


def fed(stamps: Sequence[int], dropouts: str = "heal", grain: int = 0) -> Line:
    line = Line(ClockJudge(grain, dropouts))
    line.start()
    for stamp in stamps:
        line.clock(stamp)
    return line


def without(stamps: list[int], lost: range) -> list[int]:
    return [stamp for i, stamp in enumerate(stamps) if i not in lost]


def test_words_before_and_after_a_position_is_given():
    judge = ClockJudge()
    assert judge.word == "none"
    judge.join(0)
    for stamp in even(60):
        judge.clock(stamp)
    assert judge.word == "unknown", "nobody knows where a running clock is joined"
    judge.place(judge.last + 1)
    assert judge.word == "locked"
    assert [fed(even(n)).word for n in (1, 24, 26)] == ["counted", "counted", "locked"]


def test_a_hole_is_told_and_stays_estimated_until_a_position_is_given():
    line = fed(without(even(300), range(200, 203)))
    assert line.judge.tell() == [("made up", 3)]
    assert line.judge.tell() == []
    assert (line.word, line.judge.holes, line.judge.lost) == ("estimated", 1, 3)
    line.songpos(line.pos + 1)
    assert line.word == "locked"


def test_a_clock_that_came_twice_is_swallowed_and_locked_again():
    stamps = sorted([*even(260), even(260)[200] + MS])
    line = fed(stamps)
    assert (line.pos, line.word, line.judge.doubled) == (259, "locked", 1)
    assert line.judge.tell() == [("swallowed", 1)]


def test_a_late_clock_is_no_hole():
    stamps = even(260)
    stamps[200] += 4 * T // 5
    line = fed(stamps)
    assert (line.pos, line.word, line.judge.holes) == (259, "locked", 0)


def test_a_credit_that_is_taken_back_lets_the_line_wait_and_never_sets_it_back():
    line = fed(even(200))
    judge, place = line.judge, line.pos
    moved = [judge.clock(stamp) for stamp in even(12, judge.last + 2 * T, 2 * T)]
    assert moved[:3] == [2, 0, 1], "halved: a hole was credited and taken back at the next clock"
    assert judge.ahead == 0
    assert place + sum(moved) == place + 12
    assert judge.tell() == [("made up", 1), ("taken back", 1)]


def test_a_gap_of_more_than_eight_seconds_is_unknown():
    line = fed([*even(200), *even(60, 10**9 + 200 * T + 9_000 * MS)])
    assert (line.pos, line.word) == (259, "unknown")


def test_a_stop_that_was_lost_in_a_hole_is_told_by_the_continue():
    line = fed(even(200))
    line.now += 50 * T
    line.cont()
    for stamp in even(60, line.now + T):
        line.clock(stamp)
    assert (line.pos, line.word) == (259, "estimated")


def test_two_clocks_on_one_cable_are_told():
    other = even(200, 10**9 + T // 3)
    line = fed(sorted([*even(300), *[stamp + 90 * T for stamp in other]]))
    assert ("two senders", 0) in line.judge.tell()
    doubled = fed(sorted([*even(300), *[stamp + MS for stamp in even(300)[150:180]]]))
    assert ("two senders", 0) in doubled.judge.tell()
    assert ("two senders", 0) not in fed(even(300)).judge.tell()


def test_periods_that_take_turns_are_not_two_clocks():
    for bpm in (78, 114, 120):
        line = fed(callback_stamps(bpm, 800), grain=PERIOD_NS)
        assert ("two senders", 0) not in line.judge.tell()


def test_wait_counts_what_comes_and_says_what_it_sees():
    line = fed(without(even(300), range(200, 203)), WAIT)
    assert line.pos == 296
    assert ("missing", 3) in line.judge.tell()


# -- the ear ----------------------------------------------------------------------


def test_a_proved_credit_is_locked_again():
    stamps = even(300)
    line = fed(without(stamps, range(250, 252))[:260])
    assert line.word == "estimated"
    line.evidence(stamps[250:252])
    for stamp in stamps[262:]:
        line.clock(stamp)
    assert (line.pos, line.word) == (299, "locked")


def test_a_clock_that_nobody_missed_is_made_up_by_its_stamp():
    r = Random(4)
    stamps = sorted(int(10**9 + i * T + r.gauss(0, T / 3)) for i in range(300))
    line = fed([stamp for i, stamp in enumerate(stamps) if i != 250])
    assert line.pos == 298
    line.evidence([stamps[250]])
    assert line.pos == 299


def test_what_was_heard_before_the_position_was_given_moves_nothing():
    stamps = even(300)
    line = fed(stamps[:250])
    line.start()
    for stamp in stamps[250:]:
        line.clock(stamp)
    line.evidence([stamps[240] + T // 2])
    assert line.pos == 49


# -- coast ------------------------------------------------------------------------


def coast(stamps: Sequence[int], until: int) -> tuple[Line, list[int], list[int]]:
    """Feed a clock and let the line play on; return it, where it stood after each moment, and the moments."""
    line = Line(ClockJudge(0, COAST))
    line.start()
    place, places, moments, is_refused = -1, [], [], False
    waiting = list(stamps)
    while True:
        at = -1 if is_refused else next_at(line.judge)
        if waiting and (at < 0 or waiting[0] <= at):
            place += line.judge.clock(waiting.pop(0))
            is_refused = False
            if line.judge.looks:
                line.judge.look()
        elif 0 <= at < until:
            moved = play_on(line.judge, at)
            is_refused = not moved
            place += moved
            moments += [at] if moved else []
        else:
            break
        places.append(place)
    line.pos = place
    return line, places, moments


def test_coast_plays_on_at_the_moments_of_the_grid_and_is_where_its_sender_is():
    stamps = even(400)
    line, places, moments = coast(without(stamps, range(200, 240)), stamps[-1])
    assert moments[0] == stamps[200] + T // 2, "half an interval after the first that is missed"
    assert all(abs(moment - stamp) <= 2000 for moment, stamp in zip(moments[1:], stamps[201:240], strict=True))
    assert all(a <= b for a, b in pairwise(places))
    assert (line.pos, line.word) == (399, "estimated")
    assert ("played on", 40) in line.judge.tell()


def test_coast_ends_after_eight_seconds():
    stamps = even(200)
    line, _, moments = coast(stamps, 10**12)
    assert 7_900 * MS < moments[-1] - stamps[-1] <= 8_000 * MS
    assert line.pos == 199 + len(moments)


def test_a_sender_that_comes_back_early_lets_the_line_wait():
    stamps = even(200)
    back = even(100, stamps[-1] + 19 * T + 3 * T // 5)
    line, places, _ = coast([*stamps, *back], back[-1])
    assert all(a <= b for a, b in pairwise(places)), "the position was set back"
    assert line.judge.ahead == 0


def test_a_halved_tempo_is_not_played_through():
    stamps = even(200)
    half = even(60, stamps[-1] + 2 * T, 2 * T)
    line, places, moments = coast([*stamps, *half], half[-1])
    assert len(moments) <= 3
    assert (line.pos, line.judge.ahead) == (259, 0)
    assert all(a <= b for a, b in pairwise(places))
