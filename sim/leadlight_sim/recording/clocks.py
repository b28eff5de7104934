"""How far apart two hosts' clocks are, from exchanges between them, and how they part as time goes on.

Of an exchange both ways' delays are known only with the clocks' difference θ in them: one way takes ``up - θ``, the
other ``down + θ``, and neither is ever less than its least delay. The least delays themselves are not to be had, only
their sum; here both are taken to be the same, so that a delay may be wrong by half of the least round trip, and never by
more. What changes in θ is to be had: it is the line that leaves both ways the greatest least delay (S. B. Moon, P.
Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999, who draw it by
linear programming too). Crystals wander, so the line may bend, where the least delay is better for it by more than a
bend costs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog
from scipy.sparse import coo_array, vstack

from leadlight.units import SECOND

Floats = npt.NDArray[np.float64]

KNOT_NS: Final = 30 * SECOND
KNOTS_MAXIMUM: Final = 60
BUCKETS_MAXIMUM: Final = 400
"""Of each way so many least points are kept: a straight line touches no others."""
BEND_COST_S: Final = 10.0
"""A bend by 1 ppm must be worth 10 µs of least delay; crystals bend by some hundredths of that in half a minute."""
DRIFT_MAXIMUM: Final = 1e-3
"""No two clocks part more quickly: crystals differ by a few hundred millionths, and what steers clocks by 500 more."""


@dataclass(frozen=True, slots=True)
class ClockRelation:
    """By how much another clock is ahead of one's own, as straight pieces between ``knots_ns`` of one's own clock.

    ``bound_ns`` is by how much that may be wrong at most: half of the least round trip.
    """

    knots_ns: Floats
    ahead_ns: Floats
    base_ns: int
    bound_ns: float

    def ahead_at(self, at_ns: Floats) -> Floats:
        """Return by how much the other clock is ahead at instants of one's own, less ``base_ns``."""
        if len(self.knots_ns) == 1:
            return np.full(len(at_ns), self.ahead_ns[0])
        found: Floats = np.interp(at_ns, self.knots_ns, self.ahead_ns)
        # Beyond the ends the clocks go on to part as they did.
        for end, step in ((0, 1), (-1, -1)):
            beyond = at_ns < self.knots_ns[0] if end == 0 else at_ns > self.knots_ns[-1]
            found[beyond] = self.ahead_ns[end] + self._slope(end, end + step) * (at_ns[beyond] - self.knots_ns[end])
        return found

    @property
    def drift_ppm(self) -> float:
        """By how many millionths the other clock is quicker, on average."""
        return 1e6 * self._slope(0, -1) if len(self.knots_ns) > 1 else 0.0

    def _slope(self, one: int, other: int) -> float:
        rise, run = self.ahead_ns[other] - self.ahead_ns[one], self.knots_ns[other] - self.knots_ns[one]
        return float(rise / run)


def relate(sent_ns: Floats, up_ns: Floats, down_ns: Floats, base_ns: int = 0) -> ClockRelation:
    """Return how two clocks are related, by exchanges of which all four stamps are known.

    ``up_ns`` is the other clock's reading on arrival less one's own on sending, ``down_ns`` one's own on the answer's
    arrival less the other's on its sending, each with ``base_ns`` taken out of the clocks' difference. One exchange is
    enough; the more, the better is what changes known.
    """
    # Where a recording begins or ends with slow packets a line through them would be steeper than any two clocks part.
    slope, level, _ = _line(sent_ns, up_ns, down_ns, np.array([sent_ns[0], max(sent_ns[-1], sent_ns[0] + 1)]))
    straight = level + slope * (sent_ns - sent_ns[0])
    span_ns = sent_ns[-1] - sent_ns[0]
    count = int(min(KNOTS_MAXIMUM, span_ns // KNOT_NS)) + 1
    if count < 3:
        knots = np.array([sent_ns[0], sent_ns[-1]])[: 2 if span_ns > 0 else 1]
        bent = np.zeros(len(knots))
        floor = float(min(np.min(up_ns - straight), np.min(down_ns + straight)))
    else:
        # Against the straight line a bucket's least point is its least delay.
        knots = np.linspace(sent_ns[0], sent_ns[-1], count)
        bent, floor = _bent(sent_ns, up_ns - straight, down_ns + straight, knots)
    ahead = bent + level + slope * (knots - sent_ns[0])
    relation = ClockRelation(knots, ahead, base_ns, floor)
    left = relation.ahead_at(sent_ns)
    least_up, least_down = float(np.min(up_ns - left)), float(np.min(down_ns + left))
    # Both ways the same least delay, to the last point.
    shift = (least_up - least_down) / 2
    return ClockRelation(knots, ahead + shift, base_ns, (least_up + least_down) / 2)


def _line(sent_ns: Floats, up_ns: Floats, down_ns: Floats, ends: Floats) -> tuple[float, float, float]:
    # The straight line alone: its slope, its level at the beginning, and the least delay that it leaves both ways.
    since = (sent_ns - sent_ns[0]) / SECOND
    ups, downs = _least(since, up_ns), _least(since, down_ns)
    rows = [np.column_stack([np.ones(len(ups)), since[ups], np.ones(len(ups))])]
    rows.append(np.column_stack([-np.ones(len(downs)), -since[downs], np.ones(len(downs))]))
    limits = np.concatenate([up_ns[ups], down_ns[downs]])
    steepest = DRIFT_MAXIMUM * SECOND
    if since[-1] == 0.0:
        steepest = 0.0
    found = linprog(
        [0.0, 0.0, -1.0], A_ub=np.vstack(rows), b_ub=limits, method="highs",
        bounds=[(None, None), (-steepest, steepest), (None, None)],
    )  # fmt: skip
    level, slope, floor = found.x
    return float(slope) / SECOND, float(level), float(floor)


def _bent(sent_ns: Floats, up_ns: Floats, down_ns: Floats, knots: Floats) -> tuple[Floats, float]:
    # Unknown are the line at each knot, the least delay, and by how much the slope changes at each inner knot.
    since, places = (sent_ns - sent_ns[0]) / SECOND, (knots - sent_ns[0]) / SECOND
    count, step = len(knots), (knots[1] - knots[0]) / SECOND
    bends = count - 2
    blocks, limits = [], []
    for points, sign in ((_least(since, up_ns), 1.0), (_least(since, down_ns), -1.0)):
        left = np.clip(np.searchsorted(places, since[points], side="right") - 1, 0, count - 2)
        share = (since[points] - places[left]) / step
        row = np.arange(len(points))
        values = np.concatenate([sign * (1 - share), sign * share, np.ones(len(points))])
        columns = np.concatenate([left, left + 1, np.full(len(points), count)])
        blocks.append(coo_array((values, (np.tile(row, 3), columns)), shape=(len(points), count + 1 + bends)))
        limits.append((up_ns if sign > 0 else down_ns)[points])
    row = np.arange(bends)
    for sign in (1.0, -1.0):
        values = np.concatenate([np.full(bends, sign), np.full(bends, -2 * sign), np.full(bends, sign)])
        columns = np.concatenate([row, row + 1, row + 2])
        shape = (bends, count + 1 + bends)
        bend = coo_array((values / step, (np.tile(row, 3), columns)), shape=shape)
        size = coo_array((np.full(bends, -1.0), (row, count + 1 + row)), shape=shape)
        blocks.append(bend + size)
        limits.append(np.zeros(bends))
    costs = np.concatenate([np.zeros(count), [-1.0], np.full(bends, BEND_COST_S)])
    free = [(None, None)] * (count + 1) + [(0.0, None)] * bends
    found = linprog(costs, A_ub=vstack(blocks).tocsr(), b_ub=np.concatenate(limits), bounds=free, method="highs")
    return np.asarray(found.x[:count]), float(found.x[count])


def _least(since_s: Floats, values: Floats) -> npt.NDArray[np.intp]:
    # The places of the least value of each of equal spans of time.
    span = since_s[-1] - since_s[0]
    if len(values) <= BUCKETS_MAXIMUM or span == 0:
        return np.arange(len(values))
    bucket = np.minimum((since_s - since_s[0]) / span * BUCKETS_MAXIMUM, BUCKETS_MAXIMUM - 1).astype(int)
    order = np.lexsort((values, bucket))
    first = np.ones(len(order), dtype=bool)
    first[1:] = bucket[order][1:] != bucket[order][:-1]
    places: npt.NDArray[np.intp] = order[first]
    return places
