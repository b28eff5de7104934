"""Baselines: what each makes of the samples it is shown, and that shadow clocks see everything and steer nothing."""

from __future__ import annotations

import math
from typing import Any

import pytest

from leadlight.clock import CausalityBound, ClockSettings, EdgeFilter, Estimate, Estimator, Exchange, FollowerClock
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight_sim.baselines import BASELINES, Accompanied, ClockFilter, Kalman, LatestBeacon, accompanied
from leadlight_sim.baselines.lower_hull import hull_below

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

    def rebase(self) -> None:
        self.log.append((self.name, "rebased"))

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


def test_everyone_is_shown_what_is_new_once_in_order_the_steering_one_first() -> None:
    log: list[tuple[Any, ...]] = []
    party = Accompanied(Noted("steering", log), [Noted("first", log), Noted("second", log)])
    party.observe_beacon(LeaderInstant(1), LocalInstant(2))
    party.observe_copy(LeaderInstant(3), LocalInstant(4))
    party.observe_exchange(EXCHANGE)
    party.reopen_paths()
    party.rebase()
    seen: list[tuple[Any, ...]] = [
        ("beacon", 1, 2),
        ("copy", 3, 4),
        ("exchange", EXCHANGE),
        ("reopened",),
        ("rebased",),
    ]
    assert log == [(name, *sample) for sample in seen for name in ("steering", "first", "second")]


def test_shadow_clocks_are_shown_each_beacon_once_as_it_first_came_and_none_sent_before_it() -> None:
    log: list[tuple[Any, ...]] = []
    party = Accompanied(Noted("steering", log), [Noted("shadow", log)])
    party.observe_copy(LeaderInstant(10), LocalInstant(11))
    party.observe_beacon(LeaderInstant(10), LocalInstant(12))  # its copy came first
    party.observe_beacon(LeaderInstant(20), LocalInstant(21))
    party.observe_copy(LeaderInstant(20), LocalInstant(22))  # it came before its copy
    party.observe_copy(LeaderInstant(30), LocalInstant(31))
    party.observe_copy(LeaderInstant(40), LocalInstant(41))
    party.observe_beacon(LeaderInstant(30), LocalInstant(42))  # a later one came before it
    party.rebase()
    party.observe_beacon(LeaderInstant(5), LocalInstant(50))  # another count begins
    shown = {name: [entry[1:] for entry in log if entry[0] == name] for name in ("steering", "shadow")}
    assert shown["shadow"] == [
        ("copy", 10, 11),
        ("beacon", 20, 21),
        ("copy", 30, 31),
        ("copy", 40, 41),
        ("rebased",),
        ("beacon", 5, 50),
    ]
    assert len(shown["steering"]) == 9


@pytest.mark.parametrize("answer", [None, Estimate(LocalInstant(5), 9, 1e-6, 3.0, 1e-9, 2.0)])
def test_only_the_steering_estimator_is_asked(answer: Estimate | None) -> None:
    log: list[tuple[Any, ...]] = []
    shadow_clock = Noted("shadow", log, Estimate(LocalInstant(0), 1, 0.0))
    assert Accompanied(Noted("steering", log, answer), [shadow_clock]).estimate() is answer
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


def test_the_edge_filter_steers_alike_with_and_without_a_shadow_clock_that_saw_the_last_beacon() -> None:
    drift = ClockSettings().declared_drift
    bound, bound_watched = CausalityBound(drift), CausalityBound(drift)
    alone, watched = EdgeFilter(bound), accompanied()(bound_watched)
    feed(alone, bound)
    feed(watched, bound_watched)
    assert isinstance(watched.steering, EdgeFilter)
    assert watched.estimate() == alone.estimate()
    assert alone.estimate() is not None
    # The last was number 39 of a pattern of three: it took 1 ms and no more.
    (shadow_clock,) = watched.others
    assert shadow_clock.estimate() == Estimate(LocalInstant(46 * SECOND + 1_000_000), 7 * SECOND + 1_000_000, 0.0)


# -- the textbook estimators -------------------------------------------------------------------------------------------

ONE_WAY = [name for name in BASELINES if name not in ("latest beacon", "clock filter + PLL")]


def noiseless(estimator: Estimator, rate_ppm: int, seconds: int = 600) -> Estimate:
    """Show samples whose every way takes 1 ms, on a clock 7 s ahead that gains ``rate_ppm``; return the estimate."""
    for second in range(seconds):
        sent_at = LeaderInstant(second * SECOND)
        ahead = 7 * SECOND + second * rate_ppm * 1_000
        estimator.observe_beacon(sent_at, LocalInstant(sent_at + ahead + MILLISECOND))
        if second % 4 == 0:
            asked = LocalInstant(sent_at + ahead + 2 * MILLISECOND)
            heard = LeaderInstant(sent_at + 3 * MILLISECOND)
            estimator.observe_exchange(Exchange(asked, heard, heard, LocalInstant(asked + 2 * MILLISECOND)))
    estimate = estimator.estimate()
    assert estimate is not None
    return estimate


@pytest.mark.parametrize("name", BASELINES)
def test_before_the_first_sample_no_baseline_answers(name: str) -> None:
    assert BASELINES[name]().estimate() is None


@pytest.mark.parametrize("name", [name for name in BASELINES if name != "latest beacon"])
def test_without_noise_and_drift_every_one_of_them_is_right(name: str) -> None:
    estimate = noiseless(BASELINES[name](), rate_ppm=0)
    assert estimate.offset_at(estimate.at) == pytest.approx(7 * SECOND, abs=1_000)
    assert estimate.rate == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("name", ["clock filter + PLL", "PI servo", "least squares", "lower hull", "Kalman"])
def test_those_that_know_a_rate_learn_it(name: str) -> None:
    estimate = noiseless(BASELINES[name](), rate_ppm=30)
    # Ten minutes are many times each one's memory but for the loops', which still close in on a hundredth of it.
    assert estimate.rate == pytest.approx(30e-6, abs=0.3e-6)
    assert estimate.offset_at(estimate.at) == pytest.approx(7 * SECOND + 599 * 30_000, abs=100_000)


@pytest.mark.parametrize("name", ["moving average", "sliding minimum"])
def test_those_that_know_no_rate_trail_behind_a_clock_that_gains(name: str) -> None:
    estimate = noiseless(BASELINES[name](), rate_ppm=30)
    assert estimate.rate == 0.0
    assert estimate.offset_at(estimate.at) < 7 * SECOND + 599 * 30_000


@pytest.mark.parametrize("name", ["sliding minimum", "lower hull"])
def test_those_that_look_for_the_edge_are_not_moved_by_late_beacons(name: str) -> None:
    estimator = BASELINES[name]()
    before = noiseless(estimator, rate_ppm=0)
    for second in range(600, 603):
        late = LocalInstant((second + 7) * SECOND + 50 * MILLISECOND)
        estimator.observe_beacon(LeaderInstant(second * SECOND), late)
    after = estimator.estimate()
    assert after is not None
    assert after.offset_at(after.at) == pytest.approx(before.offset_ns, abs=1_000)


@pytest.mark.parametrize("name", ["moving average", "PI servo", "least squares", "Kalman"])
def test_those_that_average_are_moved_by_late_beacons(name: str) -> None:
    estimator = BASELINES[name]()
    before = noiseless(estimator, rate_ppm=0)
    estimator.observe_beacon(LeaderInstant(600 * SECOND), LocalInstant(607 * SECOND + 50 * MILLISECOND))
    after = estimator.estimate()
    assert after is not None
    assert after.offset_ns > before.offset_ns + 10_000


@pytest.mark.parametrize("name", ONE_WAY)
def test_half_a_round_trip_is_taken_off_and_forgotten_when_the_network_has_changed(name: str) -> None:
    estimator = BASELINES[name]()
    for second in range(40):
        at = LocalInstant((second + 7) * SECOND)
        heard = LeaderInstant(second * SECOND + 4 * MILLISECOND)
        estimator.observe_exchange(Exchange(at, heard, heard, LocalInstant(at + 8 * MILLISECOND)))
        estimator.observe_beacon(LeaderInstant(second * SECOND), LocalInstant(at + 4 * MILLISECOND))
    known = estimator.estimate()
    assert known is not None
    assert known.offset_at(known.at) == pytest.approx(7 * SECOND, abs=1_000)
    estimator.reopen_paths()
    estimator.rebase()
    assert estimator.estimate() is None
    estimator.observe_beacon(LeaderInstant(50 * SECOND), LocalInstant(57 * SECOND + 4 * MILLISECOND))
    anew = estimator.estimate()
    assert anew is not None
    # The millisecond that is assumed before the first exchange.
    assert anew.offset_at(anew.at) == 7 * SECOND + 3 * MILLISECOND


def test_the_clock_filter_believes_the_exchange_with_the_least_round_trip() -> None:
    estimator = ClockFilter(measure_s=0.0)
    for second, (up_ms, down_ms) in enumerate([(9, 1), (1, 1), (1, 7), (5, 1)]):
        at = LocalInstant((second + 7) * SECOND)
        heard = LeaderInstant(second * SECOND + up_ms * MILLISECOND)
        estimator.observe_exchange(Exchange(at, heard, heard, LocalInstant(at + (up_ms + down_ms) * MILLISECOND)))
    estimate = estimator.estimate()
    assert estimate is not None
    # The second of them was the best, and nothing later is used.
    assert estimate.at == 8 * SECOND + 2 * MILLISECOND


def test_the_hull_lies_below_every_point_and_touches_both_ends() -> None:
    points = [(0.0, 3.0), (1.0, 1.0), (2.0, 2.0), (3.0, 0.5), (4.0, 4.0)]
    hull = hull_below(points)
    assert hull == [(0.0, 3.0), (1.0, 1.0), (3.0, 0.5), (4.0, 4.0)]


def test_kalman_says_how_sure_it_is_and_is_ever_surer() -> None:
    early, late = noiseless(Kalman(), 0, seconds=10), noiseless(Kalman(), 0, seconds=600)
    assert math.isfinite(early.deviation_ns)
    assert late.deviation_ns < early.deviation_ns
    assert late.rate_deviation < early.rate_deviation
