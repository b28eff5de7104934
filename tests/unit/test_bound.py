from __future__ import annotations

import math

import pytest

from leadlight.clock.bound import (
    LATENESS_WINDOW,
    UNPROVEN,
    UNSEEN_WAITS,
    CausalityBound,
    Lateness,
    deviation_at_ns,
    statistical_half_width_ns,
)
from leadlight.clock.estimator import Estimate, Exchange
from leadlight.units import INSTANT_MAXIMUM, MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant

AT = LocalInstant(1_000 * SECOND)
OFFSET = 5 * SECOND
"""Local minus leader."""


def exchange(up_ns: int, down_ns: int, at: int = AT) -> Exchange:
    """A Sounding sent at `at` that took `up_ns` up and whose Echo, sent at once, took `down_ns` down."""
    leader = LeaderInstant(at + up_ns - OFFSET)
    return Exchange(LocalInstant(at), leader, leader, LocalInstant(at + up_ns + down_ns))


def test_beacons_alone_prove_only_that_the_clock_is_not_ahead() -> None:
    bound = CausalityBound()
    bound.observe_arrival(LeaderInstant(AT - OFFSET), LocalInstant(AT + 3 * MILLISECOND))
    assert bound.upper_ns == OFFSET + 3 * MILLISECOND
    assert bound.lower_ns == -UNPROVEN
    assert not bound.is_two_sided
    assert bound.half_width_ns(Estimate(AT, OFFSET, 0.0), AT) is None


def test_an_exchange_proves_both_sides() -> None:
    bound = CausalityBound(1e-12)
    bound.observe_exchange(exchange(2 * MILLISECOND, 3 * MILLISECOND))
    now = LocalInstant(AT + 5 * MILLISECOND)
    # The way up has aged for the flight of 5 ms: at this drift, one nanosecond of rounding.
    assert bound.interval_ns(now) == (OFFSET - 2 * MILLISECOND - 1, OFFSET + 3 * MILLISECOND)
    assert bound.half_width_ns(Estimate(now, OFFSET, 0.0), now) == 3 * MILLISECOND
    assert bound.half_width_ns(Estimate(now, OFFSET + MILLISECOND, 0.0), now) == 3 * MILLISECOND + 1


def test_a_proof_ages_by_the_declared_drift_on_both_sides() -> None:
    bound = CausalityBound(200e-6)
    bound.observe_exchange(exchange(0, 0))
    assert bound.interval_ns(AT) == (OFFSET, OFFSET)
    assert bound.interval_ns(LocalInstant(AT + 10 * SECOND)) == (OFFSET - 2 * MILLISECOND, OFFSET + 2 * MILLISECOND)
    # Of the past it says as little: the offset may have moved either way to get here.
    assert bound.interval_ns(LocalInstant(AT - 10 * SECOND)) == (OFFSET - 2 * MILLISECOND, OFFSET + 2 * MILLISECOND)


def test_once_settled_it_ages_about_the_learnt_rate() -> None:
    bound = CausalityBound(200e-6)
    bound.observe_exchange(exchange(0, 0))
    bound.settle(50e-6, 1e-6)
    assert bound.drift == pytest.approx(6e-6)
    assert bound.interval_ns(LocalInstant(AT + 1_000 * SECOND)) == (
        OFFSET + 44 * MILLISECOND,
        OFFSET + 56 * MILLISECOND,
    )


def test_a_worse_sample_widens_nothing() -> None:
    bound = CausalityBound(1e-12)
    bound.observe_exchange(exchange(MILLISECOND, MILLISECOND))
    proven = bound.interval_ns(LocalInstant(AT + SECOND))
    bound.observe_exchange(exchange(400 * MILLISECOND, 500 * MILLISECOND, AT + 100 * MILLISECOND))
    assert bound.interval_ns(LocalInstant(AT + SECOND)) == proven


def test_a_sample_out_of_order_proves_no_more_than_it_did_when_it_was_taken() -> None:
    bound = CausalityBound(200e-6)
    bound.observe_exchange(exchange(0, 10 * MILLISECOND, AT + SECOND))
    bound.observe_arrival(LeaderInstant(AT - OFFSET), AT)  # a perfect one, 1.01 s older
    assert bound.upper_ns == OFFSET + 202_000


def test_contradicting_proofs_are_counted_and_the_fresh_one_stands() -> None:
    bound = CausalityBound(1e-9)
    bound.observe_exchange(exchange(0, MILLISECOND))
    bound.observe_arrival(LeaderInstant(AT + SECOND - OFFSET + 5 * MILLISECOND), LocalInstant(AT + SECOND))
    assert bound.broken == 1
    assert bound.upper_ns == OFFSET - 5 * MILLISECOND
    assert bound.lower_ns == -UNPROVEN
    bound.observe_exchange(exchange(0, MILLISECOND, AT + 2 * SECOND))
    assert bound.broken == 2
    assert bound.lower_ns == pytest.approx(OFFSET, abs=2)
    assert bound.upper_ns == UNPROVEN


def test_a_new_timebase_clears_proofs_and_declaration() -> None:
    bound = CausalityBound(200e-6)
    bound.observe_exchange(exchange(0, 0))
    bound.settle(50e-6, 0.0)
    bound.clear()
    assert bound.interval_ns(AT) == (-UNPROVEN, UNPROVEN)
    assert bound.drift == 200e-6


def test_the_statistical_bound_adds_a_share_of_the_floor_and_grows_with_age() -> None:
    fresh = Estimate(AT, 0, 0.0, deviation_ns=100_000.0, rate_deviation=1e-6, floor_ns=2e6)
    assert statistical_half_width_ns(fresh, AT) == pytest.approx(3 * 100_000 + 0.3 * 2e6)
    later = statistical_half_width_ns(fresh, LocalInstant(AT + 100 * SECOND))
    wander = 0.06e-6 * math.sqrt(100 / 3) * 100e9
    assert later == pytest.approx(3 * math.sqrt(1e5**2 + 1e5**2 + wander**2) + 6e5)
    assert statistical_half_width_ns(Estimate(AT, 0, 0.0), AT) == math.inf
    assert deviation_at_ns(Estimate(AT, 0, 0.0, 0.0, 1.0), LocalInstant(AT + 1)) == pytest.approx(1.0)


def test_how_long_the_luckiest_of_late_packets_may_have_waited_follows_from_how_the_others_scatter() -> None:
    bound = CausalityBound(1e-12)
    bound.observe_arrival(LeaderInstant(AT - OFFSET), AT)
    lateness = Lateness()
    estimate = Estimate(AT, OFFSET - 3 * MILLISECOND, 1e-6, floor_ns=MILLISECOND)
    ten_s_before = LocalInstant(AT - 10 * SECOND)
    # Carried on at 1 ppm these are 4, 0 and 8 ms later than the offset: the earliest need not come first.
    lateness.note(OFFSET + 4 * MILLISECOND - 10 * MICROSECOND, ten_s_before, 1e-6)
    assert lateness.half_width_ns(estimate, AT, bound) == math.inf
    lateness.note(OFFSET - 10 * MICROSECOND, ten_s_before, 1e-6)
    lateness.note(OFFSET + 8 * MILLISECOND, AT, 1e-6)
    # A mean of 6 ms beside the earliest of three packets; the estimate is 3 ms below what that one shows.
    wait_ns = UNSEEN_WAITS * 6 * MILLISECOND / 3
    assert lateness.half_width_ns(estimate, AT, bound) == pytest.approx(wait_ns + MILLISECOND - 3 * MILLISECOND)
    assert lateness.half_width_ns(estimate._replace(offset_ns=OFFSET - SECOND), AT, bound) == SECOND
    for _ in range(1_000):
        lateness.note(OFFSET + 5 * MILLISECOND, AT, 1e-6)
    wait_ns = UNSEEN_WAITS * 5 * MILLISECOND / (LATENESS_WINDOW - 1)
    at_the_earliest = estimate._replace(offset_ns=OFFSET)
    assert lateness.half_width_ns(at_the_earliest, AT, bound) == pytest.approx(wait_ns + MILLISECOND, rel=1e-6)


def test_however_far_apart_two_clocks_are_it_is_proven() -> None:
    bound = CausalityBound()
    bound.observe_arrival(LeaderInstant(0), LocalInstant(INSTANT_MAXIMUM))
    assert bound.interval_ns(LocalInstant(INSTANT_MAXIMUM)) == (-UNPROVEN, INSTANT_MAXIMUM)
    bound.observe_exchange(exchange(0, 0, INSTANT_MAXIMUM))
    assert bound.is_two_sided


def test_what_is_proven_of_an_instant_is_worth_less_a_nanosecond_before_it() -> None:
    bound = CausalityBound()
    bound.observe_exchange(exchange(0, 0))
    assert bound.interval_ns(AT) == (OFFSET, OFFSET)
    for apart_ns in (-1, 1):
        assert bound.interval_ns(LocalInstant(AT + apart_ns)) == (OFFSET - 1, OFFSET + 1)


def test_the_earliest_is_the_earliest_if_only_by_a_nanosecond() -> None:
    lateness = Lateness()
    for offset_ns in (100, 99):
        lateness.note(offset_ns, AT, 0.0)
    assert lateness.mean_ns == 1.0


def test_of_waits_even_over_a_span_the_least_is_longer_than_allowed_for_once_in_370_times() -> None:
    # (1 - x)^n is the chance that all n are longer than x of the span, whose mean is half of it.
    for count in (12, 64):
        assert (1 - UNSEEN_WAITS / 2 / count) ** count < 1 / 370
    assert math.exp(-UNSEEN_WAITS / 2) == pytest.approx(1 / 370, rel=0.02)
