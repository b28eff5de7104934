"""Fusion: two estimates of one offset that err independently, weighed by how well each knows it.

With variances ``v`` and ``w`` the combination of least variance is ``(w·x + v·y) / (v + w)``, the inverse-variance
weighted mean (C. F. Gauss, "Theoria combinationis observationum erroribus minimis obnoxiae", 1823). Marks and soundings
rest on different packets, so their errors are nearly independent; only the crystal's wander, to which both are a little
late, is common to them.
"""

from __future__ import annotations

import math
from typing import Final

from leadlight.clock.bound import DEVIATIONS, FLOOR_SHARE, deviation_at_ns
from leadlight.clock.estimator import Estimate, new_estimate
from leadlight.units import LocalInstant

FLOOR_DEVIATION: Final = FLOOR_SHARE / DEVIATIONS
"""Standard deviation of an offset through a floor of one, from what its two directions may differ by."""
LEAST_WEIGHT: Final = 1 / 16
"""An estimate that would count for less is left out: it could take no more than 3 % off the deviation."""


def fused(better: Estimate, other: Estimate, now: LocalInstant) -> Estimate:
    """Return the weighted mean of two estimates at ``now``; ``better`` itself if the other would add next to nothing.

    A floor's doubt enters as the statistical bound has it: what that allows for the floor is what it allows for so many
    standard deviations. Both rates are late to the same wander, so that two know it no better than the better one.
    """
    # Taken apart at once: this is done for every packet, and a name of a tuple's costs more than the sum it is for.
    _, _, rate, _, rate_deviation, floor_ns = better
    other_at, other_offset_ns, other_rate, known, other_rate_deviation, other_floor_ns = other
    if known == math.inf:
        return better
    deviation, other_deviation = deviation_at_ns(better, now), known
    if other_at < now:
        other_offset_ns, other_deviation = other.offset_at(now), deviation_at_ns(other, now)
    variance = deviation**2 + (FLOOR_DEVIATION * floor_ns) ** 2
    other_variance = other_deviation**2 + (FLOOR_DEVIATION * other_floor_ns) ** 2
    weight = variance / (variance + other_variance)
    if weight < LEAST_WEIGHT:
        return better
    rate_variance = rate_deviation**2
    rate_weight = rate_variance / (rate_variance + other_rate_deviation**2)
    offset_ns = better.offset_at(now)
    return new_estimate(
        (
            now,
            offset_ns + round(weight * (other_offset_ns - offset_ns)),
            rate + rate_weight * (other_rate - rate),
            math.hypot((1 - weight) * deviation, weight * other_deviation),
            rate_deviation if rate_deviation < other_rate_deviation else other_rate_deviation,
            (1 - weight) * floor_ns + weight * other_floor_ns,
        )
    )
