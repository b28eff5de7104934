from __future__ import annotations

from random import Random

import pytest

from leadlight.clock.estimator import Estimate
from leadlight.clock.tracker import REFUSALS_BEFORE_BELIEF, OffsetTracker
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LocalInstant

START = LocalInstant(1_000 * SECOND)


def at(seconds: float) -> LocalInstant:
    return LocalInstant(START + round(seconds * SECOND))


def steady(rate: float = 30e-6) -> OffsetTracker:
    tracker = OffsetTracker()
    for second in range(60):
        assert tracker.observe(at(second), round(rate * second * SECOND), None)
    return tracker


def test_before_the_first_sample_there_is_no_estimate() -> None:
    assert OffsetTracker().estimate() is None


def test_it_finds_offset_and_rate() -> None:
    estimate = steady().estimate(floor_ns=7.0)
    assert estimate is not None
    assert estimate.at == at(59)
    assert abs(estimate.offset_ns - round(30e-6 * 59 * SECOND)) < 20 * MICROSECOND  # its least noise
    assert estimate.rate == pytest.approx(30e-6, abs=1e-6)
    assert estimate.floor_ns == 7.0


def test_it_begins_with_the_rate_another_estimator_has_learnt() -> None:
    tracker = OffsetTracker()
    tracker.observe(at(0), 5, Estimate(at(0), 0, 42e-6, 1.0, 1e-7))
    estimate = tracker.estimate()
    assert estimate is not None
    assert (estimate.offset_ns, estimate.rate, estimate.rate_deviation) == (5, 42e-6, 1e-7)


@pytest.mark.slow
def test_noise_is_averaged_and_its_own_account_of_the_error_is_true() -> None:
    inside = 0
    for seed in range(40):
        random = Random(seed)
        tracker = OffsetTracker()
        for second in range(120):
            tracker.observe(at(second), round(random.gauss(0, 100 * MICROSECOND)), None)
        estimate = tracker.estimate()
        assert estimate is not None
        inside += abs(estimate.offset_ns) <= 3 * estimate.deviation_ns
    # Three standard deviations hold 99.7 %: of forty, one may stray.
    assert inside >= 39


def test_an_outlier_is_refused_and_moves_nothing() -> None:
    tracker = steady(0.0)
    before = tracker.estimate()
    assert not tracker.observe(at(60), 50 * MILLISECOND, None)
    assert tracker.estimate() == before


def test_a_sample_with_its_own_doubt_pulls_less() -> None:
    sure, unsure = steady(0.0), steady(0.0)
    sure.observe(at(60), 50 * MICROSECOND, None)
    unsure.observe(at(60), 50 * MICROSECOND, None, doubt=1e-3)
    pulled, hardly = sure.estimate(), unsure.estimate()
    assert pulled is not None
    assert hardly is not None
    assert 0 <= hardly.offset_ns < pulled.offset_ns / 10


def test_so_many_refusals_in_a_row_mean_that_the_filter_is_wrong() -> None:
    tracker = steady(0.0)
    answers = [tracker.observe(at(60 + second), 50 * MILLISECOND, None) for second in range(12)]
    # Six are refused, the seventh is where it begins anew.
    assert REFUSALS_BEFORE_BELIEF == 6
    assert answers == [False] * 7 + [True] * 5
    estimate = tracker.estimate()
    assert estimate is not None
    assert abs(estimate.offset_at(at(72)) - 50 * MILLISECOND) < 5 * MILLISECOND


def test_a_true_sample_from_before_the_last_one_moves_the_clock_by_nothing() -> None:
    rate = 100e-6
    tracker = steady(rate)
    before = tracker.estimate()
    assert before is not None
    tracker.observe(at(56), before.offset_at(at(56)), None)
    after = tracker.estimate()
    assert after is not None
    assert abs(after.offset_ns - before.offset_ns) <= 1
    assert after.at == before.at
