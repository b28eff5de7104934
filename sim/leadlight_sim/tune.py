"""Tune: which beacon interval meets the targets at the least airtime?

What one run says, how runs of several seeds are judged together, and the recommendation in plain words. Nothing here
runs a rehearsal or draws: ``tune_sweep`` and ``tune_figure`` do.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from leadlight.errors import ConfigurationError
from leadlight.tenure import DITHER_MAXIMUM_NS, DITHER_SHARE
from leadlight.units import SECOND
from leadlight_sim.air.access_point import BEACON_INTERVAL_NS
from leadlight_sim.rehearse import Rehearsal
from leadlight_sim.scenario import Scenario

DEFAULT_INTERVALS_S: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
INTERVALS_MAXIMUM: Final = 100

ACCESS_POINT_BEACON_S: Final = BEACON_INTERVAL_NS / SECOND
BEAT_MULTIPLE_MAXIMUM: Final = 10
BEAT_WITHIN: Final = 0.02


# --- What a run says --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RunFigures:
    """One run's figures: the worst follower's, and the whole group's. Infinite where it was never reached or scored.

    ``None`` stands for what the scenario has nothing of: a second follower, a tight pair, a power cut.
    """

    interval_s: float
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
    """One thing that is told of every interval. ``name`` begins a sentence's object, ``unit`` ends a number."""

    key: str
    name: str
    unit: str
    value: Callable[[RunFigures], float | None]

    def number(self, value: float, digits: int = 3) -> str:
        """Return a value without its unit, rounded to so many digits."""
        if math.isinf(value):
            return "never" if self.unit == "s" else "not scored"
        return _digits(value * 100 if self.unit == "%" else value, digits)

    def told(self, value: float) -> str:
        """Return a value with its unit, rounded to three digits."""
        return self.number(value) if math.isinf(value) else f"{self.number(value)} {self.unit}".rstrip()


MEASURES: Final = (
    Measure("error_p95_ms", "error to the leader (p95)", "ms", lambda run: run.error_p95_ms),
    Measure("error_max_ms", "error to the leader (worst)", "ms", lambda run: run.error_max_ms),
    Measure("pair_p95_ms", "pair difference (p95)", "ms", lambda run: run.pair_p95_ms),
    Measure("tight_pair_p95_ms", "tight-pair difference (p95)", "ms", lambda run: run.tight_pair_p95_ms),
    Measure("join_s", "join time", "s", lambda run: run.join_s),
    Measure("rejoin_s", "return after a power cut", "s", lambda run: run.rejoin_s),
    Measure("cue_lateness_ms", "cue lateness", "ms", lambda run: run.cue_lateness_ms),
    Measure("wrong_frame_share", "wrong-frame share", "%", lambda run: run.wrong_frame_share),
    Measure("visible_steps", "visible jumps", "", lambda run: float(run.visible_steps)),
    Measure("airtime_share", "airtime", "%", lambda run: run.airtime_share),
)


def _digits(value: float, digits: int = 3) -> str:
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


# --- Several runs at one interval -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spread:
    """A measure over the seeds of one interval: median, least and most."""

    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A target missed at one interval: by how much in the worst seed, and in how many of them."""

    measure: Measure
    target: float
    worst: float
    missed: int
    runs: int

    @property
    def excess(self) -> float:
        """How many times the target the worst run is; infinite where the target is zero."""
        return self.worst / self.target if self.target else math.inf

    def told(self) -> str:
        """Return what is missed, by how much and how often."""
        measure = self.measure
        reaches = f"{measure.name}, {measure.told(self.worst)} where {measure.told(self.target)} is allowed"
        if self.excess < 2:
            reaches += f" ({_digits((self.excess - 1) * 100, 2)} % too much)"
        elif not math.isinf(self.excess):
            reaches += f" ({_digits(self.excess, 2)} times as much)"
        return f"{reaches}, in {self.missed} of {_runs(self.runs)}"


@dataclass(frozen=True, slots=True)
class Standing:
    """How one interval did in all the runs that were made of it."""

    interval_s: float
    runs: tuple[RunFigures, ...]
    shortfalls: tuple[Shortfall, ...]

    def spread(self, measure: Measure) -> Spread | None:
        """Return a measure over the seeds, or ``None`` where the scenario has nothing of the kind."""
        values = [value for run in self.runs if (value := measure.value(run)) is not None]
        return Spread(statistics.median(values), min(values), max(values)) if values else None


def standings(runs: Iterable[RunFigures], targets: Mapping[str, float]) -> list[Standing]:
    """Return one standing for each interval, by rising interval, whatever the order of the runs."""
    by_interval: dict[float, list[RunFigures]] = {}
    for run in runs:
        by_interval.setdefault(run.interval_s, []).append(run)
    return [
        Standing(interval, ordered, tuple(_shortfalls(ordered, targets)))
        for interval, of_interval in sorted(by_interval.items())
        for ordered in [tuple(sorted(of_interval, key=lambda run: run.seed))]
    ]


def _shortfalls(runs: Sequence[RunFigures], targets: Mapping[str, float]) -> Iterable[Shortfall]:
    for measure in MEASURES:
        if measure.key not in targets:
            continue
        target = targets[measure.key]
        values = [value for run in runs if (value := measure.value(run)) is not None]
        missed = [value for value in values if value > target]
        if missed:
            yield Shortfall(measure, target, max(missed), len(missed), len(values))


# --- The recommendation -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The answer in plain words. ``interval_s`` is the interval to take, or where none will do the nearest to it."""

    interval_s: float
    meets_targets: bool
    headline: str
    sentences: tuple[str, ...]


def recommend(found: Sequence[Standing], targets: Mapping[str, float]) -> Recommendation:
    """Return which interval to take: the longest that meets every target in every run.

    ``found`` holds at least one interval, by rising interval, each with all its runs.
    """
    meeting = [standing for standing in found if not standing.shortfalls]
    if not meeting:
        return _none_will_do(found)
    best = meeting[-1]
    at = found.index(best)
    runs = len(best.runs)
    airtime = max(run.airtime_share for run in best.runs)
    every_run = "in the one run made of it" if runs == 1 else f"in every one of its {runs} runs"
    others = [run.airtime_share for standing in meeting[:-1] for run in standing.runs]
    least = ", the least of those that do" if others and airtime <= min(others) else ""
    sentences = [
        f"It is the longest interval tried that meets every target {every_run}. Timing then takes at most "
        f"{_digits(airtime * 100)} % of the channel's time{least}."
    ]
    closest = _closest(best, targets)
    if closest:
        sentences.append(closest)
    if at + 1 < len(found):
        sentences.append(_fails(found[at + 1]))
    else:
        sentences.append("No longer interval was tried, so a longer one may do as well.")
    if at and found[at - 1].shortfalls:
        sentences.append(f"Shorter is not better here: {_fails(found[at - 1])}")
    sentences += [*_late_cues(found, at, targets), *_jumps(found, at), _how_sure(runs)]
    headline = f"Recommended beacon interval: {best.interval_s:g} s."
    return Recommendation(best.interval_s, True, headline, tuple(sentences))


def _none_will_do(found: Sequence[Standing]) -> Recommendation:
    def distance(standing: Standing) -> tuple[float, int, float]:
        # Of two that miss by as much, the one that misses fewer targets; then the longer, which costs less.
        worst = max(shortfall.excess for shortfall in standing.shortfalls)
        return worst, len(standing.shortfalls), -standing.interval_s

    best = min(found, key=distance)
    worst = max(best.shortfalls, key=lambda shortfall: shortfall.excess)
    sentences = [
        f"{'Nearest to them is ' if len(found) > 1 else ''}{best.interval_s:g} s"
        f"{', which' if len(found) > 1 else ''} fails by {worst.told()}."
    ]
    sentences += [f"It also fails by {other.told()}." for other in best.shortfalls if other is not worst]
    everywhere = [
        measure.name
        for measure in MEASURES
        if all(measure.key in {each.measure.key for each in standing.shortfalls} for standing in found)
    ]
    if everywhere and len(found) > 1:
        sentences.append(
            f"Every interval misses the target for {' and '.join(everywhere)}, so the cause lies elsewhere than in the "
            f"interval."
        )
    sentences.append(_how_sure(len(best.runs)))
    if len(found) == 1:
        headline = "The only interval tried does not meet every target."
    else:
        headline = f"None of the {len(found)} intervals tried meets every target."
    return Recommendation(best.interval_s, False, headline, tuple(sentences))


def _closest(standing: Standing, targets: Mapping[str, float]) -> str | None:
    """Say which target has the least room left."""
    used = [
        (spread.high / targets[measure.key], measure, spread.high)
        for measure in MEASURES
        if targets.get(measure.key) and (spread := standing.spread(measure)) is not None
    ]
    if not used:
        return None
    share, measure, value = max(used, key=lambda one: one[0])
    return (
        f"Closest to its limit is {measure.name}: {measure.told(value)} of {measure.told(targets[measure.key])} "
        f"({share * 100:.0f} %) in the worst run."
    )


def _fails(standing: Standing) -> str:
    worst = max(standing.shortfalls, key=lambda shortfall: shortfall.excess)
    others = len(standing.shortfalls) - 1
    more = f", and {others} other target{'s' if others > 1 else ''}" if others else ""
    return f"{standing.interval_s:g} s fails by {worst.told()}{more}."


def _late_cues(found: Sequence[Standing], at: int, targets: Mapping[str, float]) -> Iterable[str]:
    """Say what cue lateness was where nobody asked, if it is beyond what is asked of the error."""
    if "cue_lateness_ms" in targets:
        return
    latest = [max(run.cue_lateness_ms for run in standing.runs) for standing in found]
    if latest[at] <= targets["error_p95_ms"]:
        return
    told = f"No target is set for cue lateness: at {found[at].interval_s:g} s a cue came {_digits(latest[at])} ms late"
    shorter = min(range(at + 1), key=lambda index: latest[index])
    if shorter != at:
        told += f", at {found[shorter].interval_s:g} s never more than {_digits(latest[shorter])} ms"
    yield f"{told}. --target-cue-ms sets one."


def _jumps(found: Sequence[Standing], at: int) -> Iterable[str]:
    most = [max(run.visible_steps for run in standing.runs) for standing in found]
    if not most[at]:
        return
    told = f"Jumps of a frame or more can be seen at it, up to {most[at]} in a run"
    fewest = min(range(len(found)), key=lambda index: most[index])
    if most[fewest] == most[at]:
        yield f"{told}; no other interval tried has fewer." if len(found) > 1 else f"{told}."
    else:
        yield f"{told}; at {found[fewest].interval_s:g} s there are no more than {most[fewest]}."


def _how_sure(runs: int) -> str:
    # An evening that fails one time in five passes n times running with probability 0.8^n.
    passing = f"{0.8**runs * 100:.0f} %" if runs < 20 else "about 1 %" if runs == 20 else "less than 1 %"
    seen = "One run at each interval is one evening"
    if runs > 1:
        seen = f"{runs} runs at each interval are {runs} evenings"
    would = "one run would still pass" if runs == 1 else f"{runs} runs would all pass"
    return (
        f"{seen} of one modelled place, not a statement of confidence: if one evening in five went wrong, {would} "
        f"{passing} of the time. More seeds say more."
    )


def _runs(count: int) -> str:
    return f"{count} run{'' if count == 1 else 's'}"


# --- The access point's own rhythm ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Beat:
    """An interval that nearly falls into step with the access point's own beacons."""

    interval_s: float
    multiple: int

    def told(self) -> str:
        """Return the warning, with its reason and two intervals that are clear of it."""
        near = self.multiple * ACCESS_POINT_BEACON_S
        slip_s = abs(self.interval_s - near)
        if slip_s < 1e-9:
            length = "for as long as both run"
        else:
            length = f"for {_digits(ACCESS_POINT_BEACON_S / slip_s * self.interval_s)} s on end"
        dither_s = min(DITHER_SHARE * self.interval_s, DITHER_MAXIMUM_NS / SECOND)
        covered = min(1.0, dither_s / ACCESS_POINT_BEACON_S)
        swept = "all" if covered > 0.999 else f"{covered * 100:.0f} %"
        below = math.floor(near * (1 - BEAT_WITHIN) * 100) / 100
        above = math.ceil(near * (1 + BEAT_WITHIN) * 100) / 100
        close = "is" if slip_s < 1e-9 else f"is close to {near:g} s,"
        return (
            f"{self.interval_s:g} s {close} {_times(self.multiple)} the 102.4 ms at which an access "
            f"point sends its own beacons. Our beacons then meet the same moment of its rhythm {length}, and wait the "
            f"same time for it: a constant delay of up to 100 ms, which no follower can tell from a clock error. "
            f"Dither, a random wait of up to {dither_s * 1000:.0f} ms before each beacon, helps: it sweeps {swept} of "
            f"that rhythm. {below:g} s and {above:g} s are clear of it."
        )


def beat_of(interval_s: float) -> Beat | None:
    """Return the beat of an interval within 2 % of 1 to 10 access-point beacon intervals, else ``None``."""
    multiple = round(interval_s / ACCESS_POINT_BEACON_S)
    near = multiple * ACCESS_POINT_BEACON_S
    if not 1 <= multiple <= BEAT_MULTIPLE_MAXIMUM or abs(interval_s - near) > BEAT_WITHIN * near:
        return None
    return Beat(interval_s, multiple)


def _times(multiple: int) -> str:
    return {1: "once", 2: "twice"}.get(multiple, f"{multiple} times")
