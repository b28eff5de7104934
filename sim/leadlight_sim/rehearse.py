"""Rehearse: what will the crowd see on this network?

Runs a scenario once, scores it, and says in plain sentences whether it meets its targets and why.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from leadlight.units import SECOND
from leadlight_sim.assembly import World
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures import Percentiles, Scores, worst_first
from leadlight_sim.scenario import Scenario
from leadlight_sim.scoring import Scorer

NOTABLE_BIAS_MS = 0.05
"""A mean error smaller than this is not worth a sentence."""
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
                    "wrong_frame_share": score.wrong_frame_share,
                    "join_s": score.join_s,
                    "rejoin_s": list(score.rejoin_s),
                    "visible_steps": score.visible_steps,
                    "cue_lateness_ms": score.cue_lateness_ms,
                    "missed_cues": score.missed_cues,
                    "beacon_loss": _number(score.beacon_loss),
                    "bias_ms": _number(score.bias_ms),
                }
                for score in scores.followers
            ],
            "pair_ms": _plain(scores.pair_ms),
            "worst_pair": scores.worst_pair,
            "airtime_share": scores.airtime_share,
            "over_capacity": self.over_capacity,
            "simulated_s": self.simulated_s,
            "wall_s": self.wall_s,
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

    ``seed`` replaces the scenario's. ``progress`` is called with the share done. ``timeline`` keeps every beacon's
    fate.
    """
    started = time.perf_counter()
    world = World(scenario, seed)
    scorer = Scorer(world, timeline)
    at = 0
    while at < world.end:
        at = min(at + PROGRESS_EVERY_NS, world.end)
        scorer.run(TrueInstant(at))
        if progress is not None:
            progress(at / world.end)
    return Rehearsal(
        scenario=scenario,
        seed=world.seed,
        trace_hash=world.trace.hexdigest(),
        scores=scorer.scores(),
        simulated_s=world.end / SECOND,
        wall_s=time.perf_counter() - started,
        events=world.kernel.events_run,
        over_capacity=world.air.over_capacity,
    )


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer in plain words: whether the crowd will see anything, and a sentence for each thing worth knowing."""

    good: bool
    headline: str
    sentences: tuple[str, ...]


def judge(rehearsal: Rehearsal) -> Verdict:
    """Return the verdict on a rehearsal, by its scenario's own targets."""
    scenario, scores = rehearsal.scenario, rehearsal.scores
    targets = scenario.targets
    ranked = worst_first(scores.followers)
    worst = ranked[0]
    failures: list[str] = []
    notes: list[str] = []

    if rehearsal.over_capacity:
        failures.append("The radio was asked for more than it can carry: packets waited in line, or were dropped.")
    never = [score.name for score in ranked if score.join_s is None]
    if never:
        failures.append(f"{_listed(never)} never came into step.")
    unscored = [score.name for score in ranked if score.join_s is not None and math.isnan(score.error_ms.p95)]
    if unscored:
        failures.append(
            f"Nothing is known of {_listed(unscored)}: the run ended before {scenario.run.settle_s:g} s had passed "
            f"since the first beacon."
        )
    limit = scenario.error_target_ms
    late = [score.name for score in ranked if score.error_ms.p95 > limit]
    if late:
        failures.append(
            f"{_listed(late)} {_is_are(late)} more than {limit:g} ms from the music for more than a twentieth "
            f"of the time."
        )
    if scores.pair_ms.p95 > targets.pair_ms and scores.worst_pair is not None:
        failures.append(
            f"Two pieces differ by up to {_ms(scores.pair_ms.p95)} (p95), above the target of {targets.pair_ms:g} ms; "
            f"worst are {scores.worst_pair[0]} and {scores.worst_pair[1]}."
        )
    for first, second, gap in scores.tight_pairs:
        where = f"{first} and {second}, which share a surface,"
        if gap.p95 > targets.tight_pair_ms:
            failures.append(f"{where} differ by {_ms(gap.p95)} (p95), above {targets.tight_pair_ms:g} ms.")
        else:
            notes.append(f"{where} stay within {_ms(gap.p95)} of each other (p95).")
    wrong = [score.name for score in ranked if score.wrong_frame_share > targets.wrong_frame_share]
    if wrong:
        failures.append(
            f"{_listed(wrong)} {_is_are(wrong)} on another frame than the music for more than "
            f"{targets.wrong_frame_share * 100:.0f} % of the time."
        )
    jumps = sum(score.visible_steps for score in ranked)
    if jumps:
        failures.append(f"{jumps} jump{'s' if jumps > 1 else ''} of a frame or more can be seen.")
    for score in ranked:
        if score.missed_cues:
            cues = "a cue" if score.missed_cues == 1 else f"{score.missed_cues} cues"
            failures.append(f"{score.name} missed {cues} of the running order.")
    failures.extend(
        f"{score.name} took up a cue {_ms(score.cue_lateness_ms)} late."
        for score in ranked
        if not score.missed_cues and score.cue_lateness_ms > targets.cue_ms
    )
    slow = [score.name for score in ranked if score.join_s is not None and score.join_s > targets.join_s]
    if slow:
        failures.append(f"{_listed(slow)} took longer than {targets.join_s:g} s to join.")
    for score in ranked:
        for taken in score.rejoin_s:
            if taken is None:
                failures.append(f"{score.name} did not come back into step after its power returned.")
            elif taken > targets.recover_s:
                failures.append(f"{score.name} took {taken:.1f} s to come back after its power returned.")
            else:
                notes.append(f"{score.name}, whose power failed, was back in step {_span(taken)} of its first beacon.")

    furthest = max(ranked, key=lambda score: -1.0 if math.isnan(score.error_ms.max) else score.error_ms.max)
    if not never and not unscored:
        notes.insert(
            0,
            f"The worst piece, {worst.name}, is within {_ms(worst.error_ms.p95)} of the music 95 % of the time; "
            f"the furthest that any was for a moment is {_ms(furthest.error_ms.max)}, {furthest.name}.",
        )
    naive = max((p95 for score in ranked if not math.isnan(p95 := score.naive_error_ms.p95)), default=math.nan)
    if naive > worst.error_ms.p95 > 0:
        notes.append(
            f"Boards that simply believed the latest beacon would be {_ms(naive)} off (p95, the worst): "
            f"{naive / worst.error_ms.p95:.0f} times as far."
        )
    lean = max(ranked, key=lambda score: 0.0 if math.isnan(score.bias_ms) else abs(score.bias_ms))
    if abs(lean.bias_ms) > NOTABLE_BIAS_MS:
        side = "ahead of" if lean.bias_ms > 0 else "behind"
        notes.append(
            f"{lean.name} is on average {_ms(abs(lean.bias_ms))} {side} the leader. "
            f"Where the quickest ways there and back differ, no measurement over them can tell; a trim can."
        )
    notes.append(f"Timing takes {scores.airtime_share * 100:.2f} % of the channel's time.")
    headline = "The crowd will see the network." if failures else "The crowd will see nothing of the network."
    sentences = [sentence[0].upper() + sentence[1:] for sentence in (*failures, *notes)]
    return Verdict(not failures, headline, tuple(sentences))


def _span(taken_s: float) -> str:
    if taken_s == 0:
        return "at the instant"
    return "within a tenth of a second" if taken_s <= 0.1 else f"within {taken_s:.1f} s"


def _ms(value: float) -> str:
    if math.isnan(value):
        return "an unknown time"
    if value < 0.1:
        return f"{value * 1000:.0f} µs"
    return f"{value:.2f} ms" if value < 10 else f"{value:.0f} ms"


def _listed(names: list[str]) -> str:
    if len(names) == 1:
        return names[0]
    if len(names) > 4:
        return f"{', '.join(names[:3])} and {len(names) - 3} more"
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _is_are(items: list[Any]) -> str:
    return "is" if len(items) == 1 else "are"
