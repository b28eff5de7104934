"""What medians, early packets and cooling do to a clock, against figures by hand and the library's own filters.

Delays here are quantiles of laws, so that nothing is left to chance but what ``budget_group`` draws, always the same.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from random import Random

import numpy as np
import numpy.typing as npt
import pytest

from leadlight.clock.edge_filter import EARLY_DEVIATIONS, NOISE_MINIMUM
from leadlight.clock.tracker import OffsetTracker
from leadlight.units import SECOND, LocalInstant
from leadlight_sim.air.dropouts import NO_DROPOUT, Dropout
from leadlight_sim.budget.clock import Cadence, Noise, tracker_error
from leadlight_sim.budget.edges import Packets, SettledEdges, edge_of, settled_edges
from leadlight_sim.budget.group import Group, GroupError, group_error
from leadlight_sim.budget.network import Network
from leadlight_sim.scenario.files import load_shipped

Floats = npt.NDArray[np.float64]

WANDER = 4e-8
QUANTILES = (np.arange(400) + 0.5) / 400
DELAYS = 1e-3 - 5e-4 * np.log(1 - QUANTILES)
"""Exponential from 1 ms on, mean 0.5 ms: the law that the edge filter is made for."""


def settled(delays: Floats) -> SettledEdges:
    return settled_edges(Packets(delays, 1.0, delays, delays, 4.0), WANDER * math.sqrt(2))


@cache
def usual_edges() -> SettledEdges:
    return settled(DELAYS)


def group(**changes: object) -> Group:
    nothing = np.zeros(100)
    usual = Group(
        reporters=8,
        interval_s=1.0,
        sounding_s=4.0,
        stamping_s=nothing,
        reporter_stamping_s=nothing,
        bias_s=0.0,
        wander=WANDER,
        ramp=0.0,
        shared=(NO_DROPOUT,),
        own=(NO_DROPOUT,),
        reporter_own=(NO_DROPOUT,),
        unicast_tries=7,
    )
    return replace(usual, **changes)  # type: ignore[arg-type]


# --- One packet -----------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_where_the_filter_is_right_about_the_network_slope_power_and_information_are_one() -> None:
    # For the true density the mean square of a score, its mean derivative and the information are one (R. Fisher).
    blurred = DELAYS[:, None] + NOISE_MINIMUM * np.sqrt(2) * np.array([-1.2247, 0.0, 1.2247])
    # Two thirds of a three-point Gauss-Hermite quadrature lie in its middle.
    delays = np.concatenate([blurred[:, 0], *[blurred[:, 1]] * 4, blurred[:, 2]])
    edge = edge_of(delays, NOISE_MINIMUM**2, NOISE_MINIMUM**2)
    squared = edge.power + edge.slope**2 * NOISE_MINIMUM**2
    # The filter takes the late half of the tail for more than exponential, by which all three differ a little.
    assert edge.slope == pytest.approx(edge.believed, rel=0.1)
    assert squared == pytest.approx(edge.believed, rel=0.15)


def test_a_packet_far_before_the_edge_is_counted_and_no_part_of_the_usual_noise() -> None:
    early = DELAYS.copy()
    early[200] = 0.2e-3
    usual, disturbed = edge_of(DELAYS, 1e-10, 1e-10), edge_of(early, 1e-10, 1e-10)
    assert usual.early_share < 1e-4
    assert disturbed.early_share == pytest.approx(1 / 400, rel=0.01)
    assert disturbed.early_s == pytest.approx(disturbed.floor_s - 0.2e-3, rel=0.01)
    assert disturbed.early_s > EARLY_DEVIATIONS * NOISE_MINIMUM
    assert disturbed.power == pytest.approx(usual.power, rel=0.05)


@pytest.mark.slow
def test_packets_that_come_far_too_early_now_and_then_cost_the_clock_something() -> None:
    early = DELAYS.copy()
    early[200] = 0.2e-3
    usual, disturbed = usual_edges(), settled(early)
    assert disturbed.error.estimator_ms > 1.1 * usual.error.estimator_ms
    rates = [throws.rate for throws in disturbed.throws]
    # And a few of those that are merely early, when the clock is astray.
    assert 1 / 400 <= rates[0] < 1.25 / 400
    assert rates[1:] == pytest.approx([rates[0] / 4] * 2, rel=0.1)
    # A beacon far too early says that all were later than thought: the clock is moved to where they would not be.
    assert disturbed.throws[0].offsets_s[0] < 0
    assert abs(disturbed.throws[0].offsets_s[-1]) < 0.05 * np.abs(disturbed.throws[0].offsets_s).max()


# --- The filter as it was settled -----------------------------------------------------------------------------------


@pytest.mark.slow
def test_what_is_drawn_of_a_settled_filter_varies_as_it_was_reckoned() -> None:
    edges = usual_edges()
    stream = np.random.default_rng(5)
    shape = (1_000, 16, 4)
    rate = WANDER * math.sqrt(2) * stream.standard_normal(shape)
    drawn = edges.draw(np.stack([rate / 2, rate]), stream)
    # Each beacon finds what the one before has left, and a second's drift: 1 % more.
    assert 1e3 * float(drawn.std()) == pytest.approx(edges.error.estimator_ms, rel=0.1)


def test_a_rate_that_changes_steadily_is_followed_late_by_as_much_as_the_library_follows_it() -> None:
    ramp, noise = 2e-8, 1e-4
    late: list[float] = []
    for seed in range(12):
        random, tracker = Random(seed), OffsetTracker()
        for second in range(900):
            offset_ns = round((ramp * second**2 / 2 + random.gauss(0, noise)) * SECOND)
            tracker.observe(LocalInstant(second * SECOND), offset_ns, None)
            estimate = tracker.estimate()
            assert estimate is not None
            if second >= 300:
                late.append(ramp * second**2 / 2 * 1e3 - estimate.offset_ns / 1e6)
    steady, ramped = (tracker_error(Noise(noise, noise, 0.0, 0.0, each, each), Cadence(1.0)) for each in (0.0, ramp))
    lag_ms = math.sqrt(ramped.estimator_ms**2 - steady.estimator_ms**2)
    # Twelve runs of 600 s: noise that lasts 50 s leaves the mean uncertain by 2 %, and the learnt noise by as much.
    assert lag_ms == pytest.approx(float(np.mean(late)), rel=0.1)


def test_cooling_is_a_ramp_for_as_much_of_the_evening_as_it_lasts() -> None:
    scenario = load_shipped().with_changes(
        {"run.duration_s": 2400, "clocks.cooling_ppm": [2.0, 2.0], "clocks.cooling_over_s": 1200.0}
    )
    # It starts within ten minutes, so that all of it falls into the evening: half of the time.
    assert Network(scenario).ramp == pytest.approx(2e-6 / 1200 * math.sqrt(0.5), rel=1e-9)


# --- Medians --------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_reporters_that_stamp_alike_and_lean_alike_leave_what_they_err_by_together() -> None:
    edges = usual_edges()
    found = group_error(edges, group())
    assert found.unknown_ms == 0.0
    # An eighth of what each errs by on its own, and all of what they err by alike; the tracker overshoots a little.
    together_ms = 1e3 * math.sqrt(edges.common[0, 0] + edges.own[0, 0] / 8)
    assert together_ms < found.error.estimator_ms < 1.2 * together_ms
    assert found.error.own_estimator_ms < 0.5 * found.error.estimator_ms


@pytest.mark.slow
def test_what_reporters_stamp_late_comes_to_everyone_through_the_median() -> None:
    stamps = np.sort(np.abs(np.random.default_rng(3).normal(0, 2e-4, 6_000)))
    edges = usual_edges()
    exact = group_error(edges, group())
    scheduling_latency = group_error(edges, group(reporter_stamping_s=stamps, stamping_s=np.zeros(6_000)))
    assert _common_ms(scheduling_latency) > 1.3 * _common_ms(exact)
    # Each piece stamps exactly: its own is only how far it follows its own crystal late.
    assert scheduling_latency.error.own_estimator_ms < 0.3 * _common_ms(scheduling_latency)


@pytest.mark.slow
def test_reporters_that_lean_apart_make_the_median_jump_with_who_they_are() -> None:
    edges = usual_edges()
    level, leaning = (group_error(edges, group(bias_s=bias)) for bias in (0.0, 2e-4))
    assert _common_ms(leaning) > 1.2 * _common_ms(level)


@pytest.mark.slow
def test_the_median_of_three_leans_by_two_thirds_of_what_each_does() -> None:
    # Of three Gaussians the median has a variance of 1 - √3/π, and with three reporters it is always theirs.
    found = group_error(usual_edges(), group(reporters=3, bias_s=1e-4))
    assert found.unknown_ms == pytest.approx(0.1 * math.sqrt(1 - math.sqrt(3) / math.pi), rel=0.05)


@pytest.mark.slow
def test_more_reporters_lean_less_together() -> None:
    few, many = (group_error(usual_edges(), group(reporters=count, bias_s=1e-4)).unknown_ms for count in (4, 100))
    assert many < few / 3


@pytest.mark.slow
def test_a_follower_that_is_cut_off_now_and_then_drifts_further_by_the_same_medians() -> None:
    edges = usual_edges()
    out = Dropout.from_mean(0.3, 10.0)
    near, far = (group_error(edges, group(own=own)) for own in ((NO_DROPOUT,), (NO_DROPOUT, out)))
    assert far.error.drift_ms > 1.3 * near.error.drift_ms


def _common_ms(found: GroupError) -> float:
    return math.sqrt(found.error.estimator_ms**2 - found.error.own_estimator_ms**2)
