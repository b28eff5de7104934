"""How well quantiles are known from a recording, whose packets resemble those before and after them.

Blocks of time are drawn at random and put together to recordings that might have been (the circular block bootstrap of
D. N. Politis and J. P. Romano, 1992). Within a block packets keep their likeness. A block lasts some twenty times as
long as delays resemble each other. Where that makes few blocks of a recording, bounds are widened as Student's t has it
for so few.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtri
from scipy.stats import rankdata
from scipy.stats import t as student

from leadlight.units import SECOND
from leadlight_sim.recording import Floats, Way

CONFIDENCE: Final = 0.95
DRAWS: Final = 400
SEED: Final = 20
BLOCK_LEAST_NS: Final = 2 * SECOND
BLOCK_LIKENESSES: Final = 20.0
BLOCKS_MINIMUM: Final = 3
"""Both by `tests/bench/recordings.py`: with blocks a quarter as long the bounds of an air whose busy spells last half a
minute contain what it is in 81 % of recordings of five minutes, with these in 89 %."""
CELLS_MAXIMUM: Final = 600


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


def quantiles_known(ways: Sequence[Way], shares: Sequence[float]) -> list[Known]:
    """Return quantiles of the delays of these packets, each with its bound; the same every time."""
    sent = np.concatenate([way.sent_ns[way.came] for way in ways])
    delays = np.concatenate([way.delays for way in ways])
    order = np.argsort(sent, kind="stable")
    sent, delays = sent[order], delays[order]
    values = np.quantile(delays, shares)
    span_ns = float(np.ptp(sent)) if len(sent) > 1 else 0.0
    if span_ns <= 0:
        return [Known(float(value), float(value), float(value)) for value in values]
    block_ns = block_of(sent, delays)
    blocks = max(1, round(span_ns / block_ns))
    draws = np.random.Generator(np.random.PCG64(SEED)).random((DRAWS, blocks))
    begins = sent[0] + draws * span_ns
    by_size = np.argsort(delays, kind="stable")
    sizes = delays[by_size]
    drawn = np.empty((DRAWS, len(shares)))
    for row in range(DRAWS):
        weights = _times_drawn(sent, begins[row], block_ns, span_ns)[by_size]
        total = np.cumsum(weights)
        places = np.searchsorted(total, np.array(shares) * total[-1], side="left")
        drawn[row] = sizes[np.minimum(places, len(sizes) - 1)]
    tail = (1 - CONFIDENCE) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], axis=0)
    # Few blocks tell little of how much blocks differ.
    wider = float(student.ppf(1 - tail, max(1, span_ns / block_ns - 1)) / ndtri(1 - tail))
    return [
        Known(float(v), float(max(0.0, v - (v - a) * wider)), float(v + (b - v) * wider))
        for v, a, b in zip(values, np.minimum(low, values), np.maximum(high, values), strict=True)
    ]


def block_of(sent: Floats, delays: Floats) -> float:
    """Return how long a block lasts, in ns: several times as long as delays resemble each other."""
    span_ns = float(np.ptp(sent))
    cells = int(min(CELLS_MAXIMUM, max(10, len(sent) // 4)))
    cell = np.minimum((sent - sent[0]) / span_ns * cells, cells - 1).astype(int)
    scores = ndtri((rankdata(delays) - 0.5) / len(delays))
    counts = np.bincount(cell, minlength=cells)
    means = np.bincount(cell, weights=scores, minlength=cells)[counts > 0] / counts[counts > 0]
    about = means - np.mean(means)
    variance = float(np.mean(about**2))
    likeness = 0.5
    if variance > 0:
        for lag in range(1, len(about) // 4):
            alike = float(np.mean(about[lag:] * about[:-lag])) / variance
            if alike < 2 / len(about) ** 0.5:
                break
            likeness += alike
    block_ns = BLOCK_LIKENESSES * likeness * span_ns / cells
    return float(min(max(BLOCK_LEAST_NS, block_ns), span_ns / BLOCKS_MINIMUM))


def _times_drawn(sent: Floats, begins: Floats, block_ns: float, span_ns: float) -> Floats:
    # How many of the blocks each packet is in; a block goes on round from the end to the beginning.
    change = np.zeros(len(sent) + 1)
    np.add.at(change, np.searchsorted(sent, begins), 1.0)
    ends = begins + block_ns
    np.add.at(change, np.searchsorted(sent, ends), -1.0)
    over = ends[ends > sent[0] + span_ns]
    change[0] += len(over)
    np.add.at(change, np.searchsorted(sent, over - span_ns), -1.0)
    times: Floats = np.cumsum(change[:-1])
    return times
