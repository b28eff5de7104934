"""How late a host wakes its player: a distribution through four percentiles, and those that were recorded.

Between its percentiles lateness is taken for exponential, so that one draw gives a value. A plain exponential is the
case in which all of them lie on one line. Beyond the last the tail goes on as steeply.

The recordings are what `leadlight check --waking 10s` wrote: a thousand waits of 10 to 11 ms by each way of waiting.
They are of one machine, a virtual one with two x86 cores under Linux 6.18 and Python 3.11, which others use as well.
Idle: run before ordinary programs (`chrt -r 1`), so that the others were out of its way; the median of three. Loaded:
run as an ordinary program beside one busy process a core. No small board was at hand: that machine stands for it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND


def _knot(share: float) -> float:
    return -math.log(1.0 - share)


SHARES: Final = (0.5, 0.95, 0.99, 0.999)
"""The percentiles that a distribution is told by."""
_KNOTS: Final = (0.0, *map(_knot, SHARES))
"""Where they lie of an exponential of mean 1."""


class Lateness:
    """A distribution of lateness, told by its percentiles ``SHARES``, in ns and rising."""

    __slots__ = ("_begins", "_slopes", "percentiles_ns")

    def __init__(self, percentiles_ns: Sequence[float]) -> None:
        p50, p95, p99, rare = percentiles_ns
        if not 0 <= p50 <= p95 <= p99 <= rare:
            raise ConfigurationError("percentiles_ns", tuple(percentiles_ns), "four numbers of ns in rising order")
        self.percentiles_ns = (p50, p95, p99, rare)
        values = (0.0, *self.percentiles_ns)
        self._begins = values
        self._slopes = tuple(
            (upper - lower) / (end - begin)
            for lower, upper, begin, end in zip(values, values[1:], _KNOTS, _KNOTS[1:], strict=False)
        )

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Lateness) and self.percentiles_ns == other.percentiles_ns

    def __hash__(self) -> int:
        return hash(self.percentiles_ns)

    def __repr__(self) -> str:
        return f"Lateness({self.percentiles_ns})"

    def at(self, drawn: float) -> float:
        """Return the lateness, in ns, that belongs to a draw of an exponential of mean 1."""
        knots = _KNOTS
        part = 0
        while part < 3 and drawn > knots[part + 1]:
            part += 1
        return self._begins[part] + self._slopes[part] * (drawn - knots[part])

    def each_at(self, drawn: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return what ``at`` returns for each of many draws."""
        part = np.clip(np.searchsorted(_KNOTS, drawn, side="left") - 1, 0, 3)
        begins, slopes, knots = (np.array(values) for values in (self._begins, self._slopes, _KNOTS))
        late: npt.NDArray[np.float64] = begins[part] + slopes[part] * (drawn - knots[part])
        return late

    def moments_ns(self) -> tuple[float, float]:
        """Return mean and standard deviation, in ns.

        Of f(E) with E exponential: the mean is the integral of f'(e)·exp(-e), the mean square that of 2·f·f'·exp(-e).
        """
        mean = square = 0.0
        for part, slope in enumerate(self._slopes):
            begin, value = _KNOTS[part], self._begins[part]
            here = math.exp(-begin)
            there, length = (0.0, 0.0) if part == 3 else (math.exp(-_KNOTS[part + 1]), _KNOTS[part + 1] - begin)
            mean += slope * (here - there)
            square += 2 * slope * (value * (here - there) + slope * (here - there * (1 + length)))
        return mean, math.sqrt(max(square - mean * mean, 0.0))


def _recorded(*percentiles_us: float) -> Lateness:
    return Lateness([late * MICROSECOND for late in percentiles_us])


RECORDED: Final = {
    ("idle", "rounded-timer"): _recorded(682, 1130, 1280, 1730),
    ("idle", "exact-timer"): _recorded(60, 127, 255, 801),
    ("idle", "spin"): _recorded(5, 11, 39, 105),
    ("loaded", "rounded-timer"): _recorded(5350, 17800, 26500, 29900),
    ("loaded", "exact-timer"): _recorded(4170, 17100, 26600, 31200),
    ("loaded", "spin"): _recorded(5160, 17800, 29700, 46700),
}
"""p50, p95, p99 and p99.9 of each recording, by what else the machine did and by the way of waiting."""

MICROCONTROLLER: Final = _recorded(5, 11, 20, 28)
"""Three ESP32-S3 kept in step by an access point's beacons: absolute offset p50 5, p95 11, p99 20, largest 28 µs of 260
(Gundall, Herbst, Müller, Schotten, ETFA 2025, their published rows). Waking, stamps and clock are all in it."""
