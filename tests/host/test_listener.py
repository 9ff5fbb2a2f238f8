"""The clock count beside the player (MIDI 1.0 Detailed Specification, p. 27 to 32)."""

from collections import deque

from replank.host.listener import CERTAIN, LOOKS, Listener, Place, follow

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"


def test_the_first_clock_after_start_is_song_clock_0():
    assert follow(Place(55, True), [START]) == Place(-1, True)
    assert follow(Place(55, True), [START, CLOCK]) == Place(0, True)
    assert follow(Place(-1, False), [CLOCK, CLOCK]) == Place(-1, False)  # p. 30: clock while stopped moves nothing


def test_stop_continue_and_song_position():
    assert follow(Place(10, True), [CLOCK, STOP, CLOCK, CONTINUE, CLOCK]) == Place(12, True)
    assert follow(Place(10, False), [b"\xf2\x04\x00", CONTINUE, CLOCK, CLOCK, CLOCK]) == Place(26, True)  # p. 28
    assert follow(Place(10, True), [b"\xf2\x7f\x7f"]) == Place(16383 * 6 - 1, True)
    assert follow(Place(3, True), [b"", b"\x90\x3c\x40"]) == Place(3, True)


def heard(*messages):
    waiting = deque(messages)
    return Listener(lambda: waiting.popleft() if waiting else None), waiting


def test_what_the_record_lacks_is_known():
    listener, waiting = heard(*[CLOCK] * 10)
    listener.agree(sleep=lambda seconds: None)
    assert listener.missing(10) == []
    assert listener.missing(7) == [CLOCK] * 3
    assert listener.missing(12) == []
    waiting.append(STOP)
    listener.poll()
    assert listener.missing(10) == [STOP]
    listener.restart()
    assert listener.missing(0) == []


def test_agreeing_waits_for_a_quiet_moment():
    listener, waiting = heard(CLOCK)
    naps = []

    def nap(seconds):
        naps.append(seconds)
        if len(naps) < 4:
            waiting.append(CLOCK)

    listener.agree(sleep=nap)
    assert len(naps) == 4
    assert listener.heard == 4


def test_a_lasting_difference_begins_the_count_anew():
    listener, _ = heard(*[CLOCK] * 5)
    listener.poll()
    looks = [listener.watch(4) for _ in range(2 * LOOKS)]
    assert looks.count(True) == 1
    assert listener.off == 1
    assert listener.heard == 4


def test_what_the_listener_missed_is_not_missing_at_the_next_kill():
    # on a busy machine every third record is late for a look, and a message is late here now and then
    listener, waiting = heard()
    listener.agree(sleep=lambda seconds: None)
    listener.restart()
    for number in range(200):
        if number not in (70, 71):
            waiting.append(CLOCK)
        listener.poll()
        listener.watch(number + (number % 3 != 0))
    assert listener.off == 2
    waiting.extend([CLOCK] * 3)  # and here the player is killed
    listener.agree(sleep=lambda seconds: None)
    assert listener.missing(200) == [CLOCK] * 3


def test_delays_are_no_difference():
    listener, waiting = heard()
    listener.restart()
    for number in range(400):
        waiting.append(CLOCK)
        listener.poll()
        assert not listener.watch(number + 1 - (number % 5 == 0) + (number % 7 == 0))
    assert listener.off == 0


def looks_at(*recorded: int, late: bytes = CLOCK, is_quiet: bool = True, is_told: bool = False) -> list[int]:
    """Hear a clock at each look, and say how many the player has recorded by then."""
    listener, waiting = heard()
    listener.agree(sleep=lambda seconds: waiting.append(late) if not is_quiet else None)
    listener.restart(is_told)
    waiting.clear()
    found = []
    for number in recorded:
        waiting.append(late)
        listener.poll()
        found.append(listener.lacking(number))
    return found


def test_clocks_that_the_player_missed_are_certain_once_it_has_gone_on():
    assert looks_at(*range(1, 20)) == [0] * 19
    assert looks_at(1, 2, 2, 3, 4, 5, 6, 7)[-2:] == [1, 1]
    assert looks_at(1, 2, 2, 3, 4, 5)[-1] == 0


def test_a_record_that_is_late_or_holds_more_is_no_miss():
    assert not any(looks_at(1, 1, 1, 1, 1, 1, 1, 1, 1))  # a player that stands still
    assert not any(looks_at(0, 0, 1, 1, 2, 2, 3, 3, 4, 4))  # one that falls behind
    assert not any(looks_at(*range(3, 20)))  # the listener has missed some
    assert not any(looks_at(1, 2, 2, 3, 4, 5, 6, 7, late=START))  # not clocks: nobody can say which one is missing


def test_a_count_that_began_amid_messages_is_never_certain():
    assert not any(looks_at(1, 2, 2, 3, 4, 5, 6, 7, is_quiet=False))


def test_a_player_that_was_told_the_count_has_missed_what_parts_it_from_the_listener():
    assert looks_at(0, 1, 2, 3, 4, 5, 6, 7, is_quiet=False, is_told=True)[-1] == 1


def lost_by_the_player(looks_a_clock: int, listener_class: type[Listener] = Listener) -> list[int]:
    """Lose the tenth clock of a player; return what is found lacking until it is settled, as the host looks."""
    listener, waiting = heard()
    listener = listener_class(listener._read)
    listener.agree(sleep=lambda seconds: None)
    listener.restart()
    found = []
    for look in range(30 * looks_a_clock):
        if look % looks_a_clock == 0:
            waiting.append(CLOCK)
        listener.poll()
        recorded = listener.heard - (listener.heard >= 10 and not listener.off)
        lacking = listener.lacking(recorded)
        if lacking:
            listener.settle(lacking)
            found.append(lacking)
        else:
            listener.watch(recorded)
    return found


def test_a_clock_so_slow_that_looks_agree_before_it_is_certain_is_no_reason_to_forget_what_was_lost():
    assert lost_by_the_player(looks_a_clock=2) == [1]
    assert lost_by_the_player(looks_a_clock=12) == [1]  # 8 BPM at 25 ms a look


def test_forgetting_whatever_looks_agree_on_is_rejected():
    """Negative control."""

    class Hasty(Listener):
        def watch(self, recorded: int) -> bool:
            since, self._lacked_at = self._lacked_at, -CERTAIN
            parted = super().watch(recorded)
            self._lacked_at = self._lacked_at if parted else since
            return parted

    assert lost_by_the_player(2, Hasty) == [1]
    assert lost_by_the_player(12, Hasty) == []
