"""How good a fit is: what it draws against the seconds that it was not made of, and how well a recording knows them.

Odd seconds are fitted and even ones judged. What is judged is drawn by the air as a scenario would have it, so that a
fault on the way there shows as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtri
from scipy.stats import rankdata

from leadlight.errors import ConfigurationError
from leadlight.units import SECOND
from leadlight_sim.fitting.again import drawn_again
from leadlight_sim.fitting.air import Fit, fit
from leadlight_sim.fitting.bounds import Known, block_of, quantiles_known
from leadlight_sim.fitting.losses import LossRuns, loss_runs, together
from leadlight_sim.recording import Flags, Floats, Observed, Way

SHARES: Final = (0.5, 0.9, 0.99)
CURVE: Final = tuple(np.round(np.concatenate([np.linspace(0.01, 0.99, 99), [0.995, 0.998]]), 4).tolist())
LAGS_S: Final = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0)
WELL_KNOWN: Final = 0.10
"""A quantile that is known to a tenth is well known."""
STEADY_FACTOR: Final = 1.25
DRAWN_TIMES: Final = 2
DRAWN_TIMES_WITH_SPELLS: Final = 10
"""Where load or the hold comes and goes one draw has by chance more of it, another less."""
NAMES: Final = {"round_trip": "both ways", "up": "up", "down": "down", "group": "group"}


@dataclass(frozen=True, slots=True)
class WayJudged:
    """One way's delays in ns at SHARES: as recorded with bounds, in the seconds not fitted, and as the fit draws them.

    ``judged_curve`` and ``drawn_curve`` are the same at every share of CURVE. ``halves`` are the recording's first half
    and its second.
    """

    name: str
    packets: int
    known: tuple[Known, ...]
    judged: tuple[float, ...]
    drawn: tuple[float, ...]
    judged_curve: tuple[float, ...]
    drawn_curve: tuple[float, ...]
    halves: tuple[tuple[float, ...], tuple[float, ...]]

    @property
    def worst_ratio(self) -> float:
        """The drawn over the judged quantile that is farthest from 1, as a factor above 1."""
        ratios = [
            max(drawn / judged, judged / drawn)
            for drawn, judged in zip(self.drawn, self.judged, strict=True)
            if drawn > 0 and judged > 0
        ]
        return max(ratios, default=1.0)

    @property
    def inside(self) -> bool:
        """Whether every drawn quantile is within a tenth of the judged one, or no farther than chance has it.

        Each is of half of the recording: what they differ by is known to twice as much as a quantile of all of it.
        """
        return all(
            abs(drawn - judged)
            <= max(WELL_KNOWN * judged, 2 * (known.high - known.value), 2 * (known.value - known.low))
            for drawn, judged, known in zip(self.drawn, self.judged, self.known, strict=True)
        )

    @property
    def steady(self) -> bool:
        """Whether the two halves' medians and p90 are within a quarter of each other."""
        first, second = self.halves
        pairs = list(zip(first, second, strict=True))[:2]
        return all(a > 0 and b > 0 and max(a / b, b / a) <= STEADY_FACTOR for a, b in pairs)


@dataclass(frozen=True, slots=True)
class LossJudged:
    """Losses of one kind, recorded and drawn."""

    name: str
    recorded: LossRuns
    drawn: LossRuns


@dataclass(frozen=True, slots=True)
class Likeness:
    """How much delays a span apart resemble each other, recorded and drawn: rank correlation of one-second means."""

    lag_s: float
    recorded: float
    drawn: float


@dataclass(frozen=True, slots=True)
class Goodness:
    """A judged fit."""

    ways: tuple[WayJudged, ...]
    losses: tuple[LossJudged, ...]
    likeness: tuple[Likeness, ...]

    @property
    def longer_s(self) -> float | None:
        """How long a recording must be to know every quantile to a tenth; None if this one does. See ``widest``."""
        return None if self.widest is None else self._seconds * (self.widest[2].spread / WELL_KNOWN) ** 2

    @property
    def widest(self) -> tuple[str, float, Known] | None:
        """The quantile that is least known, if it is not known to a tenth: its way, its share, and its bound."""
        all_known = [
            (way.name, share, known)
            for way in self.ways
            for share, known in zip(SHARES, way.known, strict=True)
            if known.spread > WELL_KNOWN
        ]
        return max(all_known, key=lambda one: one[2].spread, default=None)

    _seconds: float = 0.0


def judge_fit(found: Fit, observed: Observed) -> Goodness:
    """Return how good a fit of a recording is; one too short for its odd seconds to be fitted is judged by all."""
    try:
        learnt = fit(observed.where(_is_odd))
        judged = observed.where(lambda at: ~_is_odd(at))
    except ConfigurationError:
        learnt, judged = found, observed
    has_spells = len(learnt.levels) > 1 or (learnt.hold is not None and 0 < learnt.hold.share < 1)
    times = DRAWN_TIMES_WITH_SPELLS if has_spells else DRAWN_TIMES
    draws = [drawn_again(learnt, observed, seed) for seed in range(1, times + 1)]
    block_ns = block_of(observed)
    ways = []
    for name in NAMES:
        whole = _with_any(observed.ways(name))
        even = _with_any(judged.ways(name))
        again = _with_any([way for one in draws for way in one.ways(name)])
        if whole and even and again and not (name in ("up", "down") and observed.hosts[0].halved):
            ways.append(_judged(NAMES[name], whole, even, again, observed.length_ns, block_ns))
    losses = []
    for name in ("group", "down", "up"):
        recorded = [loss_runs(way) for way in observed.ways(name)]
        if recorded:
            again_runs = [loss_runs(way) for one in draws for way in one.ways(name)]
            losses.append(LossJudged(NAMES[name], together(recorded), together(again_runs)))
    return Goodness(tuple(ways), tuple(losses), _likeness(observed, draws[0]), observed.length_ns / SECOND)


def _is_odd(at_ns: Floats) -> Flags:
    found: Flags = (at_ns // SECOND) % 2 == 1
    return found


def _with_any(ways: Sequence[Way]) -> list[Way]:
    return [way for way in ways if way.came.any()]


def _pooled(ways: Sequence[Way]) -> Floats:
    return np.concatenate([way.delays for way in ways])


def _judged(
    name: str, whole: Sequence[Way], even: Sequence[Way], again: Sequence[Way], length_ns: float, block_ns: float
) -> WayJudged:
    halves = []
    for is_second in (False, True):
        part = _with_any([way.where((way.sent_ns >= length_ns / 2) == is_second) for way in whole])
        halves.append(tuple(np.quantile(_pooled(part), SHARES).tolist()) if part else (math.nan,) * len(SHARES))
    judged, drawn = _pooled(even), _pooled(again)
    return WayJudged(
        name,
        sum(int(np.count_nonzero(way.came)) for way in whole),
        tuple(quantiles_known(whole, SHARES, block_ns)),
        tuple(np.quantile(judged, SHARES).tolist()),
        tuple(np.quantile(drawn, SHARES).tolist()),
        tuple(np.quantile(judged, CURVE).tolist()),
        tuple(np.quantile(drawn, CURVE).tolist()),
        (halves[0], halves[1]),
    )


def _likeness(observed: Observed, drawn: Observed) -> tuple[Likeness, ...]:
    spacing_s = max(LAGS_S[0], observed.length_ns / SECOND / 4000)
    recorded, again = (_correlations(one, spacing_s) for one in (observed, drawn))
    lags = [lag for lag in LAGS_S if lag >= spacing_s and lag <= observed.length_ns / SECOND / 4]
    return tuple(Likeness(lag, recorded(lag), again(lag)) for lag in lags)


def _correlations(observed: Observed, cell_s: float) -> Callable[[float], float]:
    # The mean rank of what was sent in each cell of time, and how it is correlated with that of a later cell.
    sums: dict[int, float] = {}
    counts: dict[int, int] = {}
    ways = _with_any([*observed.ways("up"), *observed.ways("down")]) or _with_any(observed.ways("group"))
    for way in ways:
        came = way.came
        scores = ndtri((rankdata(way.delay_ns[came]) - 0.5) / np.count_nonzero(came))
        cells = (way.sent_ns[came] / SECOND // cell_s).astype(int)
        for cell, score in zip(cells.tolist(), scores.tolist(), strict=True):
            sums[cell] = sums.get(cell, 0.0) + score
            counts[cell] = counts.get(cell, 0) + 1
    series = np.full(max(sums) + 1, np.nan)
    for cell, total in sums.items():
        series[cell] = total / counts[cell]

    def correlation(lag_s: float) -> float:
        lag = max(1, round(lag_s / cell_s))
        one, other = series[:-lag], series[lag:]
        both = ~np.isnan(one) & ~np.isnan(other)
        if np.count_nonzero(both) < 8 or np.ptp(one[both]) == 0 or np.ptp(other[both]) == 0:
            return math.nan
        return float(np.corrcoef(one[both], other[both])[0, 1])

    return correlation
