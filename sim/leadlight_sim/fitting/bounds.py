"""How well quantiles are known from a recording, whose packets resemble those before and after them.

1. How much the share of packets below a delay varies by chance is found by the circular block bootstrap (D. N. Politis
   and J. P. Romano, 1992): recordings put together of blocks of time drawn at random. For a share its variance is a sum
   over all blocks, so nothing need be drawn. How long a block is follows from how long delays resemble each other
   (D. N. Politis, H. White, Econometric Reviews 23, 2004, with the correction by A. Patton and both, 28, 2009).
2. That variance is the one of so many packets on their own. Their number counts for less where few blocks tell it, by
   Student's t (E. L. Korn, B. I. Graubard, Survey Methodology 24, 1998). Where one busy spell makes most of the
   variance few blocks do, however many there are: they count as unequal weights do (L. Kish, "Survey Sampling", 1965).
3. So many packets have an exact binomial bound, which is as lopsided as few slow packets make it. Read off the recorded
   delays it is the quantile's (R. S. Woodruff, JASA 47, 1952). It ends at the slowest packet: what is slower than that
   no recording tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log10, sqrt
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri
from scipy.stats import beta, rankdata
from scipy.stats import t as student

from leadlight.units import SECOND
from leadlight_sim.recording import Floats, Observed, Way

CONFIDENCE: Final = 0.95
TAIL: Final = (1 - CONFIDENCE) / 2
CELLS_MAXIMUM: Final = 600
"""Time is counted in so many steps."""
BLOCK_LEAST_NS: Final = 2 * SECOND
"""What waits behind a slow packet is as slow for up to a second, which shows in no other packet's delay."""
BLOCKS_MINIMUM: Final = 4
OUTWARD_STEPS: Final = 12
OUTWARD_LEAST: Final = 1e-4


@dataclass(frozen=True, slots=True)
class Known:
    """A quantile of a way's delays, and between what it lies with a confidence of 95 %, in ns."""

    value: float
    low: float
    high: float

    @property
    def spread(self) -> float:
        """Half the width of the bound, as a share of the value."""
        return (self.high - self.low) / 2 / self.value if self.value > 0 else 0.0


def quantiles_known(ways: Sequence[Way], shares: Sequence[float], block_ns: float | None = None) -> list[Known]:
    """Return quantiles of the delays of these packets, each with its bound; the same every time.

    ``block_ns`` is how long a block of time is, where more packets than these tell: see ``block_of``.
    """
    sent = np.concatenate([way.sent_ns[way.came] for way in ways])
    delays = np.concatenate([way.delays for way in ways])
    values = np.quantile(delays, shares)
    if len(sent) < 2 or np.ptp(sent) <= 0:
        return [Known(float(value), float(value), float(value)) for value in values]
    told = _Told(sent, delays, _block_ns([ways]) if block_ns is None else block_ns)
    found = []
    for share, value in zip(shares, values, strict=True):
        low, high = np.quantile(delays, told.bound(share))
        found.append(Known(float(value), float(min(low, value)), float(max(high, value))))
    return found


def block_of(observed: Observed) -> float:
    """Return how long blocks of a recording should last, in ns, by all of its packets."""
    kinds = [observed.ways(name) for name in ("up", "down", "group")]
    return _block_ns([kind for kind in kinds if any(way.came.any() for way in kind)])


class _Told:
    # How much a recording's packets tell of the share that is at most as slow as some of them.

    def __init__(self, sent: Floats, delays: Floats, block_ns: float) -> None:
        span_ns = float(np.ptp(sent))
        self._cells = _cells_for(len(sent))
        cell = _cell_of(sent, float(np.min(sent)), span_ns, self._cells)
        self._by_size = cell[np.argsort(delays, kind="stable")]
        self._packets = np.bincount(cell, minlength=self._cells).astype(np.float64)
        block_ns = min(max(block_ns, BLOCK_LEAST_NS), span_ns / BLOCKS_MINIMUM)
        self._block = max(1, round(block_ns / span_ns * self._cells))

    def bound(self, share: float) -> tuple[float, float]:
        # A delay is within the bound as long as its own share of packets is this one but for chance. Slow packets come
        # in spells, so that a share varies more there than at the quantile itself: the bound moves on until it holds.
        found = []
        for side in (0, 1):
            reached = share
            for _ in range(OUTWARD_STEPS):
                further = _binomial(share, self._alone(reached))[side]
                if abs(further - share) <= abs(reached - share) + OUTWARD_LEAST:
                    break
                reached = further
            found.append(reached)
        return found[0], found[1]

    def _alone(self, share: float) -> float:
        # How many packets on their own tell as much of this share.
        total = len(self._by_size)
        below = min(total - 1, max(1, round(share * total)))
        share = below / total
        faster = np.bincount(self._by_size[:below], minlength=self._cells) - share * self._packets
        sums = np.cumsum(np.concatenate([[0.0], faster, faster[: self._block]]))
        squares = (sums[self._block :] - sums[: -self._block])[: self._cells] ** 2
        blocks = self._cells / self._block
        # The share was had from these same blocks, so that they are too near to it.
        variance = float(np.mean(squares)) * blocks / (1 - 1 / blocks) / total**2
        alone = share * (1 - share)
        if variance <= alone / total:
            return float(total)
        unlike = float(np.mean(squares**2) / np.mean(squares) ** 2)
        freedom = min(max(1.0, blocks / unlike), blocks - 1)
        return float(alone / variance * (ndtri(1 - TAIL) / student.ppf(1 - TAIL, freedom)) ** 2)


def _binomial(share: float, packets: float) -> tuple[float, float]:
    # C. J. Clopper, E. S. Pearson, Biometrika 26, 1934.
    below, above = share * packets, (1 - share) * packets
    return float(beta.ppf(TAIL, below, above + 1)), float(beta.ppf(1 - TAIL, below + 1, above))


def _cells_for(packets: int) -> int:
    return int(min(CELLS_MAXIMUM, max(10, packets // 4)))


def _cell_of(sent: Floats, begin: float, span_ns: float, cells: int) -> npt.NDArray[np.int64]:
    found: npt.NDArray[np.int64] = np.minimum((sent - begin) / span_ns * cells, cells - 1).astype(np.int64)
    return found


def _block_ns(kinds: Sequence[Sequence[Way]]) -> float:
    # Delays count as ranks among those of their kind, so that one way is not a busy time beside another.
    sent = np.concatenate([way.sent_ns[way.came] for kind in kinds for way in kind])
    pooled = [np.concatenate([way.delays for way in kind]) for kind in kinds]
    scores = np.concatenate([ndtri((rankdata(delays) - 0.5) / len(delays)) for delays in pooled])
    cells, span_ns = _cells_for(len(sent)), float(np.ptp(sent))
    if span_ns <= 0:
        return float(BLOCK_LEAST_NS)
    cell = _cell_of(sent, float(np.min(sent)), span_ns, cells)
    packets = np.bincount(cell, minlength=cells)
    means = np.bincount(cell, weights=scores, minlength=cells) / np.maximum(packets, 1)
    about = np.where(packets > 0, means - np.mean(means[packets > 0]), 0.0)
    alike = np.correlate(about, about, "full")[cells - 1 :] / cells
    if alike[0] <= 0:
        return float(BLOCK_LEAST_NS)
    # The first of several spans at which delays no longer resemble each other more than by chance.
    by_chance = 2 * sqrt(log10(cells) / cells) * alike[0]
    unlike = np.abs(alike) < by_chance
    several = max(5, ceil(sqrt(log10(cells))))
    last = next((lag for lag in range(1, cells) if unlike[lag : lag + several].all()), cells) - 1
    if last == 0:
        return float(BLOCK_LEAST_NS)
    lags = np.arange(1, min(2 * last, cells // 2) + 1)
    weights = np.clip(2 * (1 - lags / len(lags)), 0.0, 1.0) * alike[lags]
    spectrum = alike[0] + 2 * float(np.sum(weights))
    bias = 2 * float(np.sum(lags * weights))
    if spectrum <= 0:
        return float(BLOCK_LEAST_NS)
    # For circular blocks D = 4/3 g²(0), and the best length is (2G²/D · n)^⅓.
    return float((1.5 * (bias / spectrum) ** 2 * cells) ** (1 / 3) * span_ns / cells)
