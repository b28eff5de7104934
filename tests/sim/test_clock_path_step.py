"""A path grows by 20 ms for everyone, as when an access point moves to another band: the show must not notice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from leadlight.events import Held, Stepped
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air.distributions import Fixed, Sum
from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario
from leadlight_sim.world.assembly import World

STEP_AT_S = 300
LONGER_NS = 20 * MILLISECOND


def evening(model: str) -> Scenario:
    shipped = load_shipped()
    cues = [shipped.cues[0].model_dump(mode="json", exclude_unset=True)]
    changes: dict[str, object] = {"air.preset": model, "faults": [], "cues": cues, "run.duration_s": 420}
    return shipped.with_changes(changes)


@pytest.mark.slow
@pytest.mark.thorough_except(seed=1, model="model-b")
@pytest.mark.parametrize("model", ["model-a", "model-b"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_path_that_grows_by_20_ms_steps_no_playhead_and_stays_inside_the_bound(model: str, seed: int) -> None:
    world = World(evening(model), seed)
    world.run_to(TrueInstant(STEP_AT_S * SECOND))
    air = world.air
    assert isinstance(air, SampledAir)
    tables = air._tables
    air._tables = replace(
        tables, group=Sum((tables.group, Fixed(LONGER_NS))), down=Sum((tables.down, Fixed(LONGER_NS)))
    )
    half_frame_ns = min(show.frame_rate.period_ns for show in world.shows) / 2
    for second in range(STEP_AT_S, 420):
        now = TrueInstant(second * SECOND)
        world.run_to(now)
        for node in world.followers:
            follower, local = node.follower, node.local_at(now)
            timebase = follower.timebase
            assert timebase is not None
            truth, believed = world.leader_time(timebase, now), follower.clock.leader_at(local)
            assert truth is not None
            assert believed is not None
            error_ns = abs(believed - truth)
            bounds = follower.clock.bounds(local)
            # Both ways have grown, so causality never speaks against the truth.
            assert bounds.causality_ns is not None
            assert error_ns <= bounds.causality_ns
            assert error_ns < half_frame_ns
            if second >= STEP_AT_S + 30:
                assert bounds.statistical_ns is not None
                assert error_ns <= bounds.statistical_ns
    for node in world.followers:
        jumps = [event for at, event in node.events if at >= STEP_AT_S * SECOND and isinstance(event, Stepped | Held)]
        assert jumps == []
