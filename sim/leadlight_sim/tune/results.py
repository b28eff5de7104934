"""Tune: what a run says of its interval and delivery, and how runs of several seeds are judged against the targets.

A *combination* is a beacon interval with a delivery. Nothing here runs a rehearsal, recommends, prints or draws:
``tune_sweep``, ``tune_advice``, ``tune_tables`` and ``tune_figure`` do.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from leadlight.errors import ConfigurationError
from leadlight.terms import Delivery
from leadlight_sim.measures import Rehearsal
from leadlight_sim.scenario import Scenario


class Way(NamedTuple):
    """A delivery in words: how a beacon goes out, and what that means on the air."""

    out: str
    meaning: str


DELIVERIES: Final = {
    Delivery.AUTOMATIC: Way(
        "to the group, and a copy to each board that hears too little of that",
        "as cheap as the group alone while everybody hears it",
    ),
    Delivery.GROUP: Way(
        "to the group alone",
        "one packet for all, never sent again, held back while any station of the network dozes",
    ),
    Delivery.COPIES: Way(
        "a copy to each board, and nothing to the group",
        "each is sent again until it is acknowledged; airtime grows with the boards",
    ),
    Delivery.BOTH: Way(
        "to the group, and a copy to each board as well",
        "two chances to hear each beacon, at the airtime of both",
    ),
}
"""They are told in this order; of two that do as well the first is taken."""


# --- What a run says --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RunFigures:
    """One run's figures: the worst follower's, and the whole group's. Infinite where it was never reached or scored.

    ``None`` stands for what the scenario has nothing of: a second follower, a tight pair, a power cut.
    """

    interval_s: float
    delivery: Delivery
    seed: int
    error_p95_ms: float
    error_max_ms: float
    pair_p95_ms: float | None
    tight_pair_p95_ms: float | None
    join_s: float
    rejoin_s: float | None
    cue_lateness_ms: float
    wrong_frame_share: float
    visible_steps: int
    airtime_share: float
    worst_follower: str
    trace_hash: str


def figures_of(rehearsal: Rehearsal) -> RunFigures:
    """Return what a sweep keeps of a rehearsal."""
    scenario, scores = rehearsal.scenario, rehearsal.scores
    followers = scores.followers
    returns = [taken for score in followers for taken in score.rejoin_s]
    worst = max(followers, key=lambda score: _or_never(score.error_ms.p95))
    return RunFigures(
        interval_s=scenario.leader.interval_s,
        delivery=Delivery(scenario.leader.delivery),
        seed=rehearsal.seed,
        error_p95_ms=_or_never(worst.error_ms.p95),
        error_max_ms=max(_or_never(score.error_ms.max) for score in followers),
        pair_p95_ms=_or_never(scores.pair_ms.p95) if len(followers) > 1 else None,
        tight_pair_p95_ms=max((_or_never(gap.p95) for _, _, gap in scores.tight_pairs), default=None),
        join_s=max(_or_never(score.join_s) for score in followers),
        rejoin_s=max(map(_or_never, returns), default=None),
        cue_lateness_ms=max(score.cue_lateness_ms for score in followers),
        wrong_frame_share=max(score.wrong_frame_share for score in followers),
        visible_steps=sum(score.visible_steps for score in followers),
        airtime_share=scores.airtime_share,
        worst_follower=worst.name,
        trace_hash=rehearsal.trace_hash,
    )


def _or_never(value: float | None) -> float:
    return math.inf if value is None or math.isnan(value) else value


@dataclass(frozen=True, slots=True)
class Measure:
    """One thing that is told of every combination.

    ``name`` begins a sentence's object, ``short`` is for where there is little room, ``unit`` ends a number.
    """

    key: str
    name: str
    short: str
    unit: str
    value: Callable[[RunFigures], float | None]

    def number(self, value: float, digits: int = 3) -> str:
        """Return a value without its unit, rounded to so many digits."""
        if math.isinf(value):
            return "never" if self.unit == "s" else "not scored"
        return digits_of(value * 100 if self.unit == "%" else value, digits)

    def told(self, value: float) -> str:
        """Return a value with its unit, rounded to three digits."""
        return self.number(value) if math.isinf(value) else f"{self.number(value)} {self.unit}".rstrip()


MEASURES: Final = (
    Measure("error_p95_ms", "error to the leader (p95)", "error, p95", "ms", lambda run: run.error_p95_ms),
    Measure("error_max_ms", "error to the leader (worst)", "error, worst", "ms", lambda run: run.error_max_ms),
    Measure("pair_p95_ms", "pair difference (p95)", "pair, p95", "ms", lambda run: run.pair_p95_ms),
    Measure(
        "tight_pair_p95_ms", "tight-pair difference (p95)", "tight pair, p95", "ms", lambda run: run.tight_pair_p95_ms
    ),
    Measure("join_s", "join time", "join time", "s", lambda run: run.join_s),
    Measure("rejoin_s", "return after a power cut", "return", "s", lambda run: run.rejoin_s),
    Measure("cue_lateness_ms", "cue lateness", "cue lateness", "ms", lambda run: run.cue_lateness_ms),
    Measure("wrong_frame_share", "wrong-frame share", "wrong frame", "%", lambda run: run.wrong_frame_share),
    Measure("visible_steps", "visible jumps", "visible jumps", "", lambda run: float(run.visible_steps)),
    Measure("airtime_share", "airtime", "airtime", "%", lambda run: run.airtime_share),
)


def digits_of(value: float, digits: int = 3) -> str:
    """Return a number rounded to so many digits."""
    if value and abs(value) < 0.001:
        return f"{value:.1g}"
    return f"{value:.0f}" if abs(value) >= 10 ** (digits - 1) else f"{value:.{digits}g}"


def targets_of(
    scenario: Scenario, airtime_share: float | None = None, cue_lateness_ms: float | None = None
) -> dict[str, float]:
    """Return the most that each measure may be, by its key: the scenario's targets.

    ``airtime_share`` adds a ceiling from 0 to 1 for the share of the channel's time that timing may take, and
    ``cue_lateness_ms`` one for the latest cue. Raises ``ConfigurationError``.
    """
    targets = scenario.targets
    limits = {
        "error_p95_ms": scenario.error_target_ms,
        "pair_p95_ms": targets.pair_ms,
        "tight_pair_p95_ms": targets.tight_pair_ms,
        "join_s": targets.join_s,
        "rejoin_s": targets.recover_s,
        "wrong_frame_share": targets.wrong_frame_share,
    }
    if cue_lateness_ms is None:
        cue_lateness_ms = scenario.targets.cue_ms
    else:
        if not 0 <= cue_lateness_ms < math.inf:
            raise ConfigurationError("--target-cue-ms", cue_lateness_ms, "a number of milliseconds, 0 or more")
    limits["cue_lateness_ms"] = cue_lateness_ms
    if airtime_share is not None:
        if not 0 < airtime_share <= 1:
            raise ConfigurationError("--airtime", airtime_share, "a share above 0 to 1, such as 0.02")
        limits["airtime_share"] = airtime_share
    return limits


def runs_told(count: int) -> str:
    """Return a number of runs in words."""
    return f"{count} run{'' if count == 1 else 's'}"


# --- Several runs of one combination ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spread:
    """A measure over the seeds of one combination: median, least and most."""

    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A target missed by one combination: by how much in the worst seed, and in how many of them."""

    measure: Measure
    target: float
    worst: float
    missed: int
    runs: int

    @property
    def excess(self) -> float:
        """How many times the target the worst run is; infinite where the target is zero."""
        return self.worst / self.target if self.target else math.inf

    @property
    def excess_told(self) -> str:
        """By how much it is missed, in words; nothing where the target is zero or the value infinite."""
        if math.isinf(self.excess):
            return ""
        if self.excess < 2:
            return f"{digits_of((self.excess - 1) * 100, 2)} % too much"
        return f"{digits_of(self.excess, 2)} times as much"

    def told(self) -> str:
        """Return what is missed, by how much and how often."""
        measure = self.measure
        reaches = f"{measure.name}, {measure.told(self.worst)} where {measure.told(self.target)} is allowed"
        if self.excess_told:
            reaches += f" ({self.excess_told})"
        return f"{reaches}, in {self.missed} of {runs_told(self.runs)}"


@dataclass(frozen=True, slots=True)
class Standing:
    """How one combination did in all the runs that were made of it."""

    interval_s: float
    delivery: Delivery
    runs: tuple[RunFigures, ...]
    shortfalls: tuple[Shortfall, ...]

    @property
    def worst_shortfall(self) -> Shortfall:
        """The target that is missed by most, as a multiple of it; there must be one that is missed."""
        return max(self.shortfalls, key=lambda shortfall: shortfall.excess)

    @property
    def airtime_share(self) -> float:
        """The most that timing took of the channel's time in any of the runs, 0 to 1."""
        return max(run.airtime_share for run in self.runs)

    def spread(self, measure: Measure) -> Spread | None:
        """Return a measure over the seeds, or ``None`` where the scenario has nothing of the kind."""
        values = [value for run in self.runs if (value := measure.value(run)) is not None]
        return Spread(statistics.median(values), min(values), max(values)) if values else None


def standings(runs: Iterable[RunFigures], targets: Mapping[str, float]) -> list[Standing]:
    """Return one standing for each combination, by delivery and then by rising interval, whatever the runs' order."""
    found: dict[tuple[Delivery, float], list[RunFigures]] = {}
    for run in runs:
        found.setdefault((run.delivery, run.interval_s), []).append(run)
    places = list(DELIVERIES)
    return [
        Standing(interval_s, delivery, ordered, tuple(_shortfalls(ordered, targets)))
        for delivery, interval_s in sorted(found, key=lambda key: (places.index(key[0]), key[1]))
        for ordered in [tuple(sorted(found[delivery, interval_s], key=lambda run: run.seed))]
    ]


def by_delivery(found: Iterable[Standing]) -> dict[Delivery, list[Standing]]:
    """Return the standings of each delivery that has any, in their order."""
    grouped: dict[Delivery, list[Standing]] = {}
    for standing in found:
        grouped.setdefault(standing.delivery, []).append(standing)
    return grouped


def _shortfalls(runs: Sequence[RunFigures], targets: Mapping[str, float]) -> Iterable[Shortfall]:
    for measure in MEASURES:
        if measure.key not in targets:
            continue
        target = targets[measure.key]
        values = [value for run in runs if (value := measure.value(run)) is not None]
        missed = [value for value in values if value > target]
        if missed:
            yield Shortfall(measure, target, max(missed), len(missed), len(values))
