"""Rehearse: a scenario run once and scored."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from leadlight.units import SECOND
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures.scores import Percentiles, Scores
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.scenario import Scenario
from leadlight_sim.timeline import Timeline
from leadlight_sim.world import World

PROGRESS_EVERY_NS = 10 * SECOND
"""Virtual time between two reports of progress."""


@dataclass(frozen=True, slots=True, eq=False)
class Rehearsal:
    """One rehearsal: what was run, and what came of it. Times in seconds."""

    scenario: Scenario
    seed: int
    trace_hash: str
    scores: Scores
    simulated_s: float
    wall_s: float
    events: int
    over_capacity: bool = False
    """Whether the radio was asked for more than it can carry."""
    timeline: Timeline | None = None
    """The evening as one can move through it, where it was kept."""

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain values; what was never reached or scored is ``None``."""
        scores = self.scores
        return {
            "scenario": self.scenario.name,
            "scenario_digest": self.scenario.digest(),
            "seed": self.seed,
            "trace_hash": self.trace_hash,
            "followers": [
                {
                    "name": score.name,
                    "pixels": score.pixels,
                    "error_ms": _plain(score.error_ms),
                    "naive_error_ms": _plain(score.naive_error_ms),
                    "light_ms": _plain(score.light_ms),
                    "naive_light_ms": _plain(score.naive_light_ms),
                    "wrong_frame_share": score.wrong_frame_share,
                    "dark_share": _number(score.dark_share),
                    "join_s": score.join_s,
                    "rejoin_s": list(score.rejoin_s),
                    "visible_steps": score.visible_steps,
                    "cue_lateness_ms": score.cue_lateness_ms,
                    "missed_cues": score.missed_cues,
                    "beacon_loss": _number(score.beacon_loss),
                    "bias_ms": _number(score.bias_ms),
                    "light_bias_ms": _number(score.light_bias_ms),
                }
                for score in scores.followers
            ],
            "pair_ms": _plain(scores.pair_ms),
            "worst_pair": scores.worst_pair,
            "light_pair_ms": _plain(scores.light_pair_ms),
            "worst_light_pair": scores.worst_light_pair,
            "airtime_share": scores.airtime_share,
            "over_capacity": self.over_capacity,
            "simulated_s": self.simulated_s,
            "wall_s": self.wall_s,
            **({} if self.timeline is None else {"timeline": self.timeline.to_json()}),
        }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value


def _plain(percentiles: Percentiles) -> dict[str, float | None]:
    return {name: _number(value) for name, value in asdict(percentiles).items()}


def rehearse(
    scenario: Scenario,
    seed: int | None = None,
    progress: Callable[[float], None] | None = None,
    timeline: bool = False,
) -> Rehearsal:
    """Run a scenario and return its figures.

    ``seed`` replaces the scenario's. ``progress`` is called with the share done. ``timeline`` keeps every frame and
    packet about each instant of note, and of the rest least, middle and most.
    """
    return scored(World(scenario, seed), progress, timeline)


def scored(world: World, progress: Callable[[float], None] | None = None, timeline: bool = False) -> Rehearsal:
    """Run a world that nothing has moved yet and return its figures, as ``rehearse`` does."""
    started = time.perf_counter()
    scorer = Scorer(world, timeline)
    at = 0
    while at < world.end:
        at = min(at + PROGRESS_EVERY_NS, world.end)
        scorer.run(TrueInstant(at))
        if progress is not None:
            progress(at / world.end)
    scores = scorer.scores()
    return Rehearsal(
        scenario=world.scenario,
        seed=world.seed,
        trace_hash=world.trace.hexdigest(),
        scores=scores,
        simulated_s=world.end / SECOND,
        wall_s=time.perf_counter() - started,
        events=world.kernel.events_run,
        over_capacity=world.air.over_capacity,
        timeline=scorer.timeline(scores),
    )
