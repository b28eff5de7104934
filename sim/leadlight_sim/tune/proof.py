"""What so many evenings prove: exact binomial tests of a size that is fixed before the first evening of the test.

A test looked at after every evening until it passes would call a share of a twentieth good in one case of eight or
more. So a test has its number of evenings, and of misses that it may have. And the tests of one sweep share the chance
of error among them (C. Bonferroni 1936). Half of it for the first candidate, a quarter for the second, and so on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from scipy import stats

MISSES_ALLOWED: Final = (0, 1, 3, 5)
"""The sizes of tests, by how many evenings may miss a target."""
LIKELY_FAILED: Final = 0.05
"""Where exploration shows so many misses that chance alone would explain them less often than this, it is left."""
RATIO_CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Size:
    """How many evenings a test has, and how many of them may miss a target."""

    evenings: int
    misses: int


@cache
def size_of(misses: int, share: float, level: float) -> Size:
    """Return the test that allows so many misses and is the shortest to prove a share at a level of error.

    Passing it has a probability of at most ``level`` wherever evenings miss in more than ``share`` of cases: the exact
    binomial tail, C. Clopper and E. Pearson, Biometrika 26 (1934).
    """
    low, high = misses, max(2 * misses, 1)
    while stats.binom.cdf(misses, high, share) > level:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if stats.binom.cdf(misses, middle, share) > level:
            low = middle
        else:
            high = middle
    return Size(high, misses)


def size_for(seen_to_miss: int, share: float, level: float, evenings_maximum: float = math.inf) -> Size:
    """Return the size of a candidate's test, by how many evenings it missed in exploration.

    A candidate that missed more is given a longer test, which a good one passes more surely. ``evenings_maximum`` is
    what there is time for: a shorter test is taken then, down to the shortest.
    """
    wanted = min(1 + seen_to_miss, len(MISSES_ALLOWED) - 1)
    sizes = [size_of(misses, share, level) for misses in MISSES_ALLOWED[: wanted + 1]]
    fitting = [size for size in sizes if size.evenings <= evenings_maximum]
    return fitting[-1] if fitting else sizes[0]


def level_of(test: int, is_last: bool, error: float) -> float:
    """Return the chance of error that a test may have, the first by number 0: a half, a quarter and so on of ``error``.

    The last candidate there is has all that is left.
    """
    return error * 0.5 ** (test if is_last else test + 1)


@cache
def has_likely_failed(misses: int, evenings: int, share: float) -> bool:
    """Return whether exploration shows more misses than a share explains."""
    # A hair less, for what is equal but for rounding.
    return bool(misses and stats.binom.sf(misses - 1, evenings, share) < LIKELY_FAILED * (1 - 1e-9))


def share_at_most(misses: int, evenings: int, level: float) -> float:
    """Return the share that is exceeded with an error of ``level`` at most, after so many misses (Clopper, Pearson)."""
    return 1.0 if misses >= evenings else float(stats.beta.ppf(1 - level, misses + 1, evenings - misses))


def share_interval(misses: int, evenings: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the two-sided interval of a share (Clopper, Pearson)."""
    error = (1 - confidence) / 2
    low = 0.0 if misses == 0 else float(stats.beta.ppf(error, misses, evenings - misses + 1))
    return low, share_at_most(misses, evenings, error)


def ratio_interval(first: Sequence[float], second: Sequence[float]) -> tuple[float, float]:
    """Return the interval of how many times ``first`` is ``second``, by pairs: Student's, of the ratios' logarithms."""
    logarithms = np.log(np.asarray(first)) - np.log(np.asarray(second))
    middle = float(logarithms.mean())
    if len(logarithms) < 2:
        return 0.0, math.inf
    reach = _student(len(logarithms) - 1) * float(logarithms.std(ddof=1)) / math.sqrt(len(logarithms))
    return math.exp(middle - reach), math.exp(middle + reach)


@cache
def _student(freedom: int) -> float:
    return float(stats.t.ppf(0.5 + RATIO_CONFIDENCE / 2, freedom))
