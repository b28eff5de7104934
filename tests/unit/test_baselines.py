"""Baselines: what each makes of the samples it is shown, and that onlookers see everything and steer nothing."""

from __future__ import annotations

from typing import Any

import pytest

from leadlight.clock import CausalityBound, ClockSettings, EdgeFilter, Estimate, Estimator, Exchange, FollowerClock
from leadlight.units import SECOND, LeaderInstant, LocalInstant
from leadlight_sim.baselines import Accompanied, LatestBeacon, accompanied

EXCHANGE = Exchange(LocalInstant(100), LeaderInstant(50), LeaderInstant(60), LocalInstant(140))


class Noted:
    """An estimator that notes, in a log it may share, what it is shown."""

    def __init__(self, name: str, log: list[tuple[Any, ...]], answer: Estimate | None = None) -> None:
        self.name = name
        self.log = log
        self.answer = answer

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        self.log.append((self.name, "beacon", sent_at, received_at))

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        self.log.append((self.name, "copy", sent_at, received_at))

    def observe_exchange(self, exchange: Exchange) -> None:
        self.log.append((self.name, "exchange", exchange))

    def estimate(self) -> Estimate | None:
        self.log.append((self.name, "asked"))
        return self.answer

    def reopen_paths(self) -> None:
        self.log.append((self.name, "reopened"))


def feed(estimator: Estimator, bound: CausalityBound) -> None:
    """Show 40 beacons, one a second, sent when the local clock was 7 s ahead; every third took the path's 1 ms only."""
    for number in range(40):
        sent_at = LeaderInstant(number * SECOND)
        received_at = LocalInstant(7 * SECOND + number * SECOND + (1_000_000, 1_400_000, 4_000_000)[number % 3])
        bound.observe_arrival(sent_at, received_at)
        estimator.observe_beacon(sent_at, received_at)


def test_the_latest_beacon_knows_nothing_before_the_first() -> None:
    assert LatestBeacon().estimate() is None


def test_the_latest_beacon_is_believed_as_if_it_had_taken_no_time() -> None:
    baseline = LatestBeacon()
    for sent_at, received_at in ((1_000, 5_000), (2_000, 6_250), (3_000, 6_900)):
        baseline.observe_beacon(LeaderInstant(sent_at), LocalInstant(received_at))
        estimate = baseline.estimate()
        assert estimate is not None
        assert estimate.leader_at(LocalInstant(received_at)) == sent_at
        assert estimate.local_at(LeaderInstant(sent_at)) == received_at
        assert (estimate.at, estimate.rate) == (received_at, 0.0)
        # It runs on at the local clock's own rate until the next.
        assert estimate.leader_at(LocalInstant(received_at + 10 * SECOND)) == sent_at + 10 * SECOND


def test_the_latest_beacon_takes_a_copy_as_it_takes_a_beacon() -> None:
    by_group, by_copy = LatestBeacon(), LatestBeacon()
    by_group.observe_beacon(LeaderInstant(10), LocalInstant(25))
    by_copy.observe_copy(LeaderInstant(10), LocalInstant(25))
    assert by_copy.estimate() == by_group.estimate() == Estimate(LocalInstant(25), 15, 0.0)


def test_neither_an_exchange_nor_a_changed_network_moves_the_latest_beacon() -> None:
    baseline = LatestBeacon()
    baseline.observe_exchange(EXCHANGE)
    assert baseline.estimate() is None
    baseline.observe_beacon(LeaderInstant(10), LocalInstant(25))
    believed = baseline.estimate()
    baseline.observe_exchange(EXCHANGE)
    baseline.reopen_paths()
    assert baseline.estimate() == believed


def test_everyone_is_shown_every_sample_once_in_order_the_steering_one_first() -> None:
    log: list[tuple[Any, ...]] = []
    party = Accompanied(Noted("steering", log), [Noted("first", log), Noted("second", log)])
    party.observe_beacon(LeaderInstant(1), LocalInstant(2))
    party.observe_copy(LeaderInstant(3), LocalInstant(4))
    party.observe_exchange(EXCHANGE)
    party.reopen_paths()
    seen: list[tuple[Any, ...]] = [("beacon", 1, 2), ("copy", 3, 4), ("exchange", EXCHANGE), ("reopened",)]
    assert log == [(name, *sample) for sample in seen for name in ("steering", "first", "second")]


@pytest.mark.parametrize("answer", [None, Estimate(LocalInstant(5), 9, 1e-6, 3.0, 1e-9, 2.0)])
def test_only_the_steering_estimator_is_asked(answer: Estimate | None) -> None:
    log: list[tuple[Any, ...]] = []
    onlooker = Noted("onlooker", log, Estimate(LocalInstant(0), 1, 0.0))
    assert Accompanied(Noted("steering", log, answer), [onlooker]).estimate() is answer
    assert log == [("steering", "asked")]


def test_the_maker_gives_the_bound_to_the_steering_estimator_and_new_ones_each_time() -> None:
    bounds: list[CausalityBound] = []

    def steering(bound: CausalityBound) -> EdgeFilter:
        bounds.append(bound)
        return EdgeFilter(bound)

    make = accompanied(steering, others=[LatestBeacon, LatestBeacon])
    clocks = [FollowerClock(ClockSettings(estimator=make)) for _ in range(2)]
    assert [bound is clock.bound for bound, clock in zip(bounds, clocks, strict=True)] == [True, True]
    first, second = (clock.uncorrected for clock in clocks)
    assert isinstance(first, Accompanied)
    assert isinstance(second, Accompanied)
    assert [type(other) for other in first.others] == [LatestBeacon, LatestBeacon]
    assert len({id(one) for party in (first, second) for one in (party.steering, *party.others)}) == 6


def test_the_edge_filter_steers_alike_with_and_without_an_onlooker_who_saw_the_last_beacon() -> None:
    drift = ClockSettings().declared_drift
    bound, bound_watched = CausalityBound(drift), CausalityBound(drift)
    alone, watched = EdgeFilter(bound), accompanied()(bound_watched)
    feed(alone, bound)
    feed(watched, bound_watched)
    assert isinstance(watched.steering, EdgeFilter)
    assert watched.estimate() == alone.estimate()
    assert alone.estimate() is not None
    # The last was number 39 of a pattern of three: it took 1 ms and no more.
    (onlooker,) = watched.others
    assert onlooker.estimate() == Estimate(LocalInstant(46 * SECOND + 1_000_000), 7 * SECOND + 1_000_000, 0.0)
