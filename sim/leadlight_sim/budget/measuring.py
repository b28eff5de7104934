"""Short rehearsals of a scenario, with everything and with one cause taken away at a time.

The same seed gives every rehearsal the same random streams, so that the difference of two is what the cause did and not
which evening it was. The spread of such differences over seeds is far less than that of evenings (common random
numbers; A. Law, "Simulation Modeling and Analysis", on variance reduction).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from leadlight import LeadlightError
from leadlight.errors import ConfigurationError
from leadlight.units import SECOND
from leadlight_sim.budget.causes import Cause, air_without, host_without, scenario_without
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures import Scorer
from leadlight_sim.runs import on_processes
from leadlight_sim.scenario import Scenario
from leadlight_sim.world import World

SEEDS: Final = 8
SEEDS_MINIMUM: Final = 2
SEEDS_MAXIMUM: Final = 1000
DURATION_S: Final = 180.0
SETTLED_S: Final = 60.0
"""Each rehearsal lasts three minutes, of which the last two count."""
ERRORS_APART: Final = 2.0
"""What is not this many standard errors from nothing is not distinguishable from it."""
EVERYTHING: Final = frozenset(Cause)


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean over seeds, and its standard error."""

    value: float
    error: float

    @classmethod
    def of(cls, values: Sequence[float]) -> Mean:
        """Return the mean of values, one a seed: two of them or more."""
        return cls(float(np.mean(values)), float(np.std(values, ddof=1)) / math.sqrt(len(values)))

    @property
    def is_distinguishable(self) -> bool:
        """Whether it is further from nothing than chance explains."""
        return abs(self.value) > ERRORS_APART * self.error


@dataclass(frozen=True, slots=True)
class Effect:
    """What the worst piece and the worst pair come to in light (p95, ms) without a cause, and what that gains.

    ``cause`` is ``None`` where all of them were taken away. ``pair`` and ``pair_gain`` are ``None`` with one piece.
    """

    cause: Cause | None
    piece: Mean
    piece_gain: Mean
    pair: Mean | None
    pair_gain: Mean | None

    @property
    def gain(self) -> Mean:
        """What it gains for the worst pair, or for the only piece."""
        return self.piece_gain if self.pair_gain is None else self.pair_gain


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured: p95 of light in ms, as means over seeds.

    ``pieces`` and ``clocks`` are in the scenario's order, ``tight`` in the order of its tight pairs. ``worst_pair`` is
    the pair that was the worst most often. ``rate_ppm`` is the rms error of learnt rates at the end, ``airtime_share``
    what timing took of the channel once pieces had settled.
    """

    seeds: int
    duration_s: float
    piece: Mean
    pair: Mean | None
    effects: tuple[Effect, ...]
    pieces: tuple[Mean, ...]
    clocks: tuple[Mean, ...]
    tight: tuple[Mean, ...]
    worst_pair: tuple[str, str] | None
    rate_ppm: float
    airtime_share: float


@dataclass(frozen=True, slots=True)
class _Figures:
    """One rehearsal's figures, as ``Measured`` has them."""

    pieces: tuple[float, ...]
    clocks: tuple[float, ...]
    tight: tuple[float, ...]
    pair: float
    worst_pair: tuple[str, str] | None
    rates_ppm: tuple[float, ...]
    airtime_share: float

    @property
    def piece(self) -> float:
        return max(self.pieces)


def measure(
    scenario: Scenario,
    seeds: int = SEEDS,
    jobs: int = 1,
    progress: Callable[[float], None] | None = None,
    duration_s: float = DURATION_S,
) -> Measured:
    """Rehearse a scenario without its faults, with everything and without each cause, ``jobs`` at a time.

    Seeds count up from the scenario's own. ``progress`` is called with the share done. Raises ``ConfigurationError``,
    or ``LeadlightError`` where a piece cannot hear the leader or never comes into step.
    """
    if not SEEDS_MINIMUM <= seeds <= SEEDS_MAXIMUM:
        raise ConfigurationError("--seeds", seeds, f"{SEEDS_MINIMUM} to {SEEDS_MAXIMUM}")
    if jobs < 1:
        raise ConfigurationError("--jobs", jobs, "1 or more")
    if scenario.air.client_isolation and not scenario.leader.wired:
        raise LeadlightError("air.client_isolation: no board can hear a leader that is on Wi-Fi itself; use a cable")
    steady = _steady(scenario, duration_s)
    taken_away = [frozenset[Cause](), *(frozenset({cause}) for cause in Cause), EVERYTHING]
    plan = [(steady, steady.run.seed + number, gone) for number in range(seeds) for gone in taken_away]
    found: list[_Figures] = []

    def gather(results: Iterable[_Figures]) -> None:
        for figures in results:
            found.append(figures)
            if progress is not None:
                progress(len(found) / len(plan))

    if jobs == 1:
        gather(_rehearsed(*each) for each in plan)
    else:
        with on_processes(min(jobs, len(plan))) as workers:
            gather(workers.executor.map(_rehearsed, *zip(*plan, strict=True)))
    by_cause = [found[place :: len(taken_away)] for place in range(len(taken_away))]
    return _summed_up(scenario, by_cause, duration_s)


def _steady(scenario: Scenario, duration_s: float) -> Scenario:
    """Return a scenario in which nothing goes wrong and one show is on from the first second to the last."""
    show = min(scenario.shows, key=lambda one: one.frame_period_ms).model_dump(mode="json", exclude_unset=True)
    settle_s = min(scenario.run.settle_s, SETTLED_S)
    return scenario.with_changes(
        {
            "run.duration_s": duration_s,
            "run.settle_s": settle_s,
            "shows": [show | {"duration_s": 2 * duration_s}],
            "cues": [{"at_s": 1.0, "show": show["id"]}],
            "faults": [],
        }
    )


def _rehearsed(scenario: Scenario, seed: int, gone: frozenset[Cause]) -> _Figures:
    world = World(scenario_without(scenario, gone), seed, air=air_without(gone), host=host_without(gone))
    scorer = Scorer(world)
    scorer.run(TrueInstant(round(scenario.run.settle_s * SECOND)))
    airtime_ns, since = world.air.airtime_ns, world.kernel.now
    scorer.run(world.end)
    scores = scorer.scores()
    return _Figures(
        pieces=tuple(score.light_ms.p95 for score in scores.followers),
        clocks=tuple(score.error_ms.p95 for score in scores.followers),
        tight=tuple(gap.p95 for _, _, gap in scores.tight_light_pairs),
        pair=scores.worst_light_pair_ms.p95,
        worst_pair=scores.worst_light_pair,
        rates_ppm=tuple(_rate_errors_ppm(world)),
        airtime_share=(world.air.airtime_ns - airtime_ns) / max(world.end - since, 1),
    )


def _rate_errors_ppm(world: World) -> Iterable[float]:
    """Yield by how much each piece's learnt rate is off, against the two clocks themselves over a second."""
    end, later = world.end, TrueInstant(world.end + SECOND)
    led_ns = world.leader.local_at(later) - world.leader.local_at(end)
    for node in world.followers:
        served = node.follower.clock.served
        if served is not None:
            ran_ns = node.local_at(later) - node.local_at(end)
            yield 1e6 * (served.rate - (1 - led_ns / ran_ns))


def _summed_up(scenario: Scenario, by_cause: Sequence[Sequence[_Figures]], duration_s: float) -> Measured:
    whole, *without = by_cause
    names = [follower.name for follower in scenario.followers]
    for number, name in enumerate(names):
        if any(math.isnan(figures.pieces[number]) for figures in whole):
            raise LeadlightError(f"{name}: never came into step for long enough to be measured; rehearse to see why")
    has_pairs = len(names) > 1

    def effect(cause: Cause | None, figures: Sequence[_Figures]) -> Effect:
        both = list(zip(whole, figures, strict=True))
        return Effect(
            cause,
            Mean.of([each.piece for each in figures]),
            Mean.of([before.piece - after.piece for before, after in both]),
            Mean.of([each.pair for each in figures]) if has_pairs else None,
            Mean.of([before.pair - after.pair for before, after in both]) if has_pairs else None,
        )

    effects = [effect(cause, figures) for cause, figures in zip([*Cause, None], without, strict=True)]
    pairs = Counter(each.worst_pair for each in whole)
    rates = [rate for each in whole for rate in each.rates_ppm]
    return Measured(
        seeds=len(whole),
        duration_s=duration_s,
        piece=Mean.of([each.piece for each in whole]),
        pair=Mean.of([each.pair for each in whole]) if has_pairs else None,
        effects=tuple(effects),
        pieces=tuple(Mean.of(each) for each in zip(*(one.pieces for one in whole), strict=True)),
        clocks=tuple(Mean.of(each) for each in zip(*(one.clocks for one in whole), strict=True)),
        tight=tuple(Mean.of(each) for each in zip(*(one.tight for one in whole), strict=True)),
        worst_pair=pairs.most_common(1)[0][0],
        rate_ppm=math.sqrt(float(np.mean(np.square(rates)))),
        airtime_share=float(np.mean([each.airtime_share for each in whole])),
    )
