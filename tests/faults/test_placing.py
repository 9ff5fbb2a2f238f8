"""The check that judges a clock's faults, on made-up nights: it rejects a line that is elsewhere, and only that."""

import pytest

from tests.faults.placing import Fault, Said, judge

INTERVAL, STEP, START = 1000, 6, 40
"""Frames of a clock; clocks of a step, sixteenths at 24 to the quarter note (MIDI 1.0, p. 30); clock of the Start."""
LINE = [60, 62, 64, 65, 67, 69, 71, 72]
FRAMES = [n * INTERVAL for n in range(400)]
LAST = 240
BEGIN, END, SETTLED = START + 50, START + 52, START + 76


def played(behind_from=0, by=0.0, leave_out=(), again=()):
    """Return the notes of a line that is so many clocks behind from a step on."""
    found = []
    for number in range((LAST - START) // STEP):
        off = by if number >= behind_from else 0.0
        frame = int((START + number * STEP + off) * INTERVAL) + 60
        if number not in leave_out:
            found.append((frame, LINE[number % len(LINE)]))
        if number in again:
            found.append((frame + 300, LINE[number % len(LINE)]))
    return sorted(found)


def said(word, off=0):
    return [Said(n, n, word, n - 1 - START + off) for n in range(START + 1, LAST, 2)]


def found(*ears, word="locked", words=None, **options):
    fault = Fault("a hole", START, BEGIN, END, SETTLED, LAST, Said(LAST, LAST, word, None), **options)
    return judge(fault, FRAMES, list(ears), LINE, words if words is not None else said(word))


def test_a_line_in_its_place_passes():
    right = played()
    assert found(right, right).complaints() == []
    assert found(right, right).until == 0


def test_steps_within_the_hole_may_be_missing_or_come_with_its_first_clock():
    gone = played(leave_out=(8,))
    late = sorted([*gone, ((START + 52) * INTERVAL + 60, LINE[0])])  # step 9 in the hole's last clocks
    assert found(gone, gone).complaints() == found(late, late).complaints() == []


@pytest.mark.parametrize("by", [1.0, 2.0, -1.0, 6.0, 19.0])
def test_a_line_that_is_elsewhere_is_rejected(by):
    wrong = played(10, by)
    result = found(wrong, wrong)
    assert any("clocks off" in text for text in result.complaints())
    assert any("locked while wrong" in text for text in result.complaints())
    assert result.moved == 1 and result.until > 100


def test_a_line_that_comes_back_in_time_passes_where_it_did_not_say_locked():
    back = [one for one in played(9, 1.0) if one[0] < 110 * INTERVAL]
    back += [one for one in played() if one[0] > 111 * INTERVAL]
    result = found(back, back, word="estimated")
    assert result.complaints() == [] and 0 < result.until < 30
    assert any("locked while wrong" in text for text in found(back, back).complaints())


def test_a_step_that_is_lost_or_struck_twice_is_told():
    lost, twice = played(leave_out=(20,)), played(again=(20,))
    assert "missed steps [20]" in found(lost, lost).complaints()[0]
    assert any("struck twice" in text for text in found(twice, twice).complaints())


def test_what_one_ear_alone_lacks_or_doubles_is_the_ears():
    assert found(played(leave_out=(20,)), played()).complaints() == []
    assert found(played(again=(20,)), played()).complaints() == []


@pytest.mark.parametrize("off", [1, -3])
def test_a_count_that_cannot_be_is_told_where_it_says_locked(off):
    right = played()
    assert any("locked while wrong" in text for text in found(right, right, words=said("locked", off)).complaints())
    assert found(right, right, word="estimated", words=said("estimated", off)).complaints() == []


def test_where_nobody_can_know_it_may_be_elsewhere_but_not_locked():
    wrong = played(10, 2.0)
    assert found(wrong, wrong, word="estimated", may_be_unsure=True).complaints() == []
    assert found(wrong, wrong, word="estimated").complaints() != []
    assert found(wrong, wrong, word="locked", may_be_unsure=True).complaints() != []


def test_one_late_step_is_no_line_that_has_moved():
    late = sorted([*played(leave_out=(20,)), ((START + 121) * INTERVAL + 60, LINE[4])])
    result = found(late, late)
    assert result.moved == 0 and result.locked_wrong == [] and len(result.misplaced) == 1
