"""Rehearse: what will the crowd see on this network?

Runs a scenario once, scores it, and says in plain sentences whether it meets its targets and why.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from leadlight.units import SECOND
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures.scores import FollowerScore, Percentiles, Scores, worst_first
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.scenario import Scenario
from leadlight_sim.telling import as_time, as_times
from leadlight_sim.world import World

NOTABLE_BIAS_MS = 1.0
"""A bias smaller than this is not worth a sentence: trims are found by eye or camera to about as much."""
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
    """Return the verdict on a rehearsal, by its scenario's own targets: of what was seen, not of clocks.

    Where no show was on while anything was scored it is of the clocks, and says so.
    """
    scenario, scores = rehearsal.scenario, rehearsal.scores
    targets = scenario.targets
    ranked = worst_first(scores.followers)
    was_on = was_show_on(scores)
    failures: list[str] = []
    notes: list[str] = []

    if rehearsal.over_capacity:
        failures.append("The radio was asked for more than it can carry: packets waited in line, or were dropped.")
    never = [score.name for score in ranked if score.join_s is None]
    if never:
        failures.append(f"{_listed(never)} never came into step.")
    dark = [score.name for score in ranked if score.dark_share == 1]
    if dark:
        failures.append(f"{_listed(dark)} stayed dark whenever a show was on.")
    unscored = [score.name for score in ranked if score.join_s is not None and math.isnan(score.error_ms.p95)]
    if unscored:
        failures.append(
            f"Nothing is known of {_listed(unscored)}: the run ended before {scenario.run.settle_s:g} s had passed "
            f"since the first beacon."
        )
    limit = scenario.error_target_ms
    late = [score.name for score in ranked if distance_of(score, scores).p95 > limit]
    if late:
        failures.append(
            f"{_listed(late)} {_is_are(late)} more than {limit:g} ms from the music for more than a twentieth "
            f"of the time."
        )
    pair_ms, pair = (scores.light_pair_ms, scores.worst_light_pair) if was_on else (scores.pair_ms, scores.worst_pair)
    if pair_ms.p95 > targets.pair_ms and pair is not None:
        failures.append(
            f"Two pieces differ by up to {as_time(pair_ms.p95)} (p95), above the target of {targets.pair_ms:g} ms; "
            f"worst are {pair[0]} and {pair[1]}."
        )
    for first, second, gap in scores.tight_light_pairs if was_on else scores.tight_pairs:
        where = f"{first} and {second}, which share a surface,"
        if math.isnan(gap.p95):
            failures.append(f"{where} were never in the show together.")
        elif gap.p95 > targets.tight_pair_ms:
            failures.append(f"{where} differ by {as_time(gap.p95)} (p95), above {targets.tight_pair_ms:g} ms.")
        else:
            notes.append(f"{where} stay within {as_time(gap.p95)} of each other (p95).")
    wrong = [
        score.name for score in ranked if score.dark_share != 1 and score.wrong_frame_share > targets.wrong_frame_share
    ]
    if wrong:
        failures.append(
            f"{_listed(wrong)} {_is_are(wrong)} dark or on another frame than the music for more than "
            f"{targets.wrong_frame_share * 100:.0f} % of the time."
        )
    jumps = sum(score.visible_steps for score in ranked)
    if jumps:
        failures.append(f"{jumps} jump{'s' if jumps > 1 else ''} of a frame or more can be seen.")
    for count in sorted({score.missed_cues for score in ranked} - {0}, reverse=True):
        missed = [score.name for score in ranked if score.missed_cues == count]
        failures.append(f"{_listed(missed)} missed {'a cue' if count == 1 else f'{count} cues'} of the running order.")
    failures.extend(
        f"{score.name} took up a cue {as_time(score.cue_lateness_ms)} late."
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

    notes[:0] = _distances(scores, was_on)
    notes.extend(_biases(ranked))
    notes.append(
        f"Timing takes {scores.airtime_share * 100:.2f} % of the channel's time over the whole run, joining included."
    )
    if len(dark) == len(ranked):
        headline = "The crowd will see nothing at all: every light stays dark."
    else:
        headline = "The crowd will see the network." if failures else "The crowd will see nothing of the network."
    sentences = [sentence[0].upper() + sentence[1:] for sentence in (*failures, *notes)]
    return Verdict(not failures, headline, tuple(sentences))


def was_show_on(scores: Scores) -> bool:
    """Return whether a show was ever on while a piece was scored, so that there was anything to see."""
    return any(not math.isnan(score.dark_share) for score in scores.followers)


def distance_of(score: FollowerScore, scores: Scores) -> Percentiles:
    """Return a piece's distance from the music: of its light, or of its clock where no show was ever on."""
    return score.light_ms if was_show_on(scores) else score.error_ms


def naive_distance_of(score: FollowerScore, scores: Scores) -> Percentiles:
    """Return the same of a board that believes the latest beacon."""
    return score.naive_light_ms if was_show_on(scores) else score.naive_error_ms


def _distances(scores: Scores, was_on: bool) -> list[str]:
    """How far pieces are from the music, their clocks from the leader's, and the naive way: of those that are known."""
    known = [score for score in worst_first(scores.followers) if not math.isnan(distance_of(score, scores).p95)]
    if not known:
        return []
    said = []
    worst = known[0]
    p95 = distance_of(worst, scores).p95
    clock = max(known, key=lambda score: score.error_ms.p95)
    clocks = (
        f"the worst clock, {clock.name}'s, is within {as_time(clock.error_ms.p95)} of the leader's 95 % of the time"
    )
    if was_on:
        furthest = max(known, key=lambda score: score.light_ms.max)
        said.append(
            f"The worst piece, {worst.name}, shows its light within {as_time(p95)} of the music 95 % of the time; "
            f"the furthest that any was for a moment is {as_time(furthest.light_ms.max)}, {furthest.name}."
        )
        said.append(f"In that, {clocks}; the rest is what playheads correct, and players that wake late for a frame.")
    else:
        said.append(f"No show was on while anything was scored; {clocks}.")
    naive = max((one for score in known if not math.isnan(one := naive_distance_of(score, scores).p95)), default=0.0)
    if naive > p95 > 0:
        said.append(
            f"Boards that simply believed the latest beacon would be {as_time(naive)} off (p95, the worst): "
            f"about {as_times(naive / p95)} times as far."
        )
    return said


def _biases(ranked: Sequence[FollowerScore]) -> list[str]:
    """The piece with the largest bias, where that is worth a trim and a trim brings it closer."""
    bias = max(ranked, key=lambda score: 0.0 if math.isnan(score.light_bias_ms) else abs(score.light_bias_ms))
    if not abs(bias.light_bias_ms) >= NOTABLE_BIAS_MS or not bias.trimmed_p95_ms < bias.light_ms.p95:
        return []
    side = "ahead of" if bias.light_bias_ms > 0 else "behind"
    return [
        f"{bias.name} is {as_time(abs(bias.light_bias_ms))} {side} the music half the time or more; shown "
        f"{'later' if bias.light_bias_ms > 0 else 'sooner'} by as much (trim_ms), it would be within "
        f"{as_time(bias.trimmed_p95_ms)} 95 % of the time."
    ]


def _span(taken_s: float) -> str:
    if taken_s == 0:
        return "at the instant"
    return "within a tenth of a second" if taken_s <= 0.1 else f"within {taken_s:.1f} s"


def _listed(names: list[str]) -> str:
    if len(names) == 1:
        return names[0]
    if len(names) > 4:
        return f"{', '.join(names[:3])} and {len(names) - 3} more"
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _is_are(items: list[Any]) -> str:
    return "is" if len(items) == 1 else "are"
