from __future__ import annotations

from random import Random

from leadlight.leader.limiter import RateLimiter
from leadlight.units import SECOND, LocalInstant


def at(ns: int) -> LocalInstant:
    return LocalInstant(ns)


def test_a_burst_passes_at_once_and_no_more() -> None:
    limiter = RateLimiter(per_second=10, burst=3)
    assert [limiter.allow(at(5)) for _ in range(5)] == [True, True, True, False, False]


def test_at_least_one_a_second_is_allowed() -> None:
    limiter = RateLimiter(per_second=0, burst=0)
    assert [limiter.allow(at(ns)) for ns in (0, SECOND - 1, SECOND)] == [True, False, True]


def test_the_next_is_allowed_after_exactly_its_share_of_a_second() -> None:
    limiter = RateLimiter(per_second=10, burst=1)
    assert limiter.allow(at(0))
    assert not limiter.allow(at(SECOND // 10 - 1))
    assert limiter.allow(at(SECOND // 10))


def test_a_limit_slower_than_once_a_second_is_told_by_its_period() -> None:
    limiter = RateLimiter.once_in(60 * SECOND, burst=2)
    assert [limiter.allow(at(0)) for _ in range(3)] == [True, True, False]
    assert not limiter.allow(at(60 * SECOND - 1))
    assert limiter.allow(at(60 * SECOND))


def test_no_window_ever_holds_more_than_its_share_and_one_burst() -> None:
    random = Random(7)
    limiter = RateLimiter(per_second=60, burst=120)
    now, allowed = 0, []
    for _ in range(20_000):
        now += random.choice((0, 1_000, SECOND // 500, SECOND // 20))
        if limiter.allow(at(now)):
            allowed.append(now)
    assert len(allowed) < 20_000
    for first in range(0, len(allowed), 97):
        inside = [instant for instant in allowed[first:] if instant - allowed[first] < 3 * SECOND]
        assert len(inside) <= 3 * 60 + 120


def test_idle_time_is_not_saved_beyond_one_burst() -> None:
    limiter = RateLimiter(per_second=10, burst=2)
    limiter.allow(at(0))
    assert [limiter.allow(at(3_600 * SECOND)) for _ in range(3)] == [True, True, False]


def test_packets_handed_over_out_of_order_gain_nothing() -> None:
    limiter = RateLimiter(per_second=10, burst=1)
    assert limiter.allow(at(SECOND))
    assert not limiter.allow(at(0))
    assert not limiter.allow(at(SECOND + SECOND // 10 - 1))
    assert limiter.allow(at(SECOND + SECOND // 10))
