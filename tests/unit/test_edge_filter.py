from __future__ import annotations

import math
from itertools import pairwise
from random import Random

import pytest

from leadlight.clock.bound import CausalityBound, statistical_half_width_ns
from leadlight.clock.edge_filter import FAR_RUN_MINIMUM, RATE_LIMIT, EdgeFilter, edge_score
from leadlight.clock.estimator import Estimate, Exchange
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant

START = LocalInstant(1_000 * SECOND)

# -- the score --------------------------------------------------------------------------------------------------------


def log_density(innovation: float, variance: float, scale: float) -> float:
    """Log of the exponentially modified Gaussian, written out; `erfc` holds until u is about 26."""
    u = (variance / scale - innovation) / math.sqrt(2 * variance)
    return variance / (2 * scale**2) - innovation / scale + math.log(math.erfc(u) / (2 * scale))


GRID = [
    (sigma, scale, z * sigma)
    for sigma in (5e-5, 1e-3, 2e-2)
    for scale in (5e-5, 2e-3, 1.5e-2)
    for z in (-8.0, -6.9, -3.0, -1.0, 0.0, 0.5, 2.0, 6.0)
    if (sigma / scale - z) / math.sqrt(2) < 25
]


@pytest.mark.parametrize(("sigma", "scale", "innovation"), GRID)
def test_the_score_is_the_slope_of_the_log_density(sigma: float, scale: float, innovation: float) -> None:
    h = 1e-4 * sigma
    variance = sigma**2
    slope = (log_density(innovation + h, variance, scale) - log_density(innovation - h, variance, scale)) / (2 * h)
    g, _ = edge_score(innovation, variance, scale)
    # 1e-4 is the series' own error beyond u = 5, of the term that is taken from 1/scale; the difference quotient is
    # good to about 1e-7 of either.
    assert abs(g + slope) <= 1.2e-4 * abs(1 / scale - g) + 1e-6 / scale


@pytest.mark.parametrize(("sigma", "scale", "innovation"), GRID)
def test_the_information_is_the_curvature_of_the_log_density(sigma: float, scale: float, innovation: float) -> None:
    h = 1e-3 * sigma
    variance = sigma**2
    beside = log_density(innovation + h, variance, scale) + log_density(innovation - h, variance, scale)
    curvature = (beside - 2 * log_density(innovation, variance, scale)) / h**2
    _, information = edge_score(innovation, variance, scale)
    # Where u > 5 two nearly equal numbers are subtracted, and the series' next term is 15/(4 u^4) < 0.6 %.
    assert information == pytest.approx(-curvature, rel=6e-3, abs=1e-4 / variance)


@pytest.mark.parametrize("u", [5.0, -5.0])
def test_score_and_information_have_no_seam_where_the_formula_changes(u: float) -> None:
    sigma, scale = 1e-3, 2e-3
    seam = sigma**2 / scale - u * math.sqrt(2) * sigma
    below = edge_score(seam - 1e-12, sigma**2, scale)
    above = edge_score(seam + 1e-12, sigma**2, scale)
    assert below[0] == pytest.approx(above[0], rel=2e-4)
    assert below[1] == pytest.approx(above[1], rel=6e-3, abs=1e-6 / sigma**2)


def test_a_late_packet_pushes_by_no_more_than_one_over_the_scale_however_late() -> None:
    for late in (1e-2, 1.0, 1e6):
        g, information = edge_score(late, 1e-6, 2e-3)
        assert g == pytest.approx(500, rel=1e-6)
        assert information < 1e-3
    g, information = edge_score(-1.0, 1e-6, 2e-3)
    assert g == pytest.approx(-1e6, rel=1e-2)  # an early one pulls like a Kalman filter: innovation over variance
    assert information == pytest.approx(1e6, rel=1e-2)


# -- the filter ------------------------------------------------------------------------------------------------------


class Run:
    """A follower with a constant rate, and delays that are a floor of 1 ms plus an exponential one, by seed."""

    def __init__(self, seed: int, scale_ns: float, two_way: bool) -> None:
        self._random = Random(seed)
        self._scale_ns = scale_ns
        self.rate = self._random.uniform(-50e-6, 50e-6)
        self._offset = self._random.randrange(-(10**12), 10**12)
        self.bound = CausalityBound()
        self.filter = EdgeFilter(self.bound)
        now = START
        for second in range(120):
            now = LocalInstant(START + second * SECOND + self._random.randrange(100 * MILLISECOND))
            arrival = LocalInstant(now + self._delay())
            sent = self._leader(now)
            self.bound.observe_arrival(sent, arrival)
            self.filter.observe_beacon(sent, arrival)
            now = arrival
            if two_way and (second < 16 or second % 4 == 0):
                asked = LocalInstant(now + SECOND // 2)
                heard = LocalInstant(asked + self._delay())
                now = LocalInstant(heard + self._delay())
                exchange = Exchange(asked, self._leader(heard), self._leader(heard), now)
                self.bound.observe_exchange(exchange)
                self.filter.observe_exchange(exchange)
        self.now = now

    def _delay(self) -> int:
        return MILLISECOND + round(self._random.expovariate(1 / self._scale_ns))

    def _leader(self, local: int) -> LeaderInstant:
        return LeaderInstant(local - self.true_offset(local))

    def true_offset(self, local: int) -> int:
        return self._offset + round(self.rate * (local - START))

    @property
    def estimate(self) -> Estimate:
        estimate = self.filter.estimate()
        assert estimate is not None
        return estimate


SEEDS = range(60)


@pytest.mark.slow
@pytest.mark.parametrize("scale_ns", [500 * MICROSECOND, 2 * MILLISECOND])
def test_with_soundings_it_finds_the_offset_behind_exponential_delays(scale_ns: int) -> None:
    """Of 42 exchanges the shortest each way lies scale/42 above the floor on average. A line instead of a level costs
    twice that at its end, learning floor and scale beside it twice again, and 19 in 20 seeds, not half, another two:
    scale/5. None may err by half the scale.
    """
    runs = [Run(seed, scale_ns, two_way=True) for seed in SEEDS]
    errors = sorted(abs(run.estimate.offset_at(run.now) - run.true_offset(run.now)) for run in runs)
    assert errors[len(errors) * 19 // 20] <= scale_ns / 5
    assert errors[-1] <= scale_ns / 2
    inside = [
        abs(run.estimate.offset_at(run.now) - run.true_offset(run.now))
        <= statistical_half_width_ns(run.estimate, run.now)
        for run in runs
    ]
    # Three standard deviations and a share of the floor: 1 in 370 outside for a Gaussian. The tail of an exponential
    # makes the linear update a little too sure of itself: 1 in 20 is what is asked for.
    assert sum(inside) >= len(inside) * 19 // 20
    # The rate, from the same edge at both ends of two minutes.
    assert max(abs(run.estimate.rate - run.rate) for run in runs) <= 2 * scale_ns / (60 * SECOND)


@pytest.mark.slow
def test_by_beacons_alone_it_finds_the_edge_and_admits_that_it_cannot_tell_it_from_the_floor() -> None:
    scale_ns = 2 * MILLISECOND
    runs = [Run(seed, scale_ns, two_way=False) for seed in SEEDS]
    # The sum of offset and floor is what 120 beacons show: by the argument above, with fewer unknowns, scale/5.
    errors = sorted(
        abs(run.estimate.offset_at(run.now) + run.estimate.floor_ns - run.true_offset(run.now) - MILLISECOND)
        for run in runs
    )
    assert errors[len(errors) * 19 // 20] <= scale_ns / 5
    for run in runs:
        assert run.estimate.deviation_ns > 1.5 * MILLISECOND
        assert run.bound.half_width_ns(run.estimate, run.now) is None


@pytest.mark.slow
def test_the_estimate_never_leaves_what_causality_has_proven() -> None:
    for seed in range(10):
        run = Run(seed, 10 * MILLISECOND, two_way=True)
        lower, upper = run.bound.interval_ns(run.now)
        assert lower - 1 <= run.estimate.offset_at(run.now) <= upper + 1
        assert abs(run.estimate.rate) <= RATE_LIMIT


def locked() -> EdgeFilter:
    edge = EdgeFilter()
    for second in range(40):
        at = LocalInstant(START + second * SECOND)
        edge.observe_exchange(Exchange(at, LeaderInstant(at + MILLISECOND), LeaderInstant(at + MILLISECOND),
                                       LocalInstant(at + 2 * MILLISECOND)))  # fmt: skip
        edge.observe_beacon(LeaderInstant(at + 3 * MILLISECOND), LocalInstant(at + 4 * MILLISECOND))
    return edge


def test_before_the_first_sample_there_is_no_estimate() -> None:
    assert EdgeFilter().estimate() is None


def test_a_beacon_seconds_late_moves_the_clock_by_nothing() -> None:
    edge = locked()
    before = edge.estimate()
    assert before is not None
    at = LocalInstant(START + 41 * SECOND)
    edge.observe_beacon(LeaderInstant(at - 3 * SECOND), at)
    after = edge.estimate()
    assert after is not None
    assert after.offset_ns == before.offset_at(at)


def test_packets_none_of_which_comes_near_the_edge_say_that_the_edge_is_elsewhere() -> None:
    edge = locked()
    doubts = []
    for second in range(41, 61):
        at = LocalInstant(START + second * SECOND)
        edge.observe_copy(LeaderInstant(at - MILLISECOND - 350 * MICROSECOND), at)
        doubts.append(math.sqrt(edge._ff))
    opened = [number for number, (before, after) in enumerate(pairwise(doubts), 2) if after > 2 * before]
    assert opened == [FAR_RUN_MINIMUM]


def test_samples_without_jitter_leave_no_error_to_speak_of() -> None:
    estimate = locked().estimate()
    assert estimate is not None
    # Within its own account, and that within the least noise that the filter assumes, 50 µs.
    assert abs(estimate.offset_ns) <= estimate.deviation_ns < 50 * MICROSECOND
    assert abs(estimate.rate) <= estimate.rate_deviation < 2e-6


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_the_first_exchanges_need_not_be_lucky_both_ways_at_once(order: tuple[int, int]) -> None:
    # One goes up in 4 ms and comes down in 60, the other up in 80 and down in 6: no round trip is below 64 ms, but
    # together they prove the offset to within 5 ms either side of one that is a millisecond out.
    exchanges = [(4, 60), (80, 6)]
    bound = CausalityBound(declared_drift=1e-9)
    clock = EdgeFilter(bound)
    for number, which in enumerate(order):
        up, down = (way * MILLISECOND for way in exchanges[which])
        sent_at = LocalInstant(START + number * SECOND // 10)
        at_leader = LeaderInstant(sent_at - 5 * SECOND + up)
        exchange = Exchange(sent_at, at_leader, at_leader, LocalInstant(sent_at + up + down))
        bound.observe_exchange(exchange)
        clock.observe_exchange(exchange)
    estimate = clock.estimate()
    assert estimate is not None
    assert estimate.offset_ns == pytest.approx(5 * SECOND + MILLISECOND, abs=2)
    assert bound.half_width_ns(estimate, estimate.at) == pytest.approx(5 * MILLISECOND, abs=2)


def test_after_a_restart_of_the_leaders_host_rate_and_floor_are_kept() -> None:
    edge = locked()
    before = edge.estimate()
    assert before is not None
    edge.rebase()
    assert edge.estimate() is None
    at = LocalInstant(START + 50 * SECOND)
    edge.observe_beacon(LeaderInstant(SECOND), at)
    after = edge.estimate()
    assert after is not None
    assert after.rate == before.rate
    assert abs(after.offset_ns - (at - SECOND)) <= 2 * MILLISECOND


def test_the_same_samples_give_the_same_estimate() -> None:
    assert Run(3, 2e6, True).estimate == Run(3, 2e6, True).estimate
