"""When the messages of a driver's queue came, from its intervals and from looks at the queue."""

from random import Random

import pytest

from replank.host.stamping import EXACT_NS, Moments

MS = 1_000_000


def stamped(seed: int, drift: float, make: type[Moments] = Moments, lost_at: int = -1) -> tuple[list[int], Moments]:
    """Look at a queue now and then; return by how much each stamp that was called exact is off, ns.

    Args:
        seed: Of the looks and the messages.
        drift: The driver's clock is faster by this share.
        make: Of the moments.
        lost_at: The driver loses the interval before this message.
    """
    r = Random(seed)
    moments, off = make(), []
    now = empty = last = 10**9
    came = [now + 5 * MS + round(i * 20.8 * MS + r.gauss(0, 0.3 * MS)) for i in range(2000)]
    number = 0
    while number < len(came):
        now += round((25 if moments.is_exact else 2) * MS * (1 + 0.02 * r.random()) + (r.random() < 0.02) * 200 * MS)
        while number < len(came) and came[number] <= now:
            interval = 0 if number in (0, lost_at) else round((came[number] - last) * (1 + drift) / 1000) * 1000
            last = came[number]
            moments.take(interval, empty, now + 20_000)
            if moments.is_exact:
                off.append(moments.stamp(moments.place) - came[number])
            number += 1
        empty = now
    return off, moments


@pytest.mark.parametrize("drift", [0.0, 50e-6, -450e-6, 450e-6])
@pytest.mark.parametrize("seed", range(5))
def test_stamps_are_exact_after_some_messages(seed: int, drift: float):
    off, moments = stamped(seed, drift)
    assert len(off) > 1400
    assert all(abs(one) <= EXACT_NS for one in off)
    assert not moments.broken


@pytest.mark.parametrize("seed", range(5))
def test_a_lost_interval_is_noticed_and_stamps_are_exact_again(seed: int):
    off, moments = stamped(seed, 20e-6, lost_at=1000)
    assert moments.broken
    assert len(off) > 1400
    assert sum(abs(one) > EXACT_NS for one in off) <= 5, "for the few looks until one shows it"
    assert all(abs(one) <= EXACT_NS for one in off[-500:])


class Reading(Moments):
    """Stamps a message when it is read."""

    is_exact = True  # type: ignore[assignment]

    def take(self, interval: int, after: int, before: int) -> None:
        super().take(interval, after, before)
        self._latest = before - self._place


def test_stamping_when_the_queue_is_read_is_rejected():
    """Negative control."""
    off, _ = stamped(1, 0.0, Reading)
    assert max(off) > 20 * MS


class Trusting(Moments):
    """Believes that the first look tells where the driver's clock stands, and never looks again."""

    def take(self, interval: int, after: int, before: int) -> None:
        if not self._number:
            super().take(interval, after, before)
        else:
            self._place += interval
            self._number += 1

    is_exact = True  # type: ignore[assignment]


def test_stamping_by_intervals_alone_is_rejected():
    """Negative control: an interval that is lost is missing for ever."""
    off, _ = stamped(1, 0.0, Trusting, lost_at=1000)
    assert max(off) - min(off) > 15 * MS
