from __future__ import annotations

import math

import pytest

from leadlight.clock.estimator import Estimate
from leadlight.clock.fusion import LEAST_WEIGHT, fused
from leadlight.units import SECOND, LocalInstant

NOW = LocalInstant(100 * SECOND)


def test_the_weights_are_the_inverse_variances() -> None:
    marks = Estimate(NOW, 1_000_000, 2e-6, 30_000.0, 3e-8)
    soundings = Estimate(NOW, 1_050_000, 7e-6, 60_000.0, 6e-8)
    both = fused(marks, soundings, NOW)
    assert both.at == NOW
    assert both.offset_ns == 1_010_000  # a fifth of the way: 1/60² is a fifth of 1/30² + 1/60²
    assert both.rate == pytest.approx(3e-6)
    assert both.deviation_ns == pytest.approx(1 / math.hypot(1 / 30_000, 1 / 60_000))
    assert both.rate_deviation == 3e-8


def test_a_floor_counts_as_a_tenth_of_it_and_stays_in_the_bound_by_its_weight() -> None:
    marks = Estimate(NOW, 0, 0.0, 30_000.0, 1e-9)
    soundings = Estimate(NOW, 100_000, 0.0, 0.0, 1e-9, floor_ns=600_000.0)
    both = fused(marks, soundings, NOW)
    assert both.offset_ns == 20_000
    assert both.floor_ns == pytest.approx(120_000.0)
    assert both.deviation_ns == pytest.approx(24_000.0)


def test_estimates_are_compared_at_one_instant_and_age_in_the_weights() -> None:
    # A random walk of the rate by 0.06 ppm per square root of a second is an offset of 60·sqrt(t³/3) ns.
    before = LocalInstant(NOW - 10 * SECOND)
    marks = Estimate(before, 0, 1e-6, 3_000.0, 4e-7)  # 10 us further on; 3 us and 4 us uncertain, and by the wander
    soundings = Estimate(NOW, 20_000, 1e-6, math.sqrt(3_000.0**2 + 4_000.0**2 + 60.0**2 * 10**3 / 3), 4e-7)
    assert fused(marks, soundings, NOW).offset_ns == 15_000


def test_what_counts_for_next_to_nothing_is_left_out() -> None:
    marks = Estimate(NOW, 0, 0.0, 30_000.0, 1e-9)
    for deviation_ns, is_used in ((30_000.0 * math.sqrt(1 / LEAST_WEIGHT - 1) - 1, True), (120_000.0, False)):
        soundings = Estimate(NOW, 1_000_000, 0.0, deviation_ns, 1e-9)
        assert (fused(marks, soundings, NOW) is not marks) == is_used
    assert fused(marks, Estimate(NOW, 1_000_000, 0.0), NOW) is marks
