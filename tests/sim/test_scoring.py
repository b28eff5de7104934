"""Scoring beside the run finds what asking every follower at every instant finds, to the last digit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import plain_scoring
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadlight.clock import CausalityBound, Estimator
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.baselines import BASELINES, accompanied
from leadlight_sim.hosts import Oscillator, OscillatorSettings
from leadlight_sim.kernel import Stream, TrueInstant
from leadlight_sim.measures import scoring
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.sampling.sampling import Samples, in_ms, locals_at
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.soak.evenings import random_evening
from leadlight_sim.world.assembly import World

SEEDS = range(24)


def check_both(described: Scenario, make: Callable[[CausalityBound], Estimator] | None = None) -> int:
    """Score an evening both ways; return at how many instants anything was compared."""
    plain = plain_scoring.PlainScorer(World(described, estimator=make))
    plain.run()
    world = World(described, estimator=make)
    scorer = Scorer(world)
    scorer.run(world.end)
    scores = scorer.scores()
    assert world.trace.hexdigest() == plain.world.trace.hexdigest()
    assert scores.due.tolist() == plain.due
    compared = 0
    for score, found in zip(scores.followers, plain.found, strict=True):
        for name in ("errors", "naive", "lights", "naive_lights"):
            ours: Any = getattr(score, "naive_errors" if name == "naive" else name)
            theirs = np.array(getattr(found, name))
            assert np.array_equal(ours.view(np.int64), theirs.view(np.int64)), (described.name, score.name, name)
            compared += int((~np.isnan(theirs)).sum())
        assert score.powered.tolist() == found.powered
        assert score.wrong_frame_share == found.wrong_frame_share
        assert score.dark_share == found.dark_share or np.isnan([score.dark_share, found.dark_share]).all()
        assert [score.join_s, *score.rejoin_s] == (found.joins or [None])
    return compared


def a_few_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scoring, "PENDING_SAMPLES", 1)
    monkeypatch.setattr(scoring, "INSTANTS_AT_ONCE", 7)


@pytest.mark.slow
@pytest.mark.thorough_except(seed=(0, 3))
@pytest.mark.parametrize("seed", SEEDS)
def test_a_random_evening_is_scored_as_by_asking(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    if seed % 2:
        a_few_at_a_time(monkeypatch)
    check_both(random_evening(seed))


@pytest.mark.slow
@pytest.mark.thorough_except(baseline="Kalman")
@pytest.mark.parametrize("baseline", BASELINES)
def test_whatever_steers_and_however_long_an_output_takes(baseline: str, monkeypatch: pytest.MonkeyPatch) -> None:
    a_few_at_a_time(monkeypatch)
    followers = [
        {"name": f"piece {number}", "pixels": 100, "output_latency_ms": latency_ms, "trim_ms": trim_ms}
        for number, (latency_ms, trim_ms) in enumerate([(0, 0), (40, 0), (800, -30), (0, 60)])
    ]
    faults = [
        {"kind": "power-cut", "follower": "piece 1", "at_s": 20.0, "for_s": 2.0},
        {"kind": "board-suspended", "follower": "piece 2", "at_s": 30.0, "for_s": 5.1},
        {"kind": "clock-step", "node": "piece 3", "at_s": 35.0, "by_ms": -700.0},
    ]
    described = check_scenario(
        {
            "name": "Outputs",
            "run": {"duration_s": 50, "settle_s": 5},
            "followers": followers,
            "faults": faults,
            "air": {"preset": "busy"},
            "shows": [{"id": "tidefall", "duration_s": 35}, {"id": "embers", "duration_s": 60}],
            "cues": [{"at_s": 3, "show": "tidefall"}, {"at_s": 40, "show": "embers"}],
        },
        "outputs",
    )
    compared = check_both(described, accompanied(lambda _: BASELINES[baseline]()))
    assert compared > 4 * 30 * 4 * 4


@given(
    st.integers(0, 2**32),
    st.integers(-2000, 2000),
    st.sampled_from([1, 1000, 1_000_000]),
    st.sampled_from([SECOND // 10, 4 * SECOND, 60 * SECOND]),
    st.lists(st.integers(0, 1000 * SECOND), min_size=1, max_size=20),
)
def test_a_clock_read_at_many_instants_shows_what_it_shows_at_each(
    started_at: int, frequency_ppm: int, resolution_ns: int, segment_ns: int, since: list[int]
) -> None:
    settings = OscillatorSettings(
        offset_ns=-5,
        frequency_ppm=frequency_ppm / 2,
        wander_ppm=0.05,
        warm_up_ppm=900.0,
        resolution_ns=resolution_ns,
        segment_ns=segment_ns,
    )
    clock = Oscillator(settings, Stream(started_at), TrueInstant(started_at))
    true = [TrueInstant(started_at + elapsed) for elapsed in since]
    assert locals_at(clock, np.array(true, np.int64)).tolist() == [clock.local_at(instant) for instant in true]


@given(st.lists(st.one_of(st.integers(-(2**62), 2**62), st.integers(-(10**12), 10**12)), min_size=1))
def test_nanoseconds_become_milliseconds_as_whole_numbers_divide(values_ns: list[int]) -> None:
    assert in_ms(np.array(values_ns, np.int64)).tolist() == [value / MILLISECOND for value in values_ns]


def test_a_sample_is_33_bytes() -> None:
    samples = Samples.blank(np.zeros(1000, np.bool_))
    arrays = [samples.errors, samples.naive, samples.lights, samples.naive_lights, samples.powered]
    assert sum(array.nbytes for array in arrays) == 33 * 1000
