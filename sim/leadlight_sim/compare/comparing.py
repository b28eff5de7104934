"""Differences by pairs of evenings: the same seed gives each scenario the same chances, so that what differs is theirs.

What is told of a difference is the median over evenings, with an interval that assumes nothing of how evenings are
distributed. Two of the ordered differences (H. David and H. Nagaraja, "Order Statistics", 7.1). A value that was never
reached is larger than any other. All intervals of one comparison hold together (C. Bonferroni 1936).
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from scipy import stats

from leadlight_sim.measures import Figures, Measure, limit_for, misses_of
from leadlight_sim.scenario import Scenario

EVENINGS: Final = 20
EVENINGS_MAXIMUM: Final = 10_000
CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Variant:
    """One scenario of a comparison, by the name under which it is told."""

    name: str
    scenario: Scenario


@dataclass(frozen=True, slots=True)
class Difference:
    """A measure of the second less that of the first, by evenings: the median and its interval.

    ``first`` and ``second`` are their own medians. An interval is unbounded where there are too few evenings for one.
    """

    measure: Measure[Any]
    first: float
    second: float
    median: float
    low: float
    high: float

    @property
    def is_real(self) -> bool:
        """Whether the interval leaves out that there is none."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True)
class Standing:
    """One variant by one measure: its median, the most that it may be, and in how many evenings it was more."""

    median: float
    limit: float | None
    missed: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a comparison came to: of every pair of variants, by their numbers, the differences of all measures.

    ``standings`` are those of every variant, by a measure's key.
    """

    variants: tuple[Variant, ...]
    evenings: int
    pairs: Mapping[tuple[int, int], tuple[Difference, ...]]
    missed: tuple[int, ...] | None
    """In how many evenings each variant missed a target; ``None`` where targets are not what is judged by."""
    standings: Mapping[str, tuple[Standing, ...]]


def interval_of_median(differences: Sequence[float], error: float) -> tuple[float, float]:
    """Return the interval that leaves out the median with a probability of ``error`` at most."""
    ordered = sorted(differences)
    count = len(ordered)
    # The largest place from either end at which chance, a fair coin for each evening, still does not reach.
    place = int(stats.binom.ppf(error / 2, count, 0.5))
    while place > 0 and 2 * stats.binom.cdf(place - 1, count, 0.5) > error:
        place -= 1
    if place == 0:
        return -math.inf, math.inf
    return ordered[place - 1], ordered[count - place]


def compared(
    variants: Sequence[Variant],
    found: Sequence[Sequence[Figures]],
    measures: Sequence[Measure[Any]],
    limits: Sequence[Mapping[str, float]] | None = None,
) -> Comparison:
    """Return the differences of variants. ``found`` has the figures of each, one an evening, in the same order.

    ``limits``, where given, are the targets of each variant.
    """
    pairs = list(itertools.combinations(range(len(variants)), 2))
    told = [measure for measure in measures if all(measure.key in each.values for own in found for each in own)]
    error = (1 - CONFIDENCE) / max(len(pairs) * len(told), 1)
    differences = {
        (first, second): tuple(_difference(measure, found[first], found[second], error) for measure in told)
        for first, second in pairs
    }
    missed = None
    if limits is not None:
        missed = tuple(
            sum(bool(misses_of(figures, own, measures)) for figures in each)
            for each, own in zip(found, limits, strict=True)
        )
    held = limits or [{}] * len(variants)
    standings = {
        measure.key: tuple(_standing(measure, own, limit) for own, limit in zip(found, held, strict=True))
        for measure in told
    }
    return Comparison(tuple(variants), len(found[0]), differences, missed, standings)


def _standing(measure: Measure[Any], found: Sequence[Figures], limits: Mapping[str, float]) -> Standing:
    values = [figures.values[measure.key] for figures in found]
    held = [limit_for(measure, figures.values, limits) for figures in found]
    missed = sum(limit is not None and value > limit for value, limit in zip(values, held, strict=True))
    return Standing(_median(values), held[0], missed)


def _difference(measure: Measure[Any], first: Sequence[Figures], second: Sequence[Figures], error: float) -> Difference:
    before = [figures.values[measure.key] for figures in first]
    after = [figures.values[measure.key] for figures in second]
    # Two that were never reached do not differ, nor two that are equal but for rounding.
    differences = [
        0.0 if math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9) else b - a for a, b in zip(before, after, strict=True)
    ]
    low, high = interval_of_median(differences, error)
    return Difference(measure, _median(before), _median(after), _median(differences), low, high)


def _median(values: Sequence[float]) -> float:
    # Of values that exist: the middle of one that is never and one that is not would be neither.
    return statistics.median_low(values)
