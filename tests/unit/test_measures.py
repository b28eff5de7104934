"""Quantiles, pairs and their order, on values whose answers are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from leadlight_sim.measures import scores as measures
from leadlight_sim.measures.scores import (
    NOTHING_SCORED,
    FollowerScore,
    Percentiles,
    middle_of,
    pair_scores,
    worst_first,
)

NAN = math.nan
EMPTY = np.empty(0)


def score(name: str, p95: float, light: float | None = None) -> FollowerScore:
    return FollowerScore(
        name=name,
        pixels=1,
        error_ms=replace(NOTHING_SCORED, p95=p95),
        naive_error_ms=NOTHING_SCORED,
        light_ms=replace(NOTHING_SCORED, p95=p95 if light is None else light),
        naive_light_ms=NOTHING_SCORED,
        wrong_frame_share=0.0,
        dark_share=NAN,
        join_s=None,
        joined_at_s=None,
        rejoin_s=(),
        visible_steps=0,
        cue_lateness_ms=0.0,
        missed_cues=0,
        beacon_loss=0.0,
        bias_ms=NAN,
        light_bias_ms=NAN,
        trimmed_p95_ms=NAN,
        errors=EMPTY,
        naive_errors=EMPTY,
        lights=EMPTY,
        naive_lights=EMPTY,
        powered=np.empty(0, np.bool_),
    )


def test_quantiles_are_of_sizes_and_leave_nan_out() -> None:
    # 0, -1, 2, ... -999, 1000: the quantile q of these 1001 sizes is 1000·q exactly.
    values = np.array([value if value % 2 == 0 else -value for value in range(1001)], dtype=np.float64)
    with_gaps = np.insert(values, [0, 500, 1001], NAN)
    found = Percentiles.of(with_gaps)
    assert [found.p50, found.p95, found.p99, found.p999, found.max] == pytest.approx([500, 950, 990, 999, 1000])


@pytest.mark.parametrize("values", [[], [NAN, NAN]])
def test_nothing_scored_is_nan_and_not_zero(values: list[float]) -> None:
    found = Percentiles.of(np.array(values, dtype=np.float64))
    assert all(math.isnan(value) for value in (found.p50, found.p95, found.p99, found.p999, found.max))


def test_a_pair_is_the_difference_of_two_errors_with_their_signs() -> None:
    errors = np.array([[1.0] * 4, [-2.0] * 4, [1.5] * 4])
    every, worst, worst_ms = pair_scores(list(errors), ["jetty", "willow", "ferry"])
    # The three differences are 3, 0.5 and 3.5.
    assert (every.p50, every.max) == (3.0, 3.5)
    assert worst == ("willow", "ferry")
    assert (worst_ms.p50, worst_ms.max) == (3.5, 3.5)


def test_a_pair_counts_only_while_both_do() -> None:
    errors = np.array([[1.0, 9.0, 1.0, NAN], [0.0, NAN, 0.0, 7.0]])
    every, worst, _ = pair_scores(list(errors), ["jetty", "willow"])
    assert every.max == 1.0
    assert worst == ("jetty", "willow")


@pytest.mark.parametrize("errors", [[[1.0, 2.0]], [[1.0, 2.0], [NAN, NAN]], [[1.0, NAN], [NAN, 2.0]]])
def test_without_a_common_instant_there_is_no_pair(errors: list[list[float]]) -> None:
    every, worst, worst_ms = pair_scores([np.array(each) for each in errors], ["jetty", "willow"][: len(errors)])
    assert worst is None
    assert math.isnan(every.p95)
    assert math.isnan(worst_ms.p95)


def test_the_worst_pair_is_that_of_the_largest_p95_and_not_of_one_outlier() -> None:
    steady = [0.0] * 100
    outlier = [50.0] + [0.0] * 99
    errors = np.array([steady, outlier, [2.0] * 100])
    every, worst, worst_ms = pair_scores(list(errors), ["steady", "outlier", "off"])
    assert worst is not None
    assert "off" in worst
    assert worst_ms.p95 == 2.0
    assert every.max == 50.0


def test_thinning_keeps_the_largest_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measures, "PAIR_SAMPLES_MAXIMUM", 10)
    errors = np.zeros((2, 1000))
    errors[0, 501] = 7.0
    every, _, _ = pair_scores(list(errors), ["jetty", "willow"])
    assert every.p50 == 0.0
    assert every.max == 7.0


def test_the_worst_come_first_and_the_never_scored_before_them() -> None:
    ranked = worst_first([score("good", 0.1), score("bad", 9.0), score("unknown", NAN), score("fair", 1.0)])
    assert [each.name for each in ranked] == ["unknown", "bad", "fair", "good"]


def test_who_is_worst_is_told_by_light_and_of_equals_by_the_clock() -> None:
    pieces = [score("clock", 9.0, 1.0), score("light", 0.1, 2.0), score("dark", 0.1, NAN), score("x", 1.0, 1.0)]
    ranked = worst_first(pieces)
    assert [each.name for each in ranked] == ["dark", "light", "clock", "x"]


def test_the_middle_is_not_drawn_away_by_an_outage_as_a_mean_is() -> None:
    assert middle_of(np.array([0.04, NAN, 0.05, 0.06, -900.0])) == pytest.approx(0.045)
    assert math.isnan(middle_of(np.array([NAN])))
