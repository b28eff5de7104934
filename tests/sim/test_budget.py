"""What the budget measures: one cause taken away from an evening, and everything else left as it was."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from leadlight import LeadlightError
from leadlight.units import SECOND
from leadlight_sim.air.choice import air_settings
from leadlight_sim.budget import causes
from leadlight_sim.budget.causes import Cause, air_without, host_without, scenario_without
from leadlight_sim.budget.measuring import EVERYTHING, measure
from leadlight_sim.kernel import Streams, TrueInstant
from leadlight_sim.measures import Scores
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.scenario import Scenario, load_shipped
from leadlight_sim.world import World

pytestmark = pytest.mark.slow

NOTHING: frozenset[Cause] = frozenset()


def lake(**changes: object) -> Scenario:
    """Return the shipped site for a minute and a half, without its faults."""
    usual: dict[str, object] = {
        "run.duration_s": 90.0,
        "run.settle_s": 30.0,
        "faults": [],
        "cues": [{"at_s": 1.0, "show": "embers"}],
    }
    return load_shipped().with_changes(usual | changes)


def world_without(scenario: Scenario, gone: frozenset[Cause]) -> World:
    return World(scenario_without(scenario, gone), 3, air=air_without(gone), host=host_without(gone))


def scores_without(scenario: Scenario, gone: frozenset[Cause]) -> Scores:
    world = world_without(scenario, gone)
    scorer = Scorer(world)
    scorer.run(world.end)
    return scorer.scores()


def test_with_nothing_taken_away_an_evening_is_the_one_that_a_rehearsal_has() -> None:
    plain, ours = World(lake(), 3), world_without(lake(), NOTHING)
    for world in (plain, ours):
        world.run_to(TrueInstant(20 * SECOND))
    assert ours.trace.hexdigest() == plain.trace.hexdigest()


@cache
def as_it_is() -> Scores:
    return scores_without(lake(**{"run.duration_s": 40.0}), NOTHING)


@pytest.mark.parametrize("cause", [cause for cause in Cause if cause is not Cause.WAKING])
def test_whatever_else_is_taken_away_players_wake_as_late_as_before(cause: Cause) -> None:
    before, after = as_it_is(), scores_without(lake(**{"run.duration_s": 40.0}), frozenset({cause}))
    for one, other in zip(before.followers, after.followers, strict=True):
        late, late_after = (each.naive_errors - each.naive_lights for each in (one, other))
        known = ~(np.isnan(late) | np.isnan(late_after))
        assert known.sum() > 100
        assert late[known] == pytest.approx(late_after[known], abs=1e-9)


@pytest.mark.parametrize("preset", ["idle", "busy", "dozing", "model-a", "model-c", "model-e"])
def test_what_no_longer_takes_time_still_draws_what_it_drew(preset: str) -> None:
    tables = air_settings(lake(**{"air.preset": preset}).air).tables
    quicker = causes._tables_without(tables, EVERYTHING)
    for name in ("up", "down", "group", "private"):
        first, second = (Streams(5).stream("draws") for _ in range(2))
        slow = [getattr(tables, name).draw(first) for _ in range(200)]
        fast = [getattr(quicker, name).draw(second) for _ in range(200)]
        assert first.random() == second.random()
        assert all(b <= a for a, b in zip(slow, fast, strict=True))
        assert max(fast) <= tables.floor_ns


def test_without_any_cause_nothing_is_left_to_see() -> None:
    scores = scores_without(lake(), EVERYTHING)
    # A twentieth of what waking alone does: the causes leave nothing out that counts.
    assert max(score.light_ms.p95 for score in scores.followers) < 0.075


def test_waking_alone_is_as_late_as_hosts_are_drawn_to_be() -> None:
    rounded = lake().with_changes({"boards.waking": "rounded-timer"})
    scores = scores_without(rounded, EVERYTHING - {Cause.WAKING})
    found = [score.light_ms.p95 for score in scores.followers]
    # An exponential of mean 0.5 ms: its p95 is 0.5 · ln 20. Of n = 240 its standard error is sqrt(0.05 · 0.95 / n) over
    # the density there, 0.05 / 0.5; four of them, over eight pieces.
    expected = 0.5 * math.log(20)
    error = math.sqrt(0.05 * 0.95 / 240) / 0.1 / math.sqrt(len(found))
    assert float(np.mean(found)) == pytest.approx(expected, abs=4 * error)


@pytest.mark.thorough
def test_the_figures_are_the_same_however_many_run_at_a_time() -> None:
    evening = lake(**{"run.settle_s": 5.0})
    alone = measure(evening, seeds=2, jobs=1, duration_s=30.0)
    shares: list[float] = []
    assert measure(evening, seeds=2, jobs=2, progress=shares.append, duration_s=30.0) == alone
    assert shares == [(number + 1) / 16 for number in range(16)]


def test_a_budget_also_tells_of_pairs_airtime_and_rates() -> None:
    found = measure(lake(**{"run.settle_s": 20.0}), seeds=2, duration_s=40.0)
    assert found.pair is not None
    assert 0 < found.airtime_share < 0.05
    assert 0 < found.rate_ppm < 5


# In one evening of five a stamp that came late counts for more than all waking, so it takes many to tell them apart.
@pytest.mark.thorough
def test_hosts_that_wake_late_are_what_is_most_worth_mending_at_the_lake() -> None:
    found = measure(lake(), seeds=16, jobs=2, duration_s=150.0)
    gains = {effect.cause: effect.gain for effect in found.effects}
    assert gains[Cause.WAKING].is_distinguishable
    assert gains[Cause.WAKING].value == max(gains[cause].value for cause in Cause)


def test_unequal_paths_show_where_boards_go_by_their_own_exchanges() -> None:
    # By cable, two boards have neither marks nor a median to share: each is wrong by its own floors.
    described = lake(**{"leader.wired": True, "air.preset": "idle", "tight_pairs": []}).model_dump(
        mode="json", exclude_unset=True
    )
    described["air"]["floor_asymmetry"] = 0.9
    described["followers"] = [one | {"host": "steady"} for one in described["followers"][:2]]
    parts = ("leader", "air", "followers", "tight_pairs", "faults")
    two = load_shipped().with_changes({part: described[part] for part in parts} | {"site.places": {}})
    with_paths, without = (scores_without(two, EVERYTHING - gone) for gone in ({Cause.PATHS}, NOTHING))
    assert max(score.light_ms.p95 for score in without.followers) < 0.075
    assert max(score.light_ms.p95 for score in with_paths.followers) > 0.3


def test_a_site_on_which_a_piece_is_never_in_step_is_not_measured() -> None:
    out_of_reach = lake(**{"run.settle_s": 2.0, "air.dropouts": {"mean_loss_fraction": 0.95, "mean_burst_s": 600}})
    with pytest.raises(LeadlightError, match="jetty: never came into step"):
        measure(out_of_reach, seeds=2, duration_s=12.0)
