"""The comparison itself: that shadow clocks change nothing, that spreads are true, and that the bounds hold on every
model.

The figures proper are the bench's (``tests/bench/clock.py``); here are few and short runs, and limits that follow from
what is being measured.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from clock_comparison import (
    COMMON_VIEW,
    MODES,
    ONLY_BEACONS,
    SHADOW_CLOCKS,
    SHARED_DELAY,
    SOUNDINGS,
    Seen,
    Spread,
    lower_end,
    pooled,
    run,
    scenario_of,
)
from leadlight.units import SECOND
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.world.assembly import World
from path_asymmetry import PathAsymmetry, Task, outcome_of, perform, verdict
from shadow_clocks import install

MODELS = ("model-a", "model-b", "model-c", "model-d", "model-e")
BIN = 10 ** (1 / 400)
"""A spread's bins are a 400th of a decade wide."""


def test_a_percentile_of_a_spread_is_that_of_its_values_to_one_bin() -> None:
    values = np.random.default_rng(3).lognormal(0.0, 2.0, 100_000) * np.where(np.arange(100_000) % 2, 1, -1)
    spread = Spread.of(values)
    for percent in (50, 95, 99.9):
        exact = float(np.percentile(np.abs(values), percent, method="inverted_cdf"))
        assert exact / BIN <= spread.percentile(percent) <= exact * BIN
    assert spread.figures()["max"] == np.abs(values).max()


def test_spreads_add_up_and_leave_out_what_is_not_known() -> None:
    stream = np.random.default_rng(5)
    parts = [stream.exponential(2.0, 5_000) for _ in range(4)]
    whole = Spread.of(np.concatenate([*parts, [np.nan]]))
    added = pooled([Spread.of(part) for part in parts])
    assert added.figures() == whole.figures()
    assert np.isnan(Spread().percentile(50))


def test_the_lower_end_of_an_interval_lies_below_the_figure_and_above_the_least_run() -> None:
    stream = np.random.default_rng(7)
    runs = [Spread.of(stream.exponential(scale, 5_000)) for scale in stream.uniform(0.5, 2.0, 20)]
    low = lower_end(runs, 99.9)
    assert min(one.percentile(99.9) for one in runs) <= low <= pooled(runs).percentile(99.9)


def digest(seed: int, with_shadow_clocks: bool) -> str:
    world = World(scenario_of("model-b", 70), seed)
    panels = [install(node, SHADOW_CLOCKS) for node in world.followers] if with_shadow_clocks else []
    world.run_to(TrueInstant(70 * SECOND))
    for (panel,) in panels:
        assert all(other.served is not None for other in panel.others.values())
    return world.trace.hexdigest()


@pytest.mark.slow
@pytest.mark.interpreted
def test_shadow_clocks_change_nothing_of_what_happens() -> None:
    assert digest(3, with_shadow_clocks=True) == digest(3, with_shadow_clocks=False)


@cache
def seen_on(model: str) -> dict[str, Seen]:
    return run(model, seed=50, duration_s=300, baselines={})


@pytest.fixture(params=[pytest.param(MODELS, marks=pytest.mark.thorough), MODELS[-1:]], ids=["every model", MODELS[-1]])
def seen(request: pytest.FixtureRequest) -> list[dict[str, Seen]]:
    return [seen_on(model) for model in request.param]


@pytest.mark.interpreted
@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_the_causality_bound_holds_in_every_mode_and_model(seen: list[dict[str, Seen]], mode: str) -> None:
    assert [one[mode].causality_held for one in seen] == [True] * len(seen)


@pytest.mark.interpreted
@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_the_statistical_bound_holds_nearly_always(seen: list[dict[str, Seen]], mode: str) -> None:
    covered, scored = sum(one[mode].covered for one in seen), sum(one[mode].scored for one in seen)
    assert covered >= 0.995 * scored


@pytest.mark.interpreted
@pytest.mark.slow
def test_each_correction_is_worth_its_while(seen: list[dict[str, Seen]]) -> None:
    for one in seen:
        # Pairs gain by shared delays; nothing on a radio without queues is left to gain.
        if one[SOUNDINGS].pair.percentile(95) > 0.1:
            assert one[SHARED_DELAY].pair.percentile(95) < 0.7 * one[SOUNDINGS].pair.percentile(95)
        assert one[ONLY_BEACONS].error.percentile(95) > one[SOUNDINGS].error.percentile(95)


@pytest.mark.interpreted
@pytest.mark.slow
def test_common_view_is_as_good_as_two_receivers_stamps(seen: list[dict[str, Seen]]) -> None:
    """Two half-normal stamps of 0.1 ms differ with a deviation of 0.1·sqrt(2·(1 − 2/π)) = 0.085 ms; twice that is p95
    of one mark alone, and a follower has many."""
    for one in seen:
        assert one[COMMON_VIEW].error.percentile(95) < 0.17


@pytest.mark.thorough
@pytest.mark.interpreted
def test_marks_that_go_astray_by_more_than_soundings_vouch_for_do_no_harm_and_smaller_ones_are_told() -> None:
    found = {
        asymmetry: outcome_of([perform(Task("model-a", asymmetry, seed, 300))[1] for seed in (11, 12)])
        for asymmetry in (
            PathAsymmetry("none"),
            PathAsymmetry("far", 1.5),
            PathAsymmetry("near", 0.3),
            PathAsymmetry("cable", wired=True),
        )
    }
    verdicts = {asymmetry.told: verdict(asymmetry, outcome) for asymmetry, outcome in found.items()}
    assert verdicts == {"none": "no harm", "far": "no harm", "near": "not seen", "cable": "no harm"}
    none, near = found[PathAsymmetry("none")], found[PathAsymmetry("near", 0.3)]
    assert near.served == pytest.approx(0.3, abs=none.served)
    assert near.alone == none.alone  # the same draws
