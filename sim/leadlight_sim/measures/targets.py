"""What is told of an evening, and the most that each of it may be: one definition for every command that judges.

What a target is set for is *light*, as the crowd sees it. Clocks have measures of their own names; they are judged in
the light's place only where no show was ever on, so that there was nothing to see. A target on pairs is for the worst
pair, and one on pieces for the worst piece.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar

from leadlight_sim.measures.rehearsal import Rehearsal
from leadlight_sim.measures.scores import FollowerScore, Percentiles, was_show_on
from leadlight_sim.scenario import Scenario

Run = TypeVar("Run")
Place = tuple[str, float]
"""Whose value it is, by name (a pair's two; nothing for everybody's), and the value."""
NEVER: Final = math.inf
"""The value of what was never reached or never scored."""


@dataclass(frozen=True, slots=True)
class Measure(Generic[Run]):
    """One thing that is told of every run.

    ``name`` begins a sentence's object, ``short`` is for where there is little room, ``unit`` ends a number; a share
    has the unit %. ``places`` gives its values by piece, pair or whole: none where there is nothing of the kind.
    ``limit`` gives the most it may be. ``instead_of`` names the measure whose limit counts for this one where that one
    has no value.
    """

    key: str
    name: str
    short: str
    unit: str
    places: Callable[[Run], Iterable[Place]]
    limit: Callable[[Scenario], float | None] = lambda _: None
    instead_of: str | None = None

    @property
    def titled(self) -> str:
        """The short name with the unit, as a heading."""
        return f"{self.short}, {self.unit}" if self.unit else self.short

    def number(self, value: float, digits: int = 3) -> str:
        """Return a value without its unit, rounded to so many digits."""
        if math.isinf(value):
            return "never"
        return digits_of(value * 100 if self.unit == "%" else value, digits)

    def told(self, value: float) -> str:
        """Return a value with its unit, rounded to three digits."""
        return self.number(value) if math.isinf(value) else f"{self.number(value)} {self.unit}".rstrip()


def digits_of(value: float, digits: int = 3) -> str:
    """Return a number rounded to so many digits."""
    if value and abs(value) < 0.001:
        return f"{value:.1g}"
    return f"{value:.0f}" if abs(value) >= 10 ** (digits - 1) else f"{value:.{digits}g}"


# --- What is measured of a rehearsal ----------------------------------------------------------------------------------


def _or_never(value: float | None) -> float:
    return NEVER if value is None or math.isnan(value) else value


def _light(rehearsal: Rehearsal, value: Callable[[Percentiles], float]) -> Iterable[Place]:
    for score in rehearsal.scores.followers if was_show_on(rehearsal.scores) else ():
        # Nothing is said of a piece that was known, but never while a show was on.
        if math.isnan(score.error_ms.p95) or not math.isnan(score.dark_share):
            yield score.name, _or_never(value(score.light_ms))


def _each(value: Callable[[FollowerScore], float | None]) -> Callable[[Rehearsal], Iterable[Place]]:
    return lambda rehearsal: [(score.name, _or_never(value(score))) for score in rehearsal.scores.followers]


def _pair(rehearsal: Rehearsal) -> Iterable[Place]:
    scores = rehearsal.scores
    if was_show_on(rehearsal.scores) and len(scores.followers) > 1:
        yield " and ".join(scores.worst_light_pair or ()), _or_never(scores.worst_light_pair_ms.p95)


def _clock_pair(rehearsal: Rehearsal) -> Iterable[Place]:
    scores = rehearsal.scores
    if len(scores.followers) > 1:
        yield " and ".join(scores.worst_pair or ()), _or_never(scores.worst_pair_ms.p95)


def _tight(pairs: Sequence[tuple[str, str, Percentiles]]) -> Iterable[Place]:
    return [(f"{first} and {second}", _or_never(gap.p95)) for first, second, gap in pairs]


def _joined_in_show(rehearsal: Rehearsal) -> Iterable[Place]:
    # Nobody sees a board that comes right before there is anything to see.
    first_s = min(cue.at_s for cue in rehearsal.scenario.cues)
    for score in rehearsal.scores.followers:
        is_before = score.joined_at_s is not None and score.joined_at_s <= first_s
        yield score.name, 0.0 if is_before else _or_never(score.join_s)


def _returns(rehearsal: Rehearsal) -> Iterable[Place]:
    return [(score.name, _or_never(taken)) for score in rehearsal.scores.followers for taken in score.rejoin_s]


def _jumps(rehearsal: Rehearsal) -> Iterable[Place]:
    return [("", float(sum(score.visible_steps for score in rehearsal.scores.followers)))]


MEASURES: Final[tuple[Measure[Rehearsal], ...]] = (
    Measure(
        "light_p95_ms", "distance of light from the music (p95)", "light, p95", "ms",
        lambda run: _light(run, lambda light: light.p95), lambda scenario: scenario.error_target_ms,
    ),
    Measure(
        "light_max_ms", "furthest moment of light", "light, furthest", "ms",
        lambda run: _light(run, lambda light: light.max),
    ),
    Measure(
        "pair_p95_ms", "difference of the worst pair (p95)", "pair, p95", "ms",
        _pair, lambda scenario: scenario.targets.pair_ms,
    ),
    Measure(
        "tight_pair_p95_ms", "difference of the worst tight pair (p95)", "tight pair, p95", "ms",
        lambda run: _tight(run.scores.tight_light_pairs) if was_show_on(run.scores) else (),
        lambda scenario: scenario.targets.tight_pair_ms,
    ),
    Measure(
        "wrong_frame_share", "wrong-frame share", "wrong frame", "%",
        _each(lambda score: score.wrong_frame_share), lambda scenario: scenario.targets.wrong_frame_share,
    ),
    Measure("visible_steps", "visible jumps", "visible jumps", "", _jumps, lambda _: 0.0),
    Measure(
        "cue_lateness_ms", "cue lateness", "cue lateness", "ms",
        _each(lambda score: None if score.missed_cues else score.cue_lateness_ms),
        lambda scenario: scenario.targets.cue_ms,
    ),
    Measure(
        "seen_joining_s", "time to join once the first cue was due", "joining, seen", "s",
        _joined_in_show, lambda scenario: scenario.targets.join_s,
    ),
    Measure(
        "rejoin_s", "return after a power cut", "return", "s", _returns, lambda scenario: scenario.targets.recover_s
    ),
    Measure(
        "over_capacity", "radio asked for more than it carries", "over capacity", "",
        lambda run: [("", float(run.over_capacity))], lambda _: 0.0,
    ),
    Measure(
        "airtime_share", "airtime", "airtime", "%",
        lambda run: [("", run.scores.airtime_share)], lambda scenario: scenario.targets.airtime_share,
    ),
    Measure("join_s", "join time", "join time", "s", _each(lambda score: score.join_s)),
    Measure(
        "clock_p95_ms", "error of the worst clock (p95)", "clock, p95", "ms",
        _each(lambda score: score.error_ms.p95), instead_of="light_p95_ms",
    ),
    Measure(
        "clock_pair_p95_ms", "difference of the worst pair of clocks (p95)", "clock pair, p95", "ms",
        _clock_pair, instead_of="pair_p95_ms",
    ),
    Measure(
        "clock_tight_pair_p95_ms", "difference of the clocks of the worst tight pair (p95)", "tight clocks, p95", "ms",
        lambda run: _tight(run.scores.tight_pairs), instead_of="tight_pair_p95_ms",
    ),
)  # fmt: skip


# --- One run's figures, and what they miss ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Figures:
    """What is kept of one run: of every measure that it has the worst value, by key, and whose that is."""

    values: Mapping[str, float]
    whose: Mapping[str, str]
    trace_hash: str = ""

    @classmethod
    def of(cls, run: Run, measures: Sequence[Measure[Run]], trace_hash: str = "") -> Figures:
        """Return a run's figures."""
        worst = {
            measure.key: max(places, key=lambda place: place[1])
            for measure in measures
            if (places := list(measure.places(run)))
        }
        values = {key: value for key, (_, value) in worst.items()}
        return cls(values, {key: who for key, (who, _) in worst.items() if who}, trace_hash)

    def to_json(self) -> dict[str, Any]:
        """Return plain values; ``None`` for what was never reached or scored."""
        values = {key: None if math.isinf(value) else value for key, value in self.values.items()}
        return {"values": values, "whose": dict(self.whose), "trace_hash": self.trace_hash}

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> Figures:
        """Return what ``to_json`` gave. Raises ``KeyError``, ``TypeError`` or ``ValueError`` for anything else."""
        values = {str(key): NEVER if value is None else float(value) for key, value in plain["values"].items()}
        return cls(values, {str(key): str(who) for key, who in plain["whose"].items()}, str(plain["trace_hash"]))


@dataclass(frozen=True, slots=True)
class Miss:
    """A target that a run missed: the worst value, and whose it is."""

    measure: Measure[Any]
    limit: float
    value: float
    whose: str

    @property
    def excess(self) -> float:
        """How many times the limit it is; infinite where the limit is zero."""
        return self.value / self.limit if self.limit else math.inf


def figures_of(rehearsal: Rehearsal) -> Figures:
    """Return what is kept of a rehearsal."""
    return Figures.of(rehearsal, MEASURES, rehearsal.trace_hash)


def limits_of(scenario: Scenario) -> dict[str, float]:
    """Return the most that each measure may be, by its key: the scenario's targets."""
    return {measure.key: limit for measure in MEASURES if (limit := measure.limit(scenario)) is not None}


def limit_for(measure: Measure[Any], values: Mapping[str, float], limits: Mapping[str, float]) -> float | None:
    """Return the limit that a measure is held to beside the others of its run; ``None`` for none."""
    if measure.instead_of is not None and measure.instead_of not in values:
        return limits.get(measure.instead_of)
    return limits.get(measure.key)


def misses_of(figures: Figures, limits: Mapping[str, float], measures: Sequence[Measure[Any]] = MEASURES) -> list[Miss]:
    """Return every target that a run missed. A value at its limit meets it."""
    return [
        Miss(measure, limit, value, figures.whose.get(measure.key, ""))
        for measure in measures
        if (value := figures.values.get(measure.key)) is not None
        and (limit := limit_for(measure, figures.values, limits)) is not None
        and value > limit
    ]
